"""A small cell in virtual time for tests of the core: the production core, modelled machines.

Rules of this file: every step of every world is watched, and a broken invariant fails the test that made it.
"""

from collections.abc import Callable

import pytest

from simulators.bench.trial import small_world
from simulators.bench.world import World
from supervisor.core.decide import Decision
from supervisor.core.events import Event, HoldReleased


@pytest.fixture
def a_world() -> Callable[..., World]:
    """Makes a world, as ``small_world`` does, with the invariants watched."""

    def make(**wishes: object) -> World:
        world = small_world(**wishes)

        def watch(event: Event, decision: Decision) -> None:
            broken = world.core.broken(decision.state)
            assert not broken, (event, broken)

        world.watch = watch
        return world

    return make


@pytest.fixture
def answer() -> Callable[[World, str, str], None]:
    """Gives a person's answer to the one hold of a code."""

    def give(world: World, code: str, reply: str) -> None:
        (hold,) = [hold for hold in world.state.holds.values() if hold.code == code]
        world.tell(HoldReleased(hold=hold.hold, answer=reply, by="a person", place=""))

    return give

"""The way that look-ahead saw is kept in the handler's state, and routing gets it back with the next question."""

import pytest

from simulators.bench.trial import DAY_MS, finish, serials, small_world, troubles
from supervisor.cell.model import Routing
from supervisor.cell.value import replace
from supervisor.core.decide import Core
from supervisor.core.events import SupervisorStarted
from supervisor.core.state import CellState
from supervisor.store.shape import Shape


@pytest.fixture
def world():
    return small_world(
        pallets=3, declared=lambda cell: replace(cell, routing=Routing(look_ahead_steps=400))
    )


def under_way(world):
    """The same when there is a way with more legs than one."""
    world.run(world.now_ms + DAY_MS, done=lambda w: len(w.state.handler.way) > 2)
    return world


def test_a_way_is_kept_until_everybody_is_out(world):
    seen = []

    def watch(_, decision):
        assert all(choice.way == () for choice in decision.choices)  # kept once, in the state
        if decision.choices:
            seen.append(decision.state.handler.way)

    world.watch = watch
    finish(world, parts=3)
    assert troubles(world, parts=serials(world)) == []
    assert max(map(len, seen)) > 2
    assert max(map(len, seen)) < 60
    assert {pallet for way in seen for pallet, *_ in way} <= {
        part.pallet for part in world.physics.pallets
    }
    assert world.state.handler.way == ()


def test_it_survives_a_snapshot_and_is_forgotten_under_another_declaration(world):
    state, shape = under_way(world).state, Shape(CellState)
    assert shape.decode(shape.encode(state)).handler.way == state.handler.way
    other = Core(replace(world.cell, digest="new"))
    started = SupervisorStarted(declaration="new", version="2", fence=2)
    assert other.decide(state, started, world.now_ms).state.handler.way == ()


def test_who_takes_the_cell_after_a_death_has_the_same_way_from_the_journal(world):
    under_way(world).die_after(len(world.journal.entries) + 1, "sent")
    world.run(world.now_ms + DAY_MS, done=lambda w: w.is_dead())
    assert len(world.state.handler.way) > 2
    world.revive()  # raises if the journal gives another state
    finish(world, parts=3)
    assert troubles(world, parts=serials(world)) == []

"""What routing planned for many pallets is kept in the handler's state, and routing gets it back with the next question.

Rules of this file: the small cell has few pallets, so the number from which on a plan is kept is set to none.
"""

import pytest

from simulators.bench.trial import DAY_MS, finish, serials, small_world, troubles
from supervisor.cell.value import replace
from supervisor.core.decide import Core
from supervisor.core.events import SupervisorStarted
from supervisor.core.state import CellState
from supervisor.routing import plan
from supervisor.store.shape import Shape


@pytest.fixture
def world(monkeypatch):
    monkeypatch.setattr(plan, "GREEDY_MAX", 0)
    return small_world(pallets=4)


def test_a_plan_is_kept_as_long_as_anybody_has_a_choice(world):
    seen = []

    def watch(_, decision):
        assert all(choice.plan == () for choice in decision.choices)  # kept once, in the state
        if decision.choices:
            seen.append(decision.state.handler.plan)

    world.watch = watch
    finish(world, parts=4)
    assert troubles(world, parts=serials(world)) == []
    assert max(map(len, seen)) > 1
    pallets = {part.pallet for part in world.physics.pallets}
    assert {pallet for kept in seen for pallet, _ in kept} <= pallets
    programs = {program.program for program in world.cell.programs}
    assert {program for kept in seen for _, names in kept for program in names} <= programs
    assert world.state.handler.plan == ()


def test_it_survives_a_snapshot_and_is_forgotten_under_another_declaration(world):
    world.run(world.now_ms + DAY_MS, done=lambda w: bool(w.state.handler.plan))
    state, shape = world.state, Shape(CellState)
    assert shape.decode(shape.encode(state)).handler.plan == state.handler.plan != ()
    other = Core(replace(world.cell, digest="new"))
    started = SupervisorStarted(declaration="new", version="2", fence=2)
    assert other.decide(state, started, world.now_ms).state.handler.plan == ()


def test_who_takes_the_cell_after_a_death_has_the_same_plan_from_the_journal(world):
    world.run(world.now_ms + DAY_MS, done=lambda w: bool(w.state.handler.plan))
    world.die_after(len(world.journal.entries) + 1, "sent")
    world.run(world.now_ms + DAY_MS, done=lambda w: w.is_dead())
    assert world.state.handler.plan
    world.revive()  # raises if the journal gives another state
    finish(world, parts=4)
    assert troubles(world, parts=serials(world)) == []

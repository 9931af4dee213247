"""The core looks only at what a fact concerns and remembers what it has worked out. Neither changes a decision.

Rules of this file: the facts are those of shifts with faults and people, kept, doubled, lost and put off at random, so that states come
up that no cell leads to. One core decides them all; beside it each fact is decided by a core that has never decided anything.
"""

from itertools import islice
from random import Random

import pytest

from simulators.bench.faults import HOUR_MS
from simulators.bench.parts import pallets_for, physics_of
from simulators.bench.scenarios import small_cell
from simulators.bench.shift import START_MS, Case, Shift
from simulators.bench.world import World
from supervisor.cell.model import Cell
from supervisor.core.consequences import follow, give
from supervisor.core.decide import Core
from supervisor.core.draft import Draft
from supervisor.core.events import Event

FACTS_MAX = 1_000
TWICE_MAX = 400
PALLETS = 8


def recorded(seed: int) -> tuple[Cell, list[tuple[Event, int]]]:
    """The cell and the facts of a drawn shift."""
    shift = Shift(Case(seed=seed))
    shift.run()
    return shift.world.cell, [(e.event, e.at_ms) for e in shift.world.journal.entries[:FACTS_MAX]]


def calm(cell: Cell, seed: int) -> list[tuple[Event, int]]:
    """The facts of a short shift in which nothing goes wrong."""
    physics = physics_of(
        cell,
        pallets=pallets_for(cell, PALLETS, seed),
        arrivals_ms=[START_MS + number * 60_000 for number in range(PALLETS)],
        bad_share=0.2,
    )
    world = World(cell, physics, seed=seed, start_ms=START_MS)
    world.run(START_MS + 4 * HOUR_MS, done=lambda w: len(w.records) == PALLETS)
    return [(e.event, e.at_ms) for e in world.journal.entries[:FACTS_MAX]]


def walk(facts: list[tuple[Event, int]], draw: Random) -> list[tuple[Event, int]]:
    """The facts with some lost, some doubled and some late."""
    walked: list[tuple[Event, int]] = []
    late: list[Event] = []
    for event, at_ms in facts:
        lot = draw.random()
        if lot < 0.03:
            continue
        if lot < 0.06:
            late.append(event)
            continue
        walked += [(event, at_ms)] * (2 if lot > 0.98 else 1)
        if late and draw.random() < 0.2:
            walked.append((late.pop(0), at_ms))
    return walked


@pytest.mark.parametrize("seed", [3, 42, 99])
def test_a_core_that_remembers_decides_like_one_that_never_decided(seed: int):
    cell, facts = recorded(seed)
    used = Core(cell)
    state = used.initial()
    for event, at_ms in walk(facts[:TWICE_MAX], Random(seed)):
        decision = used.decide(state, event, at_ms)
        assert Core(cell).decide(state, event, at_ms) == decision
        state = decision.state


def test_a_memory_of_one_state_is_no_memory_of_another():
    """Two shifts of one cell through one core, in turns: what is remembered of a place must not answer for the other's state."""
    cell = small_cell()
    core = Core(cell)
    states = [core.initial(), core.initial()]
    shifts = [calm(cell, seed) for seed in (3, 4)]
    for turn in islice(zip(*shifts, strict=False), TWICE_MAX):
        for at, (event, at_ms) in enumerate(turn):
            decision = core.decide(states[at], event, at_ms)
            assert Core(cell).decide(states[at], event, at_ms) == decision
            states[at] = decision.state


@pytest.mark.parametrize("seed", [3, 32, 35])
def test_after_a_decision_a_look_at_every_station_finds_nothing_more(seed: int):
    """Seeds 32 and 35: a station becomes unusable, and what was left to it has to be run where the pallet stands."""
    cell, facts = recorded(seed)
    core = Core(cell)
    state = core.initial()
    for event, at_ms in facts:
        state = core.decide(state, event, at_ms).state
        draft = Draft(core.tables, state, at_ms)
        draft.dirty = dict.fromkeys(state.stations)
        follow(draft)
        give(draft)
        assert (draft.commands, draft.close()) == ([], state)

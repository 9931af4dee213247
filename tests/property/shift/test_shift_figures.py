"""The fold over drawn cells and shifts: its times add up, batches change nothing, and no bound is above what happened."""

import itertools

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from simulators.bench.parts import pallets_for, physics_of
from simulators.bench.random_cells import random_cell
from simulators.bench.scenarios import small_cell
from simulators.bench.shift import Case, Shift
from simulators.bench.world import World
from supervisor.core.decide import Core
from supervisor.shell.fold import Fold
from supervisor.shift.fold import ShiftFigures, ShiftFold

START_MS = 1_764_000_000_000
HOUR_MS = 3_600_000


def played(cell, *, pallets, seed, every_ms, hours) -> tuple[World, ShiftFigures]:
    physics = physics_of(
        cell,
        pallets=pallets_for(cell, pallets, seed),
        arrivals_ms=[START_MS + number * every_ms for number in range(pallets)],
        bad_share=0.1,
    )
    world = World(cell, physics, seed=seed, start_ms=START_MS)
    fold = ShiftFold(cell)
    world.watch = lambda _event, decision: fold.take(decision.state, world.cell_ms())
    world.run(START_MS + int(hours * HOUR_MS))
    return world, fold.figures(world.now_ms)


def of_journal(world: World, *, batched: str) -> ShiftFigures:
    core = Core(world.cell)
    states = Fold(lambda _: core)
    fold = ShiftFold(world.cell)
    for at_ms, entries in itertools.groupby(world.journal.entries, key=lambda e: e.at_ms):
        for entry in entries:
            states.take(entry.event, at_ms)
            if batched == "no":
                fold.take(states.state, at_ms)
        if batched == "yes":
            fold.take(states.state, at_ms)
    return fold.figures(world.now_ms)


def holds_together(figures: ShiftFigures) -> None:
    for station in figures.stations:
        assert sum(station.spent_ms.values()) == figures.looked_ms
    assert sum(figures.handler_ms.values()) == figures.looked_ms
    if figures.bound is not None:
        took_ms = figures.work.to_ms - figures.work.from_ms
        assert figures.bound.work_ms <= figures.bound.ms <= took_ms


@pytest.mark.property
@settings(deadline=None, max_examples=15)
@given(
    seed=st.integers(0, 10**6),
    pallets=st.integers(1, 12),
    every_ms=st.sampled_from((0, 60_000, 900_000)),
    hours=st.sampled_from((0.2, 1.0, 4.0)),
)
def test_no_bound_is_above_what_happened_in_a_drawn_cell(seed, pallets, every_ms, hours):
    _, figures = played(
        random_cell(seed), pallets=pallets, seed=seed, every_ms=every_ms, hours=hours
    )
    holds_together(figures)


@pytest.mark.property
@settings(deadline=None, max_examples=6)
@given(seed=st.integers(0, 10**6))
@example(seed=2)  # a part whose type its tag told only when it was read again
def test_no_bound_is_above_what_happened_among_faults(seed):
    shift = Shift(Case(seed=seed))
    fold = ShiftFold(shift.world.cell)
    watch = shift.world.watch

    def look(event, decision):
        watch(event, decision)
        fold.take(decision.state, shift.world.cell_ms())

    shift.world.watch = look
    assert not shift.run().failures
    holds_together(fold.figures())


def test_the_journal_gives_the_figures_that_were_seen_live_entry_by_entry_and_in_batches():
    world, live = played(small_cell(), pallets=9, seed=5, every_ms=30_000, hours=1.2)
    assert live.parts_out > 5
    assert of_journal(world, batched="no") == live
    assert of_journal(world, batched="yes") == live


def test_a_look_that_begins_in_the_middle_counts_only_what_it_saw():
    """Two looks at one shift share no time and no run, and together have all that was finished in either."""
    world, whole = played(small_cell(), pallets=9, seed=5, every_ms=30_000, hours=1.2)
    core = Core(world.cell)
    states = Fold(lambda _: core)
    first, second = ShiftFold(world.cell), ShiftFold(world.cell)
    cut_ms = START_MS + HOUR_MS // 2
    for entry in world.journal.entries:
        states.take(entry.event, entry.at_ms)
        (first if entry.at_ms < cut_ms else second).take(states.state, entry.at_ms)
    one = first.figures()
    other = second.figures(world.now_ms)
    holds_together(one)
    holds_together(other)
    assert one.parts_out + other.parts_out == whole.parts_out
    across = sum(s.runs for s in whole.stations) - sum(
        s.runs for s in (*one.stations, *other.stations)
    )
    assert 0 <= across <= len(world.cell.stations)

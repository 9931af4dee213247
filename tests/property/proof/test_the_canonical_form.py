"""States of the same canonical form behave alike.

From states and facts that the explorer met, other states of the same form are made: with other numbers of orders, runs and holds,
other times, boots, counters, figures and texts. On each the core decides the same fact, told in the same other names. What comes out
must be of the same form, and the goals must be the same but for the names.
"""

from itertools import pairwise
from random import Random

import pytest

from simulators.bench.proof import form
from simulators.bench.proof.cells import CELLS, RESULT_MS
from simulators.bench.proof.decisions import Decisions
from simulators.bench.proof.explore import Explorer
from simulators.bench.proof.form import NOW_MS, Forms, Renaming, run_name, run_number
from simulators.bench.proof.truth import Budget
from supervisor.cell.value import replace
from supervisor.core.commands import OWN_SIDE
from supervisor.core.events import HoldReleased, TimerFired
from supervisor.core.state import CellState

SAMPLES = 400
YOUNG_MS_MAX = 1_000
"""How much older than now a young run, or a wait, is at most: less than any duration of the proof's cells."""


class Disguise:
    """Other names for everything that a canonical state drops or renames, drawn from a seed."""

    def __init__(self, state: CellState, seed: int) -> None:
        draw = Random(f"disguise {seed}")
        self.draw = draw
        self.at_ms = NOW_MS + draw.randrange(10**9)
        numbers = sorted({n for n in form._all_numbers(state) if n > 0})
        # Numbers of a running cell: many, far apart, in any order among themselves, as long as one another (holds are sorted as text).
        drawn = draw.sample(range(10**9, 2 * 10**9), len(numbers))
        self.numbers = dict(zip(numbers, drawn, strict=True))
        self.next_order = 3 * 10**9 + draw.randrange(10**6)
        names = sorted(draw.sample(range(10**9, 2 * 10**9), len(state.holds)))
        self.holds = {hold: f"hold-{n}" for hold, n in zip(sorted(state.holds), names, strict=True)}
        self.boots = {
            source: {"0": f"b{n}", "1": f"c{n}", "2": f"d{n}", "3": f"e{n}", "": ""}
            for source in (*state.stations, "handler")
            for n in (draw.randrange(100),)
        }
        self.shifts = {name: draw.randrange(1_000) for name in state.stations}
        self.clocks = {source: draw.randrange(10, 10**6) for source in (*self.boots, "rack")}

    @property
    def renaming(self) -> Renaming:
        return Renaming(numbers=self.numbers, boots=self.boots, shifts=self.shifts)

    def of_state(self, state: CellState) -> CellState:
        """Another state of the same form."""
        names = self.renaming
        return replace(
            state,
            fence=7,
            stay="some reason",
            next_order=self.next_order,
            stations={name: self._station(each) for name, each in state.stations.items()},
            readers={
                name: replace(each, source_ms=self.clocks["rack"])
                for name, each in state.readers.items()
            },
            handler=replace(
                form._handler(state.handler, names),
                source_ms=self.clocks["handler"],
                boot=self.boots["handler"][state.handler.boot],
                why="some reason",
                carry=state.handler.carry
                and replace(state.handler.carry, cost_ms=17, why="some reason"),
            ),
            pallets={name: self._pallet(each) for name, each in state.pallets.items()},
            holds={
                self.holds[name]: replace(each, hold=self.holds[name], seen="seen", since_ms=3)
                for name, each in state.holds.items()
            },
            outstanding={
                about: replace(
                    form._outstanding(each, names), times=each.times and self.draw.randrange(1, 9)
                )
                for about, each in state.outstanding.items()
            },
            timers={
                name: replace(each, due_ms=self._lately(), why="some reason")
                for name, each in state.timers.items()
            },
            unassigned=tuple(
                replace(form._unassigned(each, names), at_ms=5, why="some reason")
                for each in state.unassigned
            ),
        )

    def _lately(self) -> int:
        return self.at_ms - self.draw.randrange(YOUNG_MS_MAX)

    def _station(self, station):
        disguised = form._station(station, self.renaming)
        run = disguised.run
        if run is not None and run.started_ms:
            old = run.started_ms != form.YOUNG_MS
            started_ms = self._lately() - (RESULT_MS + 10**5 if old else 0)
            run = replace(run, started_ms=started_ms)
        return replace(
            disguised,
            run=run,
            source_ms=self.clocks[station.station],
            figures=replace(station.figures, busy_ms=11, runs=3, exchanges=5, swaps=2),
        )

    def _pallet(self, pallet):
        since_ms = self._lately()
        return replace(
            form._pallet(pallet, self.renaming), entered_ms=2, since_ms=since_ms, visits=4
        )

    def of_fact(self, fact):
        """The same fact in the other names. Clocks: 1 is the one that the core knows."""
        if isinstance(fact, HoldReleased):
            return replace(fact, hold=self.holds.get(fact.hold, fact.hold))
        if isinstance(fact, TimerFired):
            return fact
        disguised = form.renamed_event(fact, self.renaming)
        if hasattr(disguised, "source_ms"):
            source = getattr(fact, "station", "") or getattr(fact, "reader", "handler")
            disguised = replace(disguised, source_ms=self.clocks[source] + fact.source_ms - 1)
        return disguised


def sampled(cell: str, budget: Budget) -> tuple[Decisions, list[tuple[int, object]]]:
    """Decisions that an exploration made, a fair sample of them."""
    explorer = Explorer(CELLS[cell](2), budget)
    report = explorer.explore(states_max=2_500)
    assert report.finding is None
    decisions = explorer.scene.decisions
    made = list(decisions._made)
    return decisions, Random(f"sample {cell}").sample(made, SAMPLES)


def goals_in(commands, numbers) -> list[object]:
    own = OWN_SIDE
    return [form.renamed_goal(c, numbers) for c in commands if not isinstance(c, own)]


@pytest.mark.parametrize("cell", ["single", "counting", "swap", "two"])
def test_states_of_the_same_form_behave_alike(cell):
    decisions, sample = sampled(cell, Budget(1, 1, 1, 1, 1, 2))
    forms = Forms()
    for seed, (number, fact) in enumerate(sample):
        if fact == TimerFired(timer="routing"):
            continue  # decided at a later time of its own, which ages runs
        state = decisions.states[number]
        disguise = Disguise(state, seed)
        other = decisions.core.decide(
            disguise.of_state(state), disguise.of_fact(fact), disguise.at_ms
        )
        outcome = decisions.after(number, fact)
        shown, names, _ = forms.canonical(at_now(other.state, disguise.at_ms))
        expected, _, _ = forms.canonical(decisions.states[outcome.core])
        assert shown == expected, (state, fact)
        assert tuple(goals_in(other.commands, names.numbers)) == outcome.goals


def at_now(state: CellState, at_ms: int) -> CellState:
    """The same state with the starts of runs counted from the moment of the canonical form."""
    moved_ms = NOW_MS - at_ms

    def moved(station):
        run = station.run
        if run is None or not run.started_ms:
            return station
        return replace(station, run=replace(run, started_ms=run.started_ms + moved_ms))

    return replace(state, stations={n: moved(s) for n, s in state.stations.items()})


def test_a_disguise_changes_every_number_and_keeps_holds_in_order():
    decisions, sample = sampled("swap", Budget(1, 1, 1, 1, 1, 2))
    for seed, (number, _) in enumerate(sample[:50]):
        state = decisions.states[number]
        disguise = Disguise(state, seed)
        assert all(old != new for old, new in disguise.numbers.items())
        held = [disguise.holds[name] for name in state.holds]
        assert all(a < b for a, b in pairwise(held))


def test_names_of_runs_are_read_back():
    assert run_number(run_name(17)) == 17
    assert run_name(0) == ""
    assert run_number("") == 0

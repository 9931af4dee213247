"""The production core over canonical states, each decision made once.

Rules of this file:
- ``Core.decide`` is the real one. A state gets a number when it is first reached; a decision is remembered by state and fact.
- Whatever a decision itself shows to be wrong is said here: an exception, a broken invariant, a record or result under a wrong name.
"""

from collections.abc import Sequence
from typing import NamedTuple

from simulators.bench.proof import judge
from simulators.bench.proof.cells import ProofCell
from simulators.bench.proof.form import (
    NOW_MS,
    Forms,
    Renaming,
    aged,
    renamed_goal,
    without_unassigned,
)
from supervisor.core.commands import (
    CancelTimer,
    Command,
    Goal,
    MarkSuspect,
    SetTimer,
    StoreRecord,
)
from supervisor.core.decide import Core
from supervisor.core.events import Event, TimerFired
from supervisor.core.state import CellState


class Outcome(NamedTuple):
    """What follows from a fact: the state's number, the goals that went out, and what is wrong.

    ``names``: how names changed, None if they did not; ``dropped`` are the numbers that the core has forgotten.
    """

    core: int
    goals: tuple[Goal, ...]
    names: Renaming | None
    dropped: frozenset[int]
    trouble: tuple[str, ...]


class Decisions:
    """The core with every state it was seen in, and every decision that it made."""

    def __init__(self, cell: ProofCell) -> None:
        """Start with the state before the first fact, number 0."""
        self.cell = cell
        self.core = Core(cell.cell)
        self.states: list[CellState] = []
        self.troubles: list[tuple[str, ...]] = []
        self._numbers: dict[tuple[int, ...], int] = {}
        self._made: dict[tuple[int, Event], Outcome] = {}
        self._pruned: dict[tuple[int, frozenset[int]], Outcome] = {}
        self._forms = Forms()
        self._known: list[frozenset[int]] = []
        self._take(self.core.initial())

    @property
    def made(self) -> int:
        """How many decisions the core has made."""
        return len(self._made)

    def after(self, core: int, event: Event) -> Outcome:
        """The decision on a fact."""
        known = self._made.get((core, event))
        if known is None:
            known = self._made[core, event] = self._decide(core, event)
        return known

    def pruned(self, core: int, numbers: frozenset[int]) -> Outcome:
        """The same state without the results kept aside that can never come again."""
        known = self._pruned.get((core, numbers))
        if known is None:
            after, names = self._take(without_unassigned(self.states[core], numbers))
            known = self._outcome(core, after, names, (), ())
            self._pruned[core, numbers] = known
        return known

    def _decide(self, core: int, event: Event) -> Outcome:
        before = self.states[core]
        if isinstance(event, TimerFired) and event.timer == "routing":
            before = aged(before)
        try:
            decision = self.core.decide(before, event, NOW_MS)
        except Exception as defect:  # noqa: BLE001 - whatever it is, it is the finding
            text = f"decide raises {type(defect).__name__}: {defect}"
            return self._outcome(core, core, None, (), (text,))
        after, names = self._take(decision.state)
        goals = tuple(
            renamed_goal(command, names.numbers)
            for command in decision.commands
            if not isinstance(command, SetTimer | CancelTimer | StoreRecord | MarkSuspect)
        )
        trouble = (
            *self.troubles[after],
            *self._records_under_wrong_names(decision.commands),
            *judge.goes_on_while_a_person_is_asked(self.states[after], goals),
            *judge.ordered_on_a_guess(self.states[after], goals),
        )
        return self._outcome(core, after, names, goals, trouble)

    def _outcome(
        self,
        before: int,
        after: int,
        names: Renaming | None,
        goals: tuple[Goal, ...],
        trouble: tuple[str, ...],
    ) -> Outcome:
        dropped = self._known[before] - names.numbers.keys() if names is not None else _NONE
        changed = names if dropped or (names is not None and _changes(names)) else None
        return Outcome(core=after, goals=goals, names=changed, dropped=dropped, trouble=trouble)

    def _records_under_wrong_names(self, commands: Sequence[Command]) -> list[str]:
        return [
            text
            for command in commands
            if isinstance(command, StoreRecord)
            for text in judge.record_of_another_part(self.cell, command.record)
        ]

    def _take(self, state: CellState) -> tuple[int, Renaming]:
        """The number of a state's canonical form, and how names changed."""
        form, names, key = self._forms.canonical(state)
        number = self._numbers.get(key)
        if number is None:
            number = self._numbers[key] = len(self.states)
            self.states.append(form)
            self._known.append(frozenset(names.numbers.values()))
            broken = [f"invariant broken: {text}" for text in self.core.broken(form)]
            wrong = judge.results_under_a_wrong_name(self.cell, form)
            self.troubles.append((*broken, *wrong))
        return number, names


_NONE: frozenset[int] = frozenset()


def _changes(names: Renaming) -> bool:
    """Whether anything has another name now."""
    return (
        any(old != new for old, new in names.numbers.items())
        or any(names.shifts.values())
        or any(old != new for boots in names.boots.values() for old, new in boots.items())
    )

"""From a shift that fails to a small one that fails for the same reason.

Rules of this file:
- The same reason is the same broken rule. What is left out: the time after the failure, faults one by one, pallets.
- Leaving a strike out shifts no other (``faults``), but it changes what happens afterwards: so every smaller case is run, not reasoned about.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TypeVar

from simulators.bench.faults import HOUR_MS, Chosen
from simulators.bench.shift import START_MS, Case, Outcome, run_case

T = TypeVar("T")

RUNS_MAX = 400

Strike = tuple[str, int]


class Shrinking:
    """One failing case on its way to a small one. ``runs_left`` bounds the work (S11)."""

    def __init__(self, failing: Outcome, runs_max: int = RUNS_MAX) -> None:
        self.smallest = failing
        self.rule = failing.failures[0].rule
        self.runs_left = runs_max

    def run(self) -> Outcome:
        """The smallest case that was found."""
        self._shorter()
        self._fewer_kinds()
        self._fewer_strikes()
        self._fewer_pallets()
        self._fewer_strikes()
        self._shorter()
        return self.smallest

    def _try(self, case: Case) -> bool:
        """Run a case; keep it if it fails for the same reason."""
        if self.runs_left <= 0:
            return False
        self.runs_left -= 1
        outcome = run_case(case)
        if not outcome.failures or outcome.failures[0].rule != self.rule:
            return False
        self.smallest = outcome
        return True

    def _shorter(self) -> None:
        """Faults end just after the failure, or as early as it still comes."""
        last_ms = self.smallest.failures[0].at_ms - START_MS + 1_000
        hours = min(self.smallest.troubled_hours, last_ms / HOUR_MS)
        self._try(replace(self.smallest.case, hours=hours))

    def _fewer_kinds(self) -> None:
        kinds = sorted({kind for kind, _ in self.smallest.struck})

        def with_kinds(some: Sequence[str]) -> Case:
            return replace(self.smallest.case, faults=dict.fromkeys(some))

        self._reduce(kinds, with_kinds)

    def _fewer_strikes(self) -> None:
        def with_strikes(some: Sequence[Strike]) -> Case:
            return replace(self.smallest.case, faults=_only(some))

        self._reduce(self.smallest.struck, with_strikes)

    def _fewer_pallets(self) -> None:
        for pallets in range(1, self.smallest.pallets):
            if self._try(replace(self.smallest.case, pallets=pallets)):
                return

    def _reduce(self, items: Sequence[T], case_of: Callable[[Sequence[T]], Case]) -> None:
        """Leave out parts as long as the case still fails: halves first, then ever smaller parts (delta debugging)."""
        left = list(items)
        size = max(1, len(left) // 2)
        while left:
            at = 0
            while at < len(left):
                fewer = left[:at] + left[at + size :]
                if self._try(case_of(fewer)):
                    left = fewer
                else:
                    at += size
            if size == 1:
                return
            size = max(1, size // 2)


def shrunk(failing: Outcome) -> Outcome:
    """The smallest case found that fails for the same reason."""
    return Shrinking(failing).run()


def _only(strikes: Sequence[Strike]) -> Chosen:
    """Exactly these strikes."""
    chosen: dict[str, frozenset[int]] = {}
    for kind, number in strikes:
        chosen[kind] = chosen.get(kind, frozenset()) | {number}
    return chosen

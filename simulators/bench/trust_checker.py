"""What a failed check may lead to, judged from certificates and from what stations gave.

Rules of this file:
- Whether a check found the calibrated values is worked out anew, with fractions, from the declaration and the results that arrived; the
  state is read only for what it claims to suspend.
- Squares are compared, so that nothing is rounded.
"""

from collections import defaultdict
from collections.abc import Iterator
from fractions import Fraction

from simulators.bench.random_trust import day_of
from supervisor.cell.model import Cell, CheckRule, Program, Reference, ReferenceValue, Vouched
from supervisor.core.commands import MarkSuspect
from supervisor.core.events import HoldReleased, ResultArrived
from supervisor.core.state import CellState
from supervisor.verdict.record import Evidence

DAY_MS = 24 * 3_600_000
Missed = frozenset[str]
"""The numbers of a reference part that a run missed."""


class TrustChecker:
    """Watches what stations are trusted with in one world."""

    def __init__(self, cell: Cell) -> None:
        self._cell = cell
        self._references = {p.part_type: p.reference for p in cell.part_types if p.reference}
        self._programs = {p.program: p for p in cell.programs if p.part_type in self._references}
        self._units = {(p.part_type, c.number): c.unit for p in cell.part_types for c in p.plan}
        self._runs: dict[str, list[Missed]] = defaultdict(list)
        self._taken: set[tuple[str, str]] = set()
        self._good_ms: dict[str, int] = {}
        self._marks: list[MarkSuspect] = []
        self._doubted: dict[tuple[str, str], set[Vouched]] = {}
        self._extended_ms: dict[str, int] = {}

    # --- what is told -------------------------------------------------------------------------------------------------------------

    def released(self, event: HoldReleased, before: CellState, at_ms: int) -> None:
        """A person may let a station measure on beyond its calibration."""
        hold = before.holds.get(event.hold)
        if hold is not None and hold.code == "calibration-overdue" and event.why:
            self._extended_ms[hold.subject] = at_ms + DAY_MS

    def result(self, event: ResultArrived, before: CellState) -> None:
        """What a station must not decide when a result arrives, it must not decide by that result."""
        known = before.trust.get(event.station)
        about = {v for s in (known.suspensions if known else ()) for v in s.about}
        self._doubted.setdefault((event.station, event.result_id), about)

    def marks(self, mark: MarkSuspect, given: ResultArrived | None, at_ms: int) -> Iterator[str]:
        """A suspicion follows a check that has failed, and reaches back to the last good one."""
        suspicion = mark.suspicion
        self._marks.append(mark)
        if given is None or given.station != suspicion.station:
            yield f"{suspicion.run_id} at {suspicion.station} never was"
            return
        missed = self.missed(suspicion.program, given)
        yield from self._why_not_about(mark, missed)
        good_ms = self._good_ms.get(suspicion.program, -1)
        if (suspicion.from_ms, suspicion.to_ms) != (good_ms, at_ms):
            yield f"suspects {suspicion.from_ms} to {suspicion.to_ms}, the last good check was {good_ms}, it is {at_ms}"

    def checked(self, program: str, given: ResultArrived, at_ms: int) -> None:
        """A result of a reference part was taken: one that lacks a value shows nothing, the same once more nothing new."""
        name = (given.station, given.result_id)
        if (
            program not in self._programs
            or name in self._taken
            or not self._complete(program, given)
        ):
            return
        self._taken.add(name)
        missed = self.missed(program, given)
        self._runs[program].append(missed)
        if not missed:
            self._good_ms[program] = at_ms

    # --- what is asked ------------------------------------------------------------------------------------------------------------

    def doubts(self, part_type: str, number: str, evidence: Evidence) -> bool:
        """Whether a value must not decide."""
        vouched = Vouched(part_type=part_type, number=number)
        at_arrival = self._doubted.get((evidence.station, evidence.result_id), set())
        return vouched in at_arrival or any(
            mark.suspicion.station == evidence.station
            and mark.suspicion.from_ms < evidence.measured_ms <= mark.suspicion.to_ms
            and vouched in mark.suspicion.about
            for mark in self._marks
        )

    def why_not_start(self, station: str, at_ms: int) -> Iterator[str]:
        """A calibration that has ended, at a station that stops for it."""
        declared = next(s for s in self._cell.stations if s.station == station)
        if declared.calibration_overdue != "stops" or not declared.calibration_due:
            return
        if day_of(at_ms) > declared.calibration_due and at_ms >= self._extended_ms.get(station, -1):
            yield f"the calibration of {station} ended on {declared.calibration_due}"

    def checks_due(self, state: CellState) -> Iterator[str]:
        """The checks that are due and can be made: their reference part stands in the cell, and its certificate holds."""
        for known in state.trust.values():
            for check in known.checks:
                kind = self._programs[check.program].part_type
                there = [p for p in state.pallets.values() if p.part_type == kind]
                tried = {name for p in there for name, _ in p.tried}
                reference = self._reference(self._programs[check.program])
                if (
                    check.due
                    and there
                    and check.program not in tried
                    and day_of(check.due_ms) <= reference.due
                ):
                    yield check.program

    def is_reference(self, part_type: str) -> bool:
        """Whether it is a reference part."""
        return part_type in self._references

    # --- the certificate ----------------------------------------------------------------------------------------------------------

    def missed(self, program: str, given: ResultArrived) -> Missed:
        """The calibrated values that a result does not agree with."""
        declared = self._programs[program]
        reference = self._reference(declared)
        return frozenset(
            known.number
            for known in reference.values
            if (found := self._found(declared.part_type, known, given)) is not None
            and not _agrees(declared, known, found)
        )

    def _reference(self, declared: Program) -> Reference:
        reference = self._references[declared.part_type]
        assert reference is not None
        return reference

    def _complete(self, program: str, given: ResultArrived) -> bool:
        declared = self._programs[program]
        return all(
            self._found(declared.part_type, known, given) is not None
            for known in self._reference(declared).values
        )

    def _found(
        self, part_type: str, known: ReferenceValue, given: ResultArrived
    ) -> Fraction | None:
        """The value in the unit of the drawing; None if there is none that can be believed."""
        unit = self._units[part_type, known.number]
        values = [v for v in given.values if v.number == known.number]
        if len(values) != 1 or values[0].value is None or values[0].quality != "good":
            return None
        if values[0].unit != unit:
            return None
        return Fraction(repr(values[0].value))

    def _why_not_about(self, mark: MarkSuspect, missed: Missed) -> Iterator[str]:
        suspicion = mark.suspicion
        declared = self._programs[suspicion.program]
        reference = self._reference(declared)
        rule = next(r for r in reference.checks if r.station == suspicion.station)
        lasting = self._missed_in_a_row(suspicion.program, rule)
        trying = self._runs[suspicion.program][-2 * rule.runs_to_fail :]
        if not lasting and not (len(trying) == 2 * rule.runs_to_fail and all(trying)):
            yield f"no value was missed in {rule.runs_to_fail} runs in a row"
        for number in sorted(lasting):
            if not self._vouched(suspicion.station, reference, {number}) <= set(suspicion.about):
                yield f"value {number} was missed and what it vouches for is not suspect"
        if not set(suspicion.about) <= self._vouched(suspicion.station, reference, missed):
            yield f"more is suspect than {sorted(missed)} vouch for"

    def _missed_in_a_row(self, program: str, rule: CheckRule) -> set[str]:
        """What every one of the last runs missed, of so many as it takes to fail."""
        runs = self._runs[program][-rule.runs_to_fail :]
        if len(runs) < rule.runs_to_fail:
            return set()
        return {number for number in runs[-1] if all(number in missed for missed in runs)}

    def _vouched(
        self, station: str, reference: Reference, numbers: set[str] | Missed
    ) -> set[Vouched]:
        whole = {
            Vouched(part_type=program.part_type, number=cover.number)
            for program in self._cell.programs
            if program.station == station and program.part_type not in self._references
            for cover in program.covers
        }
        return {
            vouched
            for known in reference.values
            if known.number in numbers
            for vouched in known.vouches_for or whole
            if vouched in whole
        }


def is_trust(timer: str) -> bool:
    """Whether a timer waits for a check or for the end of a calibration: such timers run as long as the cell stands."""
    return timer.startswith(("check of ", "calibration of "))


def _agrees(declared: Program, known: ReferenceValue, found: Fraction) -> bool:
    """Whether |x - x_ref| is within sqrt(U^2 + U_ref^2), both brought to k = 2."""
    cover = next(each for each in declared.covers if each.number == known.number)
    own = Fraction(cover.expanded_u) * 2 / Fraction(cover.k)
    theirs = Fraction(known.expanded_u) * 2 / Fraction(known.k)
    distance = abs(found - Fraction(known.value))
    within = distance**2 <= own**2 + theirs**2
    return within and (known.limit is None or distance <= Fraction(known.limit))

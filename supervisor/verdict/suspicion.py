"""What a failed check with a reference part casts doubt on.

Rules of this file:
- A record is never changed for it: what is suspect is worked out from the record and the suspicion whenever somebody looks.
- Suspect is what the station measured after its last good check, up to and including the failed one, of what the missed values vouch for.
"""

from collections.abc import Iterable, Iterator

from supervisor.cell.model import Vouched
from supervisor.cell.value import replace, value
from supervisor.verdict.record import Evidence, Finding, Record


@value
class Suspicion:
    """That values of a station are in doubt: those of ``about`` that it measured after ``from_ms`` (-1: no good check is known), until ``to_ms``.

    ``program`` is the one that missed, ``run_id`` its run; ``why`` is for people.
    """

    station: str
    program: str
    run_id: str
    about: tuple[Vouched, ...]
    from_ms: int
    to_ms: int
    why: str

    def covers(self, station: str, part_type: str, number: str, measured_ms: int) -> bool:
        """Whether a value is in doubt."""
        return (
            station == self.station
            and self.from_ms < measured_ms <= self.to_ms
            and Vouched(part_type=part_type, number=number) in self.about
        )


@value
class SuspectValue:
    """A deciding value of a record that is in doubt."""

    number: str
    station: str
    run_id: str
    why: str


def suspect_values(record: Record, suspicions: Iterable[Suspicion]) -> tuple[SuspectValue, ...]:
    """The values that decide in a record and are in doubt, each once, in the order of the plan."""
    known = tuple(suspicions)
    return tuple(
        SuspectValue(number=finding.number, station=by.station, run_id=by.run_id, why=first.why)
        for finding in record.findings
        for by in _deciding(finding)
        for first in [_first(known, record.part_type, finding.number, by)]
        if first is not None
    )


def doubted(record: Record, suspect: Iterable[SuspectValue]) -> Record:
    """A copy of a record whose suspect values are flawed, for whoever works with many records: nothing may rest on them."""
    why = {each.number: f"it is suspect: {each.why}" for each in suspect}
    return replace(
        record,
        findings=tuple(
            replace(finding, decided_by=replace(finding.decided_by, flaw=why[finding.number]))
            if finding.number in why and finding.decided_by is not None
            else finding
            for finding in record.findings
        ),
    )


def _deciding(finding: Finding) -> Iterator[Evidence]:
    """What the verdict rests on: the deciding value or, where that is a mean, the values that it is the mean of."""
    by = finding.decided_by
    if by is None:
        return
    if not by.mean_of:
        yield by
    yield from (each for each in finding.monitored_by if each.result_id in by.mean_of)


def _first(
    suspicions: tuple[Suspicion, ...], part_type: str, number: str, by: Evidence
) -> Suspicion | None:
    return next(
        (each for each in suspicions if each.covers(by.station, part_type, number, by.measured_ms)),
        None,
    )

"""The values of one characteristic over many parts, in the order in which the parts were made.

Rules of this file:
- A part counts once: the last revision of its last visit.
- A value is taken as it was judged. One that no verdict rests on, or that is not known to be sound, is left out with its reason.
- A production time is believed unless it lies after the part's entry into the cell; then the entry stands in for it.
"""

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Literal

from supervisor.cell.model import Characteristic, PartType
from supervisor.cell.value import value
from supervisor.verdict.record import Evidence, Finding, Record

ENTERED_FROM = datetime(1970, 1, 1, tzinfo=UTC)
JUDGED = ("conforming", "nonconforming", "undecided")

Known = Literal["yes", "no"]


@value
class Point:
    """A value of one part. ``u`` is its standard uncertainty in the same unit.

    ``made_ms`` is when the part was made, or, if ``made_known`` is "no", when it came into the cell.
    """

    serial: str
    made_ms: int
    made_known: Known
    decided_ms: int
    station: str
    value: float
    u: float
    others: tuple[tuple[str, float, float], ...]
    """What other stations measured of it: station, value, standard uncertainty."""


@value
class LeftOut:
    """A part whose value is not used, and why."""

    serial: str
    why: str


@value
class Series:
    """Points in the order of making; ``left_out`` in the same order."""

    points: tuple[Point, ...]
    left_out: tuple[LeftOut, ...]


def one_per_part(records: Iterable[Record]) -> tuple[Record, ...]:
    """The last revision of the last visit of each part, in the order of making."""
    newest: dict[tuple[str, str], Record] = {}
    for record in records:
        about = (record.part_type, record.serial)
        other = newest.get(about)
        if other is None or _age(other) < _age(record):
            newest[about] = record
    return tuple(sorted(newest.values(), key=lambda r: (made_of(r)[0], r.entered_ms, r.serial)))


def made_of(record: Record) -> tuple[int, Known]:
    """When a part was made as far as it is known, and "yes" or "no" for whether its tag told."""
    try:
        told = datetime.fromisoformat(record.produced)
    except ValueError:
        return record.entered_ms, "no"
    if told.tzinfo is None or told > ENTERED_FROM + timedelta(milliseconds=record.entered_ms):
        return record.entered_ms, "no"
    return (told - ENTERED_FROM) // timedelta(milliseconds=1), "yes"


def series(
    part_type: PartType, characteristic: Characteristic, records: Sequence[Record]
) -> Series:
    """The values of a characteristic; ``records`` as ``one_per_part`` gives them."""
    points: list[Point] = []
    left_out: list[LeftOut] = []
    for record in records:
        finding = next((f for f in record.findings if f.number == characteristic.number), None)
        why = _unusable(part_type, characteristic, record, finding)
        if why:
            left_out.append(LeftOut(serial=record.serial, why=why))
        else:
            assert finding is not None
            points.append(_point(record, finding))
    return Series(points=tuple(points), left_out=tuple(left_out))


def _age(record: Record) -> tuple[int, int]:
    return record.entered_ms, record.revision


def _unusable(
    part_type: PartType, characteristic: Characteristic, record: Record, finding: Finding | None
) -> str:
    """Why a record has no value for a series; "" if it has one."""
    if record.plan_revision != part_type.revision:
        return f"it was measured after plan revision {record.plan_revision}"
    if finding is None or finding.decided_by is None or finding.decided_by.value is None:
        return "it has no value that decided"
    by = finding.decided_by
    if finding.verdict not in JUDGED:
        return f"its verdict is {finding.verdict}"
    if by.flaw:
        return f"no verdict may rest on its value: {by.flaw}"
    if by.quality != "good":
        return f"its quality is {by.quality}"
    if by.unit != characteristic.unit:
        return f"its unit is {by.unit}"
    return ""


def _point(record: Record, finding: Finding) -> Point:
    by = finding.decided_by
    assert by is not None
    assert by.value is not None
    made_ms, made_known = made_of(record)
    return Point(
        serial=record.serial,
        made_ms=made_ms,
        made_known=made_known,
        decided_ms=record.decided_ms,
        station=by.station,
        value=by.value,
        u=standard_u(by),
        others=tuple(
            (each.station, each.value, standard_u(each))
            for each in finding.monitored_by
            if each.value is not None and each.quality == "good" and not each.flaw
        ),
    )


def standard_u(evidence: Evidence) -> float:
    """The standard uncertainty of a value: as it was applied, or the stated one without its coverage factor."""
    if evidence.standard_u is not None:
        return float(evidence.standard_u)
    return float(evidence.expanded_u / evidence.k)

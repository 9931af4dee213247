"""The agreement of stations as people see it, with what a difference chart shows."""

from collections.abc import Iterable, Mapping
from typing import Literal

from pydantic import Field

from supervisor.api.schema import (
    TEXT_MAX,
    Example,
    Instant,
    Schema,
    instant,
    instant_or_none,
    shown_by,
)
from supervisor.cell.reading_order import reading_order
from supervisor.verdict.agreement import (
    LIMIT,
    RUN_LENGTHS,
    WEIGHT,
    Agreement,
    Difference,
    Pair,
    after,
    differences_of,
)
from supervisor.verdict.record import Record

LAST_EXAMPLE: Example = {
    "serial": "100017",
    "measured_at": "2025-11-25T09:17:55.900Z",
    "unit": "mm",
    "difference": 0.0031,
    "middle": 46.0123,
    "z": 0.67,
    "en": 0.336,
    "level": 0.21,
}
STANDING_EXAMPLE: Example = {
    "part_type": "cam-ring",
    "number": "15",
    "one": "scan-1",
    "other": "touch-1",
    "count": 41,
    "level": 0.21,
    "limit": 2.0,
    "standing": "agrees",
    "since": None,
    "why": "the average of z over the differences scan-1 less touch-1 is 0.21, within 2.00",
    "last_en": 0.336,
}
EXAMPLE: Example = {
    "weight": 0.2,
    "limit": 2.0,
    "run_lengths": [{"mean_z": 2.0, "parts": 14}],
    "stations_to_check": [],
    "pairs": [STANDING_EXAMPLE],
}
CHART_EXAMPLE: Example = {
    "part_type": "cam-ring",
    "number": "15",
    "one": "scan-1",
    "other": "touch-1",
    "limit": 2.0,
    "points": [LAST_EXAMPLE],
}


class StandingView(Schema):
    """How two stations stand on one characteristic."""

    model_config = shown_by(STANDING_EXAMPLE)

    part_type: str
    number: str
    one: str
    other: str
    count: int
    """Parts that both measured since the last settlement."""
    level: float
    """Exponentially weighted average of z, the difference by its standard uncertainty."""
    limit: float
    standing: Literal["agrees", "disagrees"]
    since: Instant | None
    """Since when they disagree."""
    why: str
    last_en: float
    """En of the newest part: the difference by its expanded uncertainty, k = 2."""


class RunLengthView(Schema):
    """How many parts go by on average until the alarm, for a lasting difference of ``mean_z`` standard uncertainties."""

    mean_z: float
    parts: int


class AgreementView(Schema):
    """All pairs of stations that measured the same characteristics."""

    model_config = shown_by(EXAMPLE)

    weight: float
    """Weight of the newest part in the average."""
    limit: float
    """Where the average alarms: En of the average is 1."""
    run_lengths: list[RunLengthView]
    stations_to_check: list[str]
    pairs: list[StandingView]


class DifferenceView(Schema):
    """One part in a difference chart."""

    model_config = shown_by(LAST_EXAMPLE)

    serial: str
    measured_at: Instant
    unit: str
    difference: float
    middle: float
    z: float
    en: float
    level: float
    """The average after this part, from the first part of this chart on."""


class ChartView(Schema):
    """The differences of one pair, the oldest first."""

    model_config = shown_by(CHART_EXAMPLE)

    part_type: str
    number: str
    one: str
    other: str
    limit: float
    points: list[DifferenceView]


class Settlement(Schema):
    """That both stations of a pair were checked, and what was found."""

    model_config = shown_by(
        {
            "part_type": "cam-ring",
            "number": "15",
            "one": "scan-1",
            "other": "touch-1",
            "by": "Metrology room",
            "note": "stylus of touch-1 changed, reference ring measured on both",
            "request_id": "8d1f",
        }
    )

    part_type: str = Field(max_length=TEXT_MAX)
    number: str = Field(max_length=TEXT_MAX)
    one: str = Field(max_length=TEXT_MAX)
    other: str = Field(max_length=TEXT_MAX)
    by: str = Field(min_length=1, max_length=TEXT_MAX)
    """Who checked; it is journalled."""
    note: str = Field(min_length=1, max_length=TEXT_MAX)
    """What was found and done."""
    request_id: str = Field(default="", max_length=TEXT_MAX)
    """The idempotency key, for clients that cannot set a header."""


class Settled(Schema):
    """The settlement as it was journalled."""

    model_config = shown_by({"by": "Metrology room", "seq": 1812, "at": "2025-11-25T09:31:02.100Z"})

    by: str
    seq: int
    at: Instant


def agreement_view(standings: Mapping[str, Agreement], to_check: Iterable[str]) -> AgreementView:
    """Every pair, by title."""
    return AgreementView(
        weight=WEIGHT,
        limit=LIMIT,
        run_lengths=[RunLengthView(mean_z=z, parts=n) for z, n in RUN_LENGTHS.items()],
        stations_to_check=list(to_check),
        pairs=[standing_view(standings[key]) for key in sorted(standings, key=reading_order)],
    )


def standing_view(each: Agreement) -> StandingView:
    """One pair."""
    return StandingView(
        part_type=each.pair.part_type,
        number=each.pair.number,
        one=each.pair.one,
        other=each.pair.other,
        count=each.count,
        level=each.level,
        limit=each.limit,
        standing=each.standing,
        since=instant_or_none(each.since_ms or None),
        why=each.why,
        last_en=each.last.en,
    )


def chart_view(pair: Pair, records: Iterable[Record]) -> ChartView:
    """The chart of a pair over records in the order of their decisions."""
    standing: Agreement | None = None
    points: list[DifferenceView] = []
    for record in records:
        for found, seen in differences_of(record):
            if found == pair:
                standing = after(standing, pair, seen)
                points.append(_point(seen, standing.level))
    return ChartView(
        part_type=pair.part_type,
        number=pair.number,
        one=pair.one,
        other=pair.other,
        limit=LIMIT,
        points=points,
    )


def _point(seen: Difference, level: float) -> DifferenceView:
    return DifferenceView(
        serial=seen.serial,
        measured_at=instant(seen.measured_ms),
        unit=seen.unit,
        difference=seen.difference,
        middle=seen.middle,
        z=seen.z,
        en=seen.en,
        level=level,
    )

"""What many records say together, as people see it."""

from collections.abc import Sequence

from supervisor.api.schema import Example, Instant, Schema, instant, shown_by
from supervisor.report.summary import CharacteristicSummary, Counts, GroupSummary

COUNTS_EXAMPLE: Example = {
    "conforming": 47,
    "nonconforming": 2,
    "undecided": 1,
    "not_measured": 0,
    "station_error": 0,
}
EXAMPLE: Example = {
    "part_type": "pump-body",
    "plan_revision": "C",
    "parts": 50,
    "verdicts": COUNTS_EXAMPLE,
    "first_decided_at": "2025-11-25T06:02:11.000Z",
    "last_decided_at": "2025-11-25T13:51:40.220Z",
    "batches": ["B-2025-0417"],
    "not_proven_to_conform": ["100021", "100033", "100040"],
    "suspect": 1,
    "suspect_parts": ["100017"],
    "characteristics": [
        {
            "number": "3",
            "name": "bore for shaft",
            "kind": "diameter",
            "unit": "mm",
            "lower": 25.0,
            "upper": 25.021,
            "verdicts": COUNTS_EXAMPLE,
            "values": 50,
            "mean": 25.0097,
            "standard_deviation": 0.0021,
            "smallest": 25.0041,
            "largest": 25.0203,
            "stations": ["touch-1"],
            "suspect": 1,
        }
    ],
}


class CountsView(Schema):
    """How many, by verdict."""

    conforming: int
    nonconforming: int
    undecided: int
    not_measured: int
    station_error: int


class CharacteristicSummaryView(Schema):
    """One characteristic over all parts of a group: figures are over the deciding values."""

    number: str
    name: str
    kind: str
    unit: str
    lower: float | None
    upper: float | None
    verdicts: CountsView
    values: int
    """How many deciding values there are."""
    mean: float | None
    standard_deviation: float | None
    """With n - 1; null for fewer than two values."""
    smallest: float | None
    largest: float | None
    stations: list[str]
    suspect: int
    """How many deciding values a failed check has cast doubt on since."""


class GroupView(Schema):
    """All parts of one type under one revision of its plan."""

    part_type: str
    plan_revision: str
    parts: int
    verdicts: CountsView
    first_decided_at: Instant
    last_decided_at: Instant
    batches: list[str]
    not_proven_to_conform: list[str]
    """Serial numbers, at most 500."""
    suspect: int
    """How many parts have a value that a failed check has cast doubt on since."""
    suspect_parts: list[str]
    """Their serial numbers, at most 500."""
    characteristics: list[CharacteristicSummaryView]


class SummaryView(Schema):
    """Groups by part type and revision of the plan."""

    model_config = shown_by({"groups": [EXAMPLE]})

    groups: list[GroupView]


def summary_view(groups: Sequence[GroupSummary]) -> SummaryView:
    """All groups."""
    return SummaryView(groups=[_group(group) for group in groups])


def _group(group: GroupSummary) -> GroupView:
    return GroupView(
        part_type=group.part_type,
        plan_revision=group.plan_revision,
        parts=group.parts,
        verdicts=_counts(group.verdicts),
        first_decided_at=instant(group.first_ms),
        last_decided_at=instant(group.last_ms),
        batches=list(group.batches),
        not_proven_to_conform=list(group.troubled),
        suspect=group.suspect,
        suspect_parts=list(group.doubted),
        characteristics=[_characteristic(each) for each in group.characteristics],
    )


def _counts(counts: Counts) -> CountsView:
    return CountsView(
        conforming=counts["conforming"],
        nonconforming=counts["nonconforming"],
        undecided=counts["undecided"],
        not_measured=counts["not measured"],
        station_error=counts["station error"],
    )


def _characteristic(each: CharacteristicSummary) -> CharacteristicSummaryView:
    figures = each.moments
    return CharacteristicSummaryView(
        number=each.number,
        name=each.name,
        kind=each.kind,
        unit=each.unit,
        lower=None if each.lower is None else float(each.lower),
        upper=None if each.upper is None else float(each.upper),
        verdicts=_counts(each.verdicts),
        values=figures.count if figures else 0,
        mean=figures.mean if figures else None,
        standard_deviation=figures.sd if figures else None,
        smallest=each.smallest,
        largest=each.largest,
        stations=list(each.stations),
        suspect=each.suspect,
    )

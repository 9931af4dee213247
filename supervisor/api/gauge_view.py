"""Gauge studies as people order and see them.

Rules of this file: fields are those of ``supervisor.report.gauge``; nothing is worked out here.
"""

from decimal import Decimal
from typing import Annotated, Literal

from pydantic import Field

from supervisor.api.schema import TEXT_MAX, Example, Instant, Schema, shown_by
from supervisor.process.gauge_study import (
    LOADINGS_MAX,
    PALLETS_MAX,
    REPEATS_MAX,
    End,
    GaugeStudy,
)
from supervisor.report.gauge import plain_study
from supervisor.verdict.plan_table import PlanTable

Exact = Annotated[str, Field(pattern=r"^[-+]?[0-9]{1,9}(\.[0-9]{1,12})?$")]
REFERENCES_MAX = 500

ORDER_EXAMPLE: Example = {
    "pallets": ["grai:0614141.12345.4", "grai:0614141.12345.7", "grai:0614141.12345.9"],
    "station": "touch-1",
    "program": "pump-body-touch-full",
    "loadings": 3,
    "repeats": 3,
    "references": [],
    "by": "M. Weaver",
    "request_id": "",
}
FOUND_EXAMPLE: Example = {
    "number": "1",
    "name": "Rotor bore",
    "unit": "mm",
    "tolerance": 0.03,
    "declared_u": 0.0008,
    "reference": None,
    "rating": "conditional",
    "why": "six standard deviations of the gauge are 13.4 % of the tolerance",
    "type_one": None,
    "components": [
        {
            "method": "anova",
            "repeatability": 0.00064,
            "reproducibility": 0.0002,
            "gauge": 0.00067,
            "part": 0.0041,
            "total": 0.00415,
            "interaction": 0.0,
            "interaction_p": 0.61,
            "interaction_pooled": True,
            "gauge_percent": 16.1,
            "tolerance_percent": 13.4,
            "distinct_categories": 8,
        }
    ],
    "values": [[[62.0151, 62.0158]], [[62.0192, 62.0187]]],
}
STUDY_EXAMPLE: Example = {
    "study": "gauge-3120000417",
    "part_type": "pump-body",
    "station": "touch-1",
    "program": "pump-body-touch-full",
    "pallets": ORDER_EXAMPLE["pallets"],
    "loadings": 3,
    "repeats": 3,
    "by": "M. Weaver",
    "begun_at": "2025-11-25T09:17:55.900Z",
    "ended_at": None,
    "end": "",
    "why": "",
    "runs": 27,
    "done": 12,
    "lost": 0,
    "conventions": ["range: mean range / d2, ranges of means / d2*"],
    "characteristics": [FOUND_EXAMPLE],
}
LINE_EXAMPLE: Example = {
    name: STUDY_EXAMPLE[name]
    for name in (
        [
            "study",
            "part_type",
            "station",
            "program",
            "begun_at",
            "ended_at",
            "end",
            "why",
            "runs",
            "done",
        ]
    )
}


class ReferenceGiven(Schema):
    """The calibrated value of one characteristic of the one studied part, with its standard uncertainty, in the unit of the plan."""

    number: str = Field(min_length=1, max_length=TEXT_MAX)
    value: Exact
    u: Exact = "0"


class OrderStudy(Schema):
    """Which pallets are measured how often at which station with which program."""

    model_config = shown_by(ORDER_EXAMPLE)

    pallets: list[Annotated[str, Field(min_length=1, max_length=TEXT_MAX)]] = Field(
        min_length=1, max_length=PALLETS_MAX
    )
    """They are in the cell, identified, of one part type, without a verdict."""
    station: str = Field(min_length=1, max_length=TEXT_MAX)
    program: str = Field(min_length=1, max_length=TEXT_MAX)
    loadings: int = Field(ge=1, le=LOADINGS_MAX)
    """How often each pallet is brought to the station and clamped anew."""
    repeats: int = Field(ge=1, le=REPEATS_MAX)
    """How often the program runs in each loading."""
    references: list[ReferenceGiven] = Field(default=[], max_length=REFERENCES_MAX)
    """Calibrated values; for a study of one part only."""
    by: str = Field(min_length=1, max_length=TEXT_MAX, pattern=r"\S")
    """Who orders it; it is journalled."""
    request_id: str = Field(default="", max_length=TEXT_MAX)
    """The idempotency key, for clients that cannot set a header."""


class StopStudy(Schema):
    """That a study is to end before it is whole."""

    model_config = shown_by({"by": "M. Weaver", "why": "the shift is over", "request_id": ""})

    by: str = Field(min_length=1, max_length=TEXT_MAX, pattern=r"\S")
    why: str = Field(default="", max_length=TEXT_MAX)
    request_id: str = Field(default="", max_length=TEXT_MAX)


class TypeOneView(Schema):
    """A study of type 1: repeats on one part."""

    count: int
    mean: float
    sd: float
    cg: float | None
    """None without two limits."""
    cgk: float | None
    """None without two limits or without a calibrated value."""
    bias: float | None
    t: float | None
    bias_significant: bool | None
    """Whether Student's t tells the bias from nothing, at 95 %."""


class ComponentsView(Schema):
    """Standard deviations, in the unit of the characteristic."""

    method: Literal["anova", "range"]
    repeatability: float
    reproducibility: float
    gauge: float
    part: float
    total: float
    interaction: float
    """What clamping one part anew changes, as far as the analysis of variance tells it apart."""
    interaction_p: float | None
    interaction_pooled: bool
    gauge_percent: float
    """The gauge in percent of the total variation."""
    tolerance_percent: float | None
    """Six standard deviations of the gauge in percent of the tolerance."""
    distinct_categories: int


class FoundView(Schema):
    """What a study says of one characteristic."""

    model_config = shown_by(FOUND_EXAMPLE)

    number: str
    name: str
    unit: str
    tolerance: float | None
    declared_u: float
    """The standard uncertainty that the declaration states for this program."""
    reference: float | None
    rating: Literal["good", "conditional", "not capable", "not rated"]
    why: str
    type_one: TypeOneView | None
    components: list[ComponentsView]
    values: list[list[list[float]]]
    """Parts, their whole loadings, the runs of each."""


class StudyView(Schema):
    """A gauge study and what it says so far."""

    model_config = shown_by(STUDY_EXAMPLE)

    study: str
    part_type: str
    station: str
    program: str
    pallets: list[str]
    loadings: int
    repeats: int
    by: str
    begun_at: Instant
    ended_at: Instant | None
    end: End
    """How it ended; "" while it goes on."""
    why: str
    runs: int
    done: int
    lost: int
    """Runs that ended without a result."""
    conventions: list[str]
    """What the figures follow, by name."""
    characteristics: list[FoundView]


class StudyLine(Schema):
    """A gauge study in a list."""

    model_config = shown_by(LINE_EXAMPLE)

    study: str
    part_type: str
    station: str
    program: str
    begun_at: Instant
    ended_at: Instant | None
    end: End
    why: str
    runs: int
    done: int


def study_view(study: GaugeStudy, table: PlanTable) -> StudyView:
    """The study with its analysis."""
    return StudyView.model_validate(plain_study(study, table))


def study_line(view: StudyView) -> StudyLine:
    """The study in a list."""
    return StudyLine.model_validate(view.model_dump(include=set(StudyLine.model_fields)))


def exact(text: str) -> Decimal:
    """A number as it was written."""
    return Decimal(text)

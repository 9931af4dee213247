"""Advice on where to correct, as people and machine controls see and answer it.

Rules of this file: amounts are decimal text, so that no digit is lost on the way to a machine.
"""

from decimal import Decimal
from typing import Annotated, Literal

from pydantic import Field

from supervisor.api.papers_view import NOT_BLANK, WHY_MAX
from supervisor.api.schema import TEXT_MAX, Example, Instant, Schema, instant, shown_by
from supervisor.process.advice import Advice, Reason, State
from supervisor.process.correction import Correction, Declined
from supervisor.process.effect import Effect, Outcome
from supervisor.process.evidence import Basis
from supervisor.process.series import Point

Amount = Annotated[str, Field(pattern=r"^[-+]?[0-9]{1,6}(\.[0-9]{1,9})?$")]

ADVICE_NAME = "pump-body/rotor-bore/3/49817/-0.004"
ADVICE_EXAMPLE: Example = {
    "part_type": "pump-body",
    "offset": "rotor-bore",
    "machine": "MC-2",
    "tool": "T14 boring head",
    "axis": "radius",
    "unit": "mm",
    "state": "offered",
    "reason": "",
    "why": "",
    "advice": ADVICE_NAME,
    "number": 3,
    "amount": "-0.004",
    "needed": -0.0043,
    "deadband": 0.0021,
    "share": 1.0,
    "confidence": 0.998,
    "queued": 4,
    "evidence": [
        {
            "number": "1",
            "name": "Rotor bore",
            "unit": "mm",
            "gain": 2.0,
            "target": 62.015,
            "mean": 62.0236,
            "expected": 62.0156,
            "sd": 0.0012,
            "values": [
                {
                    "serial": "49817",
                    "value": 62.0238,
                    "u": 0.0008,
                    "station": "touch-1",
                    "made_at": "2025-11-25T09:10:00.000Z",
                    "made_known": "yes",
                }
            ],
        }
    ],
    "left_out": [{"serial": "49811", "why": "its quality is uncertain"}],
    "corrected": {
        "number": 2,
        "at": "2025-11-25T08:02:41.120Z",
        "amount": "0.002",
        "total": "0.005",
        "by": "M. Weaver, shift 2",
        "why": "",
        "advice": "pump-body/rotor-bore/2/49790/+0.002",
    },
    "effects": [
        {
            "number": "1",
            "before": 62.0101,
            "expected": 62.0141,
            "mean": 62.0149,
            "count": 5,
            "outcome": "as expected",
            "why": "the mean went from 62.0101 to 62.0149, 62.0141 was expected",
        }
    ],
    "declined": None,
}


class PointView(Schema):
    """One value that advice rests on."""

    serial: str
    value: float
    u: float
    """Its standard uncertainty."""
    station: str
    made_at: Instant
    """When the part was made; where the tag does not tell, when it came into the cell."""
    made_known: Literal["yes", "no"]


class BasisView(Schema):
    """What one characteristic says."""

    number: str
    name: str
    unit: str
    gain: float
    """By how much it changes when the offset grows by one."""
    target: float
    mean: float | None
    """Mean of the values; null where there are none."""
    expected: float | None
    """The mean after the advice; null where none is offered."""
    sd: float
    """Spread of single parts, from neighbours."""
    values: list[PointView]


class LeftOutView(Schema):
    """A part that is not among the evidence."""

    serial: str
    why: str


class LastCorrectionView(Schema):
    """The last correction of the offset."""

    number: int
    at: Instant
    amount: Amount
    total: Amount
    by: str
    why: str
    advice: str


class EffectView(Schema):
    """What came of the last correction."""

    number: str
    before: float
    expected: float
    mean: float | None
    count: int
    outcome: Outcome
    why: str


class DeclinedView(Schema):
    """Who declined advice since the last correction."""

    at: Instant
    advice: str
    by: str
    why: str


class AdviceView(Schema):
    """What to do with one offset of a machine, or why nothing."""

    model_config = shown_by(ADVICE_EXAMPLE)

    part_type: str
    offset: str
    machine: str
    tool: str
    axis: str
    unit: str
    state: State
    reason: Reason
    why: str
    advice: str
    """The name of this very advice; whoever accepts or declines says it. "" where none is offered."""
    number: int
    """Which correction of this offset it would be."""
    amount: Amount
    """What is to be added to the offset; 0 where none is offered."""
    needed: float
    """What the parts ask for, before share, deadband and increment."""
    deadband: float
    share: float
    confidence: float
    """The probability that the sign is right."""
    queued: int
    """Parts that were made before the last correction, or may have been, and measured after it."""
    evidence: list[BasisView]
    left_out: list[LeftOutView]
    corrected: LastCorrectionView | None
    effects: list[EffectView]
    declined: DeclinedView | None


class AcceptAdvice(Schema):
    """That advice was entered at the machine."""

    model_config = shown_by({"advice": ADVICE_NAME, "by": "M. Weaver, shift 2"})

    advice: str = Field(max_length=TEXT_MAX)
    by: str = Field(pattern=NOT_BLANK, max_length=TEXT_MAX)
    why: str = Field(default="", max_length=WHY_MAX)
    request_id: str = Field(default="", max_length=TEXT_MAX)


class DeclineAdvice(Schema):
    """That advice is not followed."""

    model_config = shown_by(
        {"advice": ADVICE_NAME, "by": "M. Weaver, shift 2", "why": "tool change comes next"}
    )

    advice: str = Field(max_length=TEXT_MAX)
    by: str = Field(pattern=NOT_BLANK, max_length=TEXT_MAX)
    why: str = Field(default="", max_length=WHY_MAX)
    request_id: str = Field(default="", max_length=TEXT_MAX)


class ReportCorrection(Schema):
    """That people changed the offset by themselves, or changed the tool (an amount of 0 if the offset stayed)."""

    model_config = shown_by(
        {"number": 3, "amount": "0", "by": "M. Weaver, shift 2", "why": "new insert in T14"}
    )

    number: int = Field(ge=1)
    """The number that the advice for this offset shows: a correction made meanwhile has it already."""
    amount: Amount
    by: str = Field(pattern=NOT_BLANK, max_length=TEXT_MAX)
    why: str = Field(pattern=NOT_BLANK, max_length=WHY_MAX)
    request_id: str = Field(default="", max_length=TEXT_MAX)


class Corrected(Schema):
    """What was journalled."""

    model_config = shown_by(
        {
            "part_type": "pump-body",
            "offset": "rotor-bore",
            "number": 3,
            "amount": "-0.004",
            "by": "M. Weaver, shift 2",
            "seq": 1902,
            "at": "2025-11-25T10:02:41.120Z",
        }
    )

    part_type: str
    offset: str
    number: int
    amount: Amount
    by: str
    seq: int
    at: Instant


class DeclinedAnswer(Schema):
    """What was journalled."""

    model_config = shown_by(
        {
            "part_type": "pump-body",
            "offset": "rotor-bore",
            "advice": ADVICE_NAME,
            "by": "M. Weaver, shift 2",
            "seq": 1902,
            "at": "2025-11-25T10:02:41.120Z",
        }
    )

    part_type: str
    offset: str
    advice: str
    by: str
    seq: int
    at: Instant


def advice_view(advice: Advice) -> AdviceView:
    """Advice as it leaves."""
    offset, last = advice.offset, advice.last
    expected = {each.number: each.after for each in advice.expected}
    return AdviceView(
        part_type=advice.part_type,
        offset=offset.offset,
        machine=offset.machine,
        tool=offset.tool,
        axis=offset.axis,
        unit=offset.unit,
        state=advice.state,
        reason=advice.reason,
        why=advice.why,
        advice=advice.advice,
        number=advice.number,
        amount=amount_text(advice.amount),
        needed=advice.needed,
        deadband=advice.deadband,
        share=advice.share,
        confidence=advice.confidence,
        queued=advice.queued,
        evidence=[_evidence(b, offset.offset, expected.get(b.number)) for b in advice.bases],
        left_out=[LeftOutView(serial=each.serial, why=each.why) for each in advice.left_out],
        corrected=None if last.corrected is None else _correction(last.corrected),
        effects=[_effect(each) for each in advice.effects],
        declined=None if last.declined is None else _declined(last.declined),
    )


def amount_text(amount: Decimal) -> Amount:
    """An amount in plain digits."""
    return f"{amount:f}"


def _evidence(basis: Basis, offset: str, expected: float | None) -> BasisView:
    return BasisView(
        number=basis.number,
        name=basis.name,
        unit=basis.unit,
        gain=dict(basis.gains)[offset],
        target=basis.target,
        mean=basis.mean if basis.points else None,
        expected=expected,
        sd=basis.sd,
        values=[point_view(point) for point in basis.points],
    )


def point_view(point: Point) -> PointView:
    """One value that something rests on."""
    return PointView(
        serial=point.serial,
        value=point.value,
        u=point.u,
        station=point.station,
        made_at=instant(point.made_ms),
        made_known=point.made_known,
    )


def _correction(correction: Correction) -> LastCorrectionView:
    return LastCorrectionView(
        number=correction.number,
        at=instant(correction.at_ms),
        amount=amount_text(correction.amount),
        total=amount_text(correction.total),
        by=correction.by,
        why=correction.why,
        advice=correction.advice,
    )


def _effect(effect: Effect) -> EffectView:
    return EffectView(
        number=effect.number,
        before=effect.before,
        expected=effect.before + effect.expected.after - effect.expected.before,
        mean=effect.mean,
        count=effect.count,
        outcome=effect.outcome,
        why=effect.why,
    )


def _declined(declined: Declined) -> DeclinedView:
    return DeclinedView(
        at=instant(declined.at_ms), advice=declined.advice, by=declined.by, why=declined.why
    )

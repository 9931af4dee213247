"""What a station measured, as people see it."""

from typing import Literal

from supervisor.api.ports import Measured, MeasuredPage
from supervisor.api.schema import Instant, Schema, instant, shown_by
from supervisor.verdict.record import Verdict


class MeasuredLine(Schema):
    """One value and the record in force that holds it."""

    measured_at: Instant
    role: Literal["decided", "monitored"]
    """Whether it decided its characteristic, or stands beside the value that did."""
    serial: str
    part_type: str
    batch: str
    verdict: Verdict
    """The verdict on the part."""
    number: str
    value: float | None
    unit: str
    program: str
    run_id: str
    seq: int
    """The journal entry that kept the record."""


class MeasuredView(Schema):
    """Values, the oldest first."""

    model_config = shown_by(
        {
            "values": [
                {
                    "measured_at": "2025-11-25T09:17:55.900Z",
                    "role": "decided",
                    "serial": "100017",
                    "part_type": "pump-body",
                    "batch": "B-2025-0417",
                    "verdict": "conforming",
                    "number": "3",
                    "value": 25.0087,
                    "unit": "mm",
                    "program": "pump-body-touch",
                    "run_id": "R3120000050",
                    "seq": 1790,
                }
            ],
            "next": "1764062275900.17.-1.3",
        }
    )

    values: list[MeasuredLine]
    next: str
    """Give it as ``after`` to get later ones ("" = that was all)."""


def measured_view(page: MeasuredPage) -> MeasuredView:
    """One page of values."""
    return MeasuredView(values=[_line(each) for each in page.lines], next=page.after)


def _line(line: Measured) -> MeasuredLine:
    return MeasuredLine(
        measured_at=instant(line.measured_ms),
        role=line.role,
        serial=line.serial,
        part_type=line.part_type,
        batch=line.batch,
        verdict=line.verdict,
        number=line.number,
        value=line.value,
        unit=line.unit,
        program=line.program,
        run_id=line.run_id,
        seq=line.seq,
    )

"""Records as people see them.

Rules of this file: limits and uncertainties are exact decimals inside; here they are JSON numbers, which keep 15 significant digits.
"""

from decimal import Decimal
from typing import Literal

from supervisor.api.ports import Kept, Page
from supervisor.api.schema import Example, Instant, Schema, instant, shown_by
from supervisor.cell.model import Need
from supervisor.report.figures import part_reason, reason
from supervisor.verdict.record import Bonus, Evidence, Finding, Record, Verdict, Vouching
from supervisor.verdict.result import Compensated, Quality

EXAMPLE: Example = {
    "seq": 1790,
    "sha256": "3f9a61c1b5c64f3f0b7b2f6f8a4f5d3c2b1a09f8e7d6c5b4a39281706f5e4d3c",
    "serial": "100017",
    "part_type": "pump-body",
    "plan_revision": "C",
    "batch": "B-2025-0417",
    "produced": "2025-11-24T05:12:40Z",
    "pallet": "grai:9521234.12345.12",
    "declaration": "9f2c41d0c0a7",
    "rule": "ISO 14253-1, guard factor 1.65",
    "revision": 1,
    "entered_at": "2025-11-25T09:01:12.000Z",
    "decided_at": "2025-11-25T09:24:30.511Z",
    "verdict": "conforming",
    "why": "all 1 mandatory characteristics conform",
    "suspect": [],
    "findings": [
        {
            "number": "3",
            "name": "bore for shaft",
            "kind": "diameter",
            "unit": "mm",
            "nominal": 25.0,
            "lower": 25.0,
            "upper": 25.021,
            "accept_lower": 25.0017,
            "accept_upper": 25.0193,
            "need": "mandatory",
            "verdict": "conforming",
            "why": "25.0087 mm is inside the conformity zone",
            "decided_by": {
                "value": 25.0087,
                "unit": "mm",
                "quality": "good",
                "expanded_u": 0.002,
                "k": 2.0,
                "station": "touch-1",
                "program": "pump-body-touch",
                "program_revision": "4",
                "run_id": "R3120000050",
                "result_id": "touch-1/3120000050",
                "measured_at": "2025-11-25T09:17:55.900Z",
                "raw": 25.0087,
                "corrections": [],
                "standard_u": 0.001,
                "dof": None,
                "station_serial": "CMM-0412",
                "calibration": "K-2025-118",
                "calibration_due": "2026-04-30",
                "last_check": {
                    "program": "master-ring-touch",
                    "run_id": "R3120000012",
                    "at": "2025-11-25T06:00:12.000Z",
                },
                "flaw": "",
                "part_c": 20.4,
                "compensated": "yes",
                "mean_of": [],
            },
            "monitored_by": [],
            "guard_factor": 1.65,
            "conformance_probability": 1.0,
            "bonus": None,
        }
    ],
}

LINE_EXAMPLE: Example = {
    "records": [
        {
            "seq": 1790,
            "serial": "100017",
            "part_type": "pump-body",
            "batch": "B-2025-0417",
            "pallet": "grai:9521234.12345.12",
            "revision": 1,
            "entered_at": "2025-11-25T09:01:12.000Z",
            "decided_at": "2025-11-25T09:24:30.511Z",
            "verdict": "conforming",
            "why": "all 1 mandatory characteristics conform",
            "suspect": ["3"],
        }
    ],
    "next": "1764062670511-17",
}


class CorrectionView(Schema):
    """What was added to a value as the station gave it."""

    kind: Literal["offset", "temperature"]
    name: str
    amount: float
    u: float


class VouchingView(Schema):
    """A check with a reference part that was good: program, run and time."""

    program: str
    run_id: str
    at: Instant


class EvidenceView(Schema):
    """One measured value with its provenance."""

    value: float | None
    unit: str
    quality: Quality
    expanded_u: float
    """Expanded uncertainty in the same unit."""
    k: float
    """Its coverage factor."""
    station: str
    program: str
    program_revision: str
    run_id: str
    result_id: str
    measured_at: Instant
    raw: float | None
    """What the station gave; the value is what became of it by the corrections (null = an older record, which did not keep it)."""
    corrections: list[CorrectionView]
    standard_u: float | None
    """The standard uncertainty that was applied."""
    dof: int | None
    """Its degrees of freedom (null = well known)."""
    station_serial: str
    calibration: str
    """The station's calibration certificate, as declared."""
    calibration_due: str
    last_check: VouchingView | None
    """The check with a reference part that had last vouched for the value (null = none is known, or an older record)."""
    flaw: str
    """Why no verdict may rest on the value ("" = one may)."""
    part_c: float | None
    """The part's temperature in degrees Celsius as the station gave it."""
    compensated: Compensated
    """Whether the station gives values as they are at 20 degrees Celsius."""
    mean_of: list[str]
    """The results whose mean it is, if it is one."""


class SuspectView(Schema):
    """A deciding value that a failed check with a reference part has cast doubt on since; the record stays as it was kept."""

    number: str
    station: str
    run_id: str
    why: str


class BonusView(Schema):
    """What a maximum-material requirement adds to a tolerance."""

    number: str
    """The size that gave it."""
    station: str
    """Who measured that size."""
    run_id: str
    actual: float
    amount: float


class FindingView(Schema):
    """The verdict on one characteristic."""

    number: str
    name: str
    kind: str
    unit: str
    nominal: float
    lower: float | None
    upper: float | None
    accept_lower: float | None
    """Lower bound of the conformity zone that was applied (null = open on that side, or nothing decided)."""
    accept_upper: float | None
    need: Need
    verdict: Verdict
    why: str
    decided_by: EvidenceView | None
    """The evidence that decided."""
    monitored_by: list[EvidenceView]
    """What other stations measured of the same characteristic."""
    guard_factor: float | None
    """How many standard uncertainties the guard band was."""
    conformance_probability: float | None
    """Probability that the requirement is kept (JCGM 106): information, the zones decide."""
    bonus: BonusView | None
    """What the zone was wider by than the drawn limit (null = nothing)."""


class RecordView(Schema):
    """One part, one verdict."""

    model_config = shown_by(EXAMPLE)

    seq: int
    """The journal entry that commanded it."""
    sha256: str
    """The hash of the record as it is kept: what a signature is bound to."""
    serial: str
    part_type: str
    plan_revision: str
    batch: str
    produced: str
    pallet: str
    declaration: str
    """SHA-256 of the cell declaration that was in force."""
    rule: str
    """The decision rule."""
    revision: int
    """Counts from 1; a later record of the same part has a higher one, and none is ever changed."""
    entered_at: Instant
    decided_at: Instant
    verdict: Verdict
    why: str
    suspect: list[SuspectView]
    """The values that a failed check has cast doubt on since the record was kept."""
    findings: list[FindingView]


class RevisionsView(Schema):
    """All records of one part, the newest first."""

    model_config = shown_by({"records": [EXAMPLE]})

    records: list[RecordView]


class RecordLine(Schema):
    """A record without its findings."""

    seq: int
    serial: str
    part_type: str
    batch: str
    pallet: str
    revision: int
    entered_at: Instant
    decided_at: Instant
    verdict: Verdict
    why: str
    suspect: list[str]
    """Numbers of the characteristics that a failed check has cast doubt on since."""


class RecordsPage(Schema):
    """Records, the newest first."""

    model_config = shown_by(LINE_EXAMPLE)

    records: list[RecordLine]
    next: str
    """Give it as ``after`` to get older ones ("" = that was all)."""


def record_view(kept: Kept) -> RecordView:
    """A whole record."""
    record = kept.record
    return RecordView(
        seq=kept.seq,
        sha256=kept.sha256,
        serial=record.serial,
        part_type=record.part_type,
        plan_revision=record.plan_revision,
        batch=record.batch,
        produced=record.produced,
        pallet=record.pallet,
        declaration=record.declaration,
        rule=record.rule,
        revision=record.revision,
        entered_at=instant(record.entered_ms),
        decided_at=instant(record.decided_ms),
        verdict=record.verdict,
        why=part_reason(record),
        suspect=[
            SuspectView(number=s.number, station=s.station, run_id=s.run_id, why=s.why)
            for s in kept.suspect
        ],
        findings=[_finding(finding) for finding in record.findings],
    )


def records_page(page: Page) -> RecordsPage:
    """One page of records."""
    return RecordsPage(records=[record_line(kept) for kept in page.records], next=page.after)


def record_line(kept: Kept) -> RecordLine:
    """A record of the store in one line."""
    return line_of(kept.record, seq=kept.seq, suspect=[each.number for each in kept.suspect])


def line_of(record: Record, *, seq: int, suspect: list[str]) -> RecordLine:
    """A record in one line; ``suspect`` are the numbers of the characteristics that a failed check casts doubt on."""
    return RecordLine(
        seq=seq,
        serial=record.serial,
        part_type=record.part_type,
        batch=record.batch,
        pallet=record.pallet,
        revision=record.revision,
        entered_at=instant(record.entered_ms),
        decided_at=instant(record.decided_ms),
        verdict=record.verdict,
        why=part_reason(record),
        suspect=suspect,
    )


def _finding(finding: Finding) -> FindingView:
    return FindingView(
        number=finding.number,
        name=finding.name,
        kind=finding.kind,
        unit=finding.unit,
        nominal=float(finding.nominal),
        lower=_number(finding.lower),
        upper=_number(finding.upper),
        accept_lower=_number(finding.accept_lower),
        accept_upper=_number(finding.accept_upper),
        need=finding.need,
        verdict=finding.verdict,
        why=reason(finding),
        decided_by=_evidence(finding.decided_by) if finding.decided_by else None,
        monitored_by=[_evidence(evidence) for evidence in finding.monitored_by],
        guard_factor=_number(finding.guard_factor),
        conformance_probability=finding.conformance_probability,
        bonus=_bonus(finding.bonus),
    )


def _bonus(bonus: Bonus | None) -> BonusView | None:
    if bonus is None:
        return None
    return BonusView(
        number=bonus.number,
        station=bonus.station,
        run_id=bonus.run_id,
        actual=bonus.actual,
        amount=float(bonus.amount),
    )


def _evidence(evidence: Evidence) -> EvidenceView:
    return EvidenceView(
        value=evidence.value,
        unit=evidence.unit,
        quality=evidence.quality,
        expanded_u=float(evidence.expanded_u),
        k=float(evidence.k),
        station=evidence.station,
        program=evidence.program,
        program_revision=evidence.program_revision,
        run_id=evidence.run_id,
        result_id=evidence.result_id,
        measured_at=instant(evidence.measured_ms),
        raw=evidence.raw,
        corrections=[
            CorrectionView(kind=c.kind, name=c.name, amount=float(c.amount), u=float(c.u))
            for c in evidence.corrections
        ],
        standard_u=_number(evidence.standard_u),
        dof=evidence.dof,
        station_serial=evidence.station_serial,
        calibration=evidence.calibration,
        calibration_due=evidence.calibration_due,
        last_check=_vouching(evidence.last_check),
        flaw=evidence.flaw,
        part_c=evidence.part_c,
        compensated=evidence.compensated,
        mean_of=list(evidence.mean_of),
    )


def _vouching(last: Vouching | None) -> VouchingView | None:
    if last is None:
        return None
    return VouchingView(program=last.program, run_id=last.run_id, at=instant(last.at_ms))


def _number(limit: Decimal | None) -> float | None:
    return None if limit is None else float(limit)

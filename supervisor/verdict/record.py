"""The account of one part: one record, one verdict.

Rules of this file: values only. ``merge`` makes records; nothing changes one afterwards, a later record has a higher revision.
"""

from decimal import Decimal
from typing import Literal

from supervisor.cell.value import value
from supervisor.verdict.result import Compensated, Quality

Verdict = Literal["conforming", "nonconforming", "undecided", "not measured", "station error"]


@value
class Correction:
    """What was added to a value as the station gave it, in its unit: ``amount`` with standard uncertainty ``u``, named for people."""

    kind: Literal["offset", "temperature"]
    name: str
    amount: Decimal
    u: Decimal


@value
class Vouching:
    """The check with a reference part that last vouched for a value's station and characteristic, when the value was measured."""

    program: str
    run_id: str
    at_ms: int


@value
class Evidence:
    """One measured value with its provenance: who measured it how well, and in which run.

    ``value`` is what was judged, ``raw`` what the station gave, ``corrections`` what lies between them. ``standard_u`` is the standard
    uncertainty that was applied, with its degrees of freedom (None = well known). ``flaw`` says why no verdict may rest on the value
    ("" = one may). ``part_c`` is the part's temperature in degrees Celsius as the station gave it, ``compensated`` whether the station
    gives values as they are at 20 degrees. ``mean_of`` names the results whose mean it is, if it is one.
    ``calibration`` and ``calibration_due`` are what the declaration says of the station; ``last_check`` is None where no check is known
    that vouches for the value. A field with a default was not kept by older versions.
    """

    value: float | None
    unit: str
    quality: Quality
    expanded_u: Decimal
    k: Decimal
    station: str
    program: str
    program_revision: str
    run_id: str
    result_id: str
    measured_ms: int
    raw: float | None = None
    corrections: tuple[Correction, ...] = ()
    standard_u: Decimal | None = None
    dof: int | None = None
    station_serial: str = ""
    calibration: str = ""
    calibration_due: str = ""
    flaw: str = ""
    part_c: float | None = None
    compensated: Compensated = "unknown"
    mean_of: tuple[str, ...] = ()
    last_check: Vouching | None = None


@value
class Bonus:
    """What a maximum-material requirement adds to a tolerance: the size that gave it, who measured that size, and how much it is."""

    number: str
    station: str
    run_id: str
    actual: float
    amount: Decimal


@value
class Finding:
    """The verdict on one characteristic: the limits, the deciding evidence (None if there is none), and other stations' evidence.

    ``accept_lower``/``accept_upper`` bound the conformity zone that was applied (None = open on that side, or nothing decided).
    ``guard_factor`` is how many standard uncertainties the guard band was; ``conformance_probability`` is the probability that the
    requirement is kept (JCGM 106), as information beside the verdict: the zones decide. Both are None where nothing decided.
    ``upper`` is the drawn limit; ``bonus`` is what the zone was wider by.
    """

    number: str
    name: str
    kind: str
    unit: str
    nominal: Decimal
    lower: Decimal | None
    upper: Decimal | None
    accept_lower: Decimal | None
    accept_upper: Decimal | None
    need: Literal["mandatory", "informative"]
    verdict: Verdict
    why: str
    decided_by: Evidence | None
    monitored_by: tuple[Evidence, ...]
    guard_factor: Decimal | None = None
    conformance_probability: float | None = None
    bonus: Bonus | None = None


@value
class Record:
    """One part, one verdict. ``declaration`` is the digest of the cell declaration; ``rule`` names the decision rule with its factor."""

    serial: str
    part_type: str
    plan_revision: str
    batch: str
    produced: str
    pallet: str
    declaration: str
    rule: str
    revision: int
    entered_ms: int
    decided_ms: int
    verdict: Verdict
    why: str
    findings: tuple[Finding, ...]

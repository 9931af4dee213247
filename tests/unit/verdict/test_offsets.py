"""Values corrected by an agreed offset: what is judged, what is kept, and what happens after its last day."""

from datetime import UTC, datetime
from decimal import Decimal

import pytest

from supervisor.cell.model import Offset, Program
from supervisor.cell.offsets import corrected
from supervisor.cell.value import replace
from supervisor.verdict import PlanTable, Record, merge, still_open
from tests.unit.verdict.test_merge import (  # the same parts, programs and results
    BODY,
    GOOD,
    PART,
    PROGRAMS,
    RULE,
    all_three,
    measured,
    result,
)

OFFSET = Offset(
    offset="bore-scan",
    version=3,
    part_type="pump-body",
    number="1",
    station="scan-1",
    reference="touch-1",
    bias=Decimal("0.0040"),
    standard_u=Decimal("0.0005"),
    n=30,
    owner="Metrology room",
    reason="matting spray",
    agreed_on="2025-11-01",
    expires_on="2026-05-01",
)
LAST_MOMENT = int(datetime(2026, 5, 1, 23, 59, 59, tzinfo=UTC).timestamp() * 1000)
TOO_LATE = LAST_MOMENT + 1_000


def corrected_program() -> Program:
    first, *others = PROGRAMS["quick"].covers
    return replace(PROGRAMS["quick"], covers=(replace(first, offset=OFFSET), *others))


TABLE = PlanTable(BODY, (PROGRAMS["accurate"], corrected_program()), RULE)


def quick_bore(value: float, measured_ms: int = LAST_MOMENT) -> Record:
    return merge(PART, TABLE, [result("quick", measured("1", value), measured_ms=measured_ms)])


def test_the_corrected_value_is_judged_and_the_raw_one_kept_with_the_offset_named():
    finding = quick_bore(20.0145).findings[0]

    evidence = finding.decided_by
    assert evidence is not None
    assert (evidence.raw, evidence.value) == (20.0145, 20.0105)
    (correction,) = evidence.corrections
    assert (correction.kind, correction.name) == ("offset", "bore-scan v3")
    assert (correction.amount, correction.u) == (Decimal("-0.0040"), Decimal("0.0005"))
    assert finding.why.startswith("20.0105 mm is in the conformity zone")


def test_a_budget_with_the_offset_in_it_is_rounded_up():
    """Root of 2, from memory: 1.41421356237 309...; half to even, the root of the standard library, would drop what is left."""
    plain = replace(PROGRAMS["quick"].covers[0], expanded_u=Decimal("0.002"), k=Decimal(2))
    found = corrected(plain, replace(OFFSET, standard_u=Decimal("0.001")))
    assert found.expanded_u == Decimal("0.00282842712476")
    assert (found.expanded_u / 2) ** 2 >= 2 * Decimal("0.001") ** 2


@pytest.mark.parametrize(
    ("raw", "verdict"),
    # arithmetic: U 0.004, k 2, guard band 1.65 x 0.002 = 0.0033: conforming from 20.0033 to 20.0177, and 0.004 more in raw values
    [
        (20.0217, "conforming"),
        (20.02171, "undecided"),
        (20.0073, "conforming"),
        (20.00729, "undecided"),
    ],
)
def test_the_sign_of_an_offset_is_that_of_station_minus_reference(raw, verdict):
    assert quick_bore(raw).findings[0].verdict == verdict


def test_a_value_after_the_last_day_decides_nothing_and_says_who_has_to_act():
    finding = quick_bore(20.0145, TOO_LATE).findings[0]

    assert finding.verdict == "station error"
    assert finding.why.endswith(
        "its offset bore-scan v3 expired on 2026-05-01: Metrology room has to compare scan-1 with touch-1 anew"
    )
    (kept,) = finding.monitored_by
    assert (kept.raw, kept.value, kept.corrections) == (20.0145, 20.0145, ())


def test_another_station_is_asked_once_an_offset_has_expired():
    late = result("quick", measured("1", 20.0145), measured_ms=TOO_LATE)

    (open_one,) = [each for each in still_open(TABLE, [late], ()) if each.number == "1"]
    assert open_one.programs[0] == "accurate"


def test_a_characteristic_without_offset_keeps_its_value():
    finding = merge(PART, TABLE, [all_three("quick", GOOD)]).findings[1]

    assert finding.decided_by is not None
    assert (finding.decided_by.value, finding.decided_by.corrections) == (GOOD, ())

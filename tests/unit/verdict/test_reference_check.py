"""Whether a station finds the calibrated values of a reference part, and what a missed one casts doubt on."""

from decimal import Decimal
from statistics import NormalDist

import pytest

from supervisor.cell.model import (
    Characteristic,
    Coverage,
    DecisionRule,
    PartType,
    Program,
    Reference,
    ReferenceValue,
    Vouched,
)
from supervisor.cell.value import replace
from supervisor.process.series import series
from supervisor.verdict.merge import Part
from supervisor.verdict.plan_table import PlanTable
from supervisor.verdict.record import Record
from supervisor.verdict.reference_check import check_record, compare
from supervisor.verdict.result import MeasuredValue, StationResult
from supervisor.verdict.suspicion import Suspicion, doubted, suspect_values

PLAN = Characteristic(
    number="1",
    name="bore",
    kind="diameter",
    nominal=Decimal(20),
    lower=Decimal("19.9"),
    upper=Decimal("20.1"),
    unit="mm",
    datum="",
    need="mandatory",
    natural_limit="none",
    required_u=Decimal("0.03"),
)
RING = PartType(part_type="ring", title="ring", gtin="0", revision="A", plan=(PLAN,))
PROGRAM = Program(
    program="ring@touch-1",
    station="touch-1",
    part_type="ring",
    name="ring",
    number=1,
    revision="1",
    covers=(Coverage(number="1", expanded_u=Decimal("0.0016"), k=Decimal(2)),),
    part_free_ms=1,
    result_ms=1,
)
TABLE = PlanTable(RING, [PROGRAM], DecisionRule(rule="r", guard_factor=Decimal("1.65")))
VALUE = ReferenceValue(
    number="1", value=Decimal("20.0010"), expanded_u=Decimal("0.0004"), k=Decimal(2)
)


def reference(value: ReferenceValue = VALUE) -> Reference:
    return Reference(serial="7", certificate="K", due="2030-01-01", values=(value,), checks=())


def result(number: float | None, measured_ms: int = 5_000) -> StationResult:
    quality = "good" if number is not None else "bad"
    value = MeasuredValue(number="1", value=number, unit="mm", quality=quality)
    return StationResult(
        result_id="touch-1/1",
        station="touch-1",
        run_id="R1",
        program=PROGRAM.program,
        measured_ms=measured_ms,
        values=(value,),
    )


def test_en_is_that_of_the_worked_example():
    """ref 20.0010 (U 0.4 um), measured 20.0024 (U 1.6 um): En 0.849 (calculated by hand from the formula of ISO 13528:2022, 9.7)."""
    (one,) = compare(TABLE, reference(), result(20.0024))

    assert one.en == pytest.approx(0.849, abs=0.0005)
    assert (one.deviation, one.outcome) == (Decimal("0.0014"), "good")


@pytest.mark.parametrize(
    ("u", "k", "number", "outcome"),
    [
        # U 1.6 and U_ref 1.2 make exactly 2.0 um: 3-4-5, so the limit is exact
        ("0.0012", "2", 20.0030, "good"),
        ("0.0012", "2", 20.0031, "missed"),
        ("0.0012", "2", 19.9990, "good"),
        ("0.0012", "2", 19.9989, "missed"),
        # the same certificate, stated with k = 3
        ("0.0018", "3", 20.0030, "good"),
        ("0.0018", "3", 20.0031, "missed"),
    ],
)
def test_a_value_on_the_limit_is_found_and_one_beyond_it_is_missed(u, k, number, outcome):
    value = replace(VALUE, expanded_u=Decimal(u), k=Decimal(k))

    (one,) = compare(TABLE, reference(value), result(number))

    assert one.outcome == outcome


def test_a_smaller_agreed_limit_holds():
    value = replace(VALUE, limit=Decimal("0.0005"))

    assert [c.outcome for c in compare(TABLE, reference(value), result(20.0015))] == ["good"]
    assert [c.outcome for c in compare(TABLE, reference(value), result(20.0016))] == ["missed"]


def test_a_missing_value_shows_nothing():
    (one,) = compare(TABLE, reference(), result(None))

    assert (one.outcome, one.deviation, one.en) == ("no value", None, None)


def test_with_honest_uncertainties_a_good_station_misses_one_value_in_22():
    """The sentence in the module: two-sided, two standard deviations."""
    assert 1 / (2 * NormalDist().cdf(-2.0)) == pytest.approx(22, abs=0.05)


def a_record(number: float, part_type: str = "ring", measured_ms: int = 5_000) -> Record:
    given = result(number, measured_ms)
    part = Part(
        serial="7", batch="", produced="", pallet="p", declaration="d", revision=1,
        entered_ms=1, decided_ms=9_000,
    )  # fmt: skip
    record = check_record(part, TABLE, given, compare(TABLE, reference(), given))
    return replace(record, part_type=part_type)


def test_a_check_is_kept_with_its_own_limits_and_its_rule():
    record = a_record(20.0040)

    (finding,) = record.findings
    assert (record.verdict, finding.verdict) == ("nonconforming", "nonconforming")
    assert "|En| <= 1" in record.rule
    assert (finding.nominal, finding.upper) == (Decimal("20.0010"), Decimal("20.00264924"))
    assert finding.decided_by is not None
    assert "0.003 mm from 20.001, beyond 0.00165" in record.why


DOUBT = Suspicion(
    station="touch-1",
    program="p",
    run_id="R9",
    about=(Vouched(part_type="ring", number="1"),),
    from_ms=4_000,
    to_ms=6_000,
    why="missed",
)


@pytest.mark.parametrize(
    ("part_type", "measured_ms", "suspect"),
    [
        ("ring", 4_000, []),  # the last good check itself
        ("ring", 4_001, ["1"]),
        ("ring", 6_000, ["1"]),
        ("ring", 6_001, []),
        ("plate", 5_000, []),
    ],
)
def test_suspect_is_what_was_measured_since_of_what_the_value_vouches_for(
    part_type, measured_ms, suspect
):
    record = a_record(20.0010, part_type, measured_ms)

    assert [v.number for v in suspect_values(record, [DOUBT])] == suspect
    assert suspect_values(record, [replace(DOUBT, station="scan-1")]) == ()


def test_nothing_that_is_learnt_from_many_parts_rests_on_a_suspect_value():
    record = a_record(20.0010)
    assert [p.value for p in series(RING, PLAN, [record]).points] == [20.001]

    marked = doubted(record, suspect_values(record, [DOUBT]))

    found = series(RING, PLAN, [marked])
    assert found.points == ()
    (left_out,) = found.left_out
    assert left_out.why == "no verdict may rest on its value: it is suspect: missed"

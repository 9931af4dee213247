"""One record and one verdict from the results of several stations."""

from decimal import Decimal

import pytest

from supervisor.cell.model import Characteristic, Coverage, DecisionRule, PartType, Program
from supervisor.cell.value import replace
from supervisor.verdict import (
    Finding,
    MeasuredValue,
    Part,
    PlanTable,
    Record,
    StationResult,
    merge,
    sorting_of,
)

RULE = DecisionRule(rule="ISO 14253-1:2017", guard_factor=Decimal("1.65"))
BORE = Characteristic(
    number="1",
    name="bore",
    kind="diameter",
    nominal=Decimal(20),
    lower=Decimal("20.000"),
    upper=Decimal("20.021"),
    unit="mm",
    datum="",
    need="mandatory",
    natural_limit="none",
    required_u=Decimal("0.004"),
)
WIDTH = replace(BORE, number="2", name="width")
CHAMFER = replace(BORE, number="3", name="chamfer", need="informative")
BODY = PartType(
    part_type="pump-body",
    title="Pump body",
    gtin="80614141123458",
    revision="A",
    plan=(BORE, WIDTH, CHAMFER),
)
PART = Part(
    serial="6789",
    batch="B-1",
    produced="2025-11-25T09:00:00Z",
    pallet="grai:0614141.12345.400",
    declaration="ab12",
    revision=1,
    entered_ms=1_000,
    decided_ms=9_000,
)
GOOD, NEAR, BEYOND = 20.0105, 20.0205, 20.0300


def program(name: str, station: str, expanded_u: str) -> Program:
    covers = tuple(Coverage(number=n, expanded_u=Decimal(expanded_u), k=Decimal(2)) for n in "123")
    return Program(
        program=name,
        station=station,
        part_type="pump-body",
        name=name.upper(),
        number=1,
        revision="7",
        covers=covers,
        part_free_ms=1000,
        result_ms=2000,
    )


PROGRAMS = {
    each.program: each
    for each in (
        program("accurate", "touch-1", "0.003"),
        program("quick", "scan-1", "0.004"),
        program("twin", "scan-2", "0.004"),
        program("coarse", "ct-1", "0.02"),
    )
}


def measured(number: str, value: float | None, **changes: str) -> MeasuredValue:
    return replace(MeasuredValue(number=number, value=value, unit="mm", quality="good"), **changes)


def result(
    name: str, *values: MeasuredValue, run: str = "R1", measured_ms: int = 5_000
) -> StationResult:
    return StationResult(
        result_id=f"{name}/{run}",
        station=PROGRAMS[name].station,
        run_id=run,
        program=name,
        measured_ms=measured_ms,
        values=values,
    )


def record_of(*results: StationResult, part_type: PartType = BODY) -> Record:
    return merge(PART, PlanTable(part_type, tuple(PROGRAMS.values()), RULE), results)


def bore_of(*results: StationResult) -> Finding:
    return record_of(*results).findings[0]


def all_three(name: str, value: float) -> StationResult:
    return result(name, measured("1", value), measured("2", value), measured("3", value))


def test_a_record_says_whose_it_is_and_by_which_declaration_and_rule_it_was_made():
    record = record_of(all_three("accurate", GOOD))
    assert (record.serial, record.part_type, record.plan_revision) == ("6789", "pump-body", "A")
    assert (record.batch, record.produced, record.pallet) == (
        "B-1",
        "2025-11-25T09:00:00Z",
        PART.pallet,
    )
    assert (record.declaration, record.revision) == ("ab12", 1)
    assert (record.entered_ms, record.decided_ms) == (1_000, 9_000)
    assert record.rule == "ISO 14253-1:2017, guard factor 1.65"


def test_a_record_holds_exactly_the_characteristics_of_the_plan_in_its_order():
    surplus = result("accurate", measured("9", GOOD), measured("2", GOOD))
    assert [finding.number for finding in record_of(surplus).findings] == ["1", "2", "3"]


def test_a_finding_names_requirement_zone_and_provenance():
    finding = bore_of(all_three("accurate", GOOD))
    assert (finding.name, finding.unit, finding.nominal) == ("bore", "mm", Decimal(20))
    assert (finding.lower, finding.upper) == (Decimal("20.000"), Decimal("20.021"))
    # arithmetic: U 0.003 with k 2, guard band 1.65 x 0.0015 = 0.002475
    assert (finding.accept_lower, finding.accept_upper) == (
        Decimal("20.002475"),
        Decimal("20.018525"),
    )
    evidence = finding.decided_by
    assert evidence is not None
    assert (evidence.value, evidence.unit, evidence.quality) == (GOOD, "mm", "good")
    assert (evidence.expanded_u, evidence.k) == (Decimal("0.003"), Decimal(2))
    assert (evidence.station, evidence.program, evidence.program_revision) == (
        "touch-1",
        "accurate",
        "7",
    )
    assert (evidence.run_id, evidence.result_id, evidence.measured_ms) == (
        "R1",
        "accurate/R1",
        5_000,
    )


def test_the_most_capable_station_decides_and_the_others_are_monitors():
    finding = bore_of(
        all_three("coarse", NEAR), all_three("quick", BEYOND), all_three("accurate", GOOD)
    )
    assert finding.verdict == "conforming"
    assert finding.decided_by is not None
    assert finding.decided_by.station == "touch-1"
    assert [evidence.station for evidence in finding.monitored_by] == ["scan-1", "ct-1"]


def test_of_equally_capable_values_the_newest_decides():
    older = result("quick", measured("1", GOOD), measured_ms=5_000)
    newer = result("twin", measured("1", NEAR), measured_ms=5_001)
    assert bore_of(older, newer).decided_by == bore_of(newer, older).decided_by
    assert bore_of(older, newer).verdict == "undecided"


def test_of_equally_capable_and_equally_new_values_the_first_station_by_id_decides():
    first, last = all_three("quick", GOOD), replace(all_three("twin", NEAR), result_id="0")
    finding = bore_of(last, first)
    assert finding.decided_by is not None
    assert finding.decided_by.station == "scan-1"


@pytest.mark.parametrize(
    ("flawed", "why"),
    [
        (measured("1", None, quality="bad"), "touch-1, run R1: its quality is bad"),
        (measured("1", GOOD, quality="uncertain"), "touch-1, run R1: its quality is uncertain"),
        (measured("1", None), "touch-1, run R1: it is no finite number"),
        (measured("1", float("inf")), "touch-1, run R1: it is no finite number"),
        (measured("1", GOOD, unit="um"), "touch-1, run R1: its unit is um instead of mm"),
        (measured("1", GOOD, unit=""), "touch-1, run R1: its unit is missing instead of mm"),
    ],
)
def test_only_flawed_values_of_capable_programs_are_a_station_error(flawed, why):
    finding = bore_of(result("accurate", flawed))
    assert (finding.verdict, finding.why) == ("station error", why)
    assert finding.decided_by is None
    assert (finding.accept_lower, finding.accept_upper) == (None, None)
    assert [evidence.unit for evidence in finding.monitored_by] == [flawed.unit]


def test_a_flawed_value_of_a_capable_program_gives_way_to_a_good_one_of_a_lesser():
    finding = bore_of(
        result("accurate", measured("1", None, quality="bad")), all_three("quick", GOOD)
    )
    assert finding.verdict == "conforming"
    assert [evidence.quality for evidence in finding.monitored_by] == ["bad"]


def test_a_characteristic_given_twice_in_one_result_is_a_station_error():
    finding = bore_of(result("accurate", measured("1", GOOD), measured("1", BEYOND)))
    assert finding.verdict == "station error"
    assert "more than once" in finding.why
    assert [evidence.value for evidence in finding.monitored_by] == [GOOD, BEYOND]


def test_a_form_error_far_below_zero_is_a_station_error():
    form = replace(BORE, lower=None, upper=Decimal("0.02"), natural_limit="zero")
    finding = record_of(
        result("accurate", measured("1", -0.0031)), part_type=replace(BODY, plan=(form,))
    ).findings[0]
    assert finding.verdict == "station error"
    assert "below zero by more than its uncertainty" in finding.why


def test_a_characteristic_without_any_value_is_not_measured():
    finding = bore_of(result("accurate", measured("2", GOOD)))
    assert (finding.verdict, finding.why) == ("not measured", "no station has given a value")


def test_a_value_of_an_incapable_program_alone_leaves_its_characteristic_not_measured():
    finding = bore_of(all_three("coarse", GOOD))
    assert finding.verdict == "not measured"
    assert (
        finding.why == "only by coarse with U = 0.02 mm (k = 2); U = 0.004 mm (k = 2) is required"
    )
    assert [evidence.station for evidence in finding.monitored_by] == ["ct-1"]


def test_a_result_of_a_program_that_is_not_declared_is_left_out_and_said_so():
    foreign = replace(all_three("accurate", BEYOND), program="other-plan")
    record = record_of(foreign, all_three("accurate", GOOD))
    assert record.verdict == "conforming"
    assert record.why.endswith("; left out, not declared for this part type: other-plan")


def test_a_result_of_another_part_types_program_is_left_out_and_said_so():
    programs = (PROGRAMS["accurate"], replace(PROGRAMS["quick"], part_type="cam-ring"))
    record = merge(PART, PlanTable(BODY, programs, RULE), [all_three("quick", GOOD)])
    assert record.verdict == "not measured"
    assert record.why.endswith("; left out, not declared for this part type: quick")


@pytest.mark.parametrize(
    ("bore", "width", "verdict"),
    [
        (GOOD, GOOD, "conforming"),
        (GOOD, NEAR, "undecided"),
        (NEAR, None, "station error"),
        (BEYOND, NEAR, "nonconforming"),
        (None, BEYOND, "nonconforming"),
        (None, GOOD, "station error"),
    ],
)
def test_the_part_is_as_bad_as_its_worst_mandatory_characteristic(bore, width, verdict):
    values = [
        measured(number, value, quality="good" if value else "bad")
        for number, value in (("1", bore), ("2", width))
    ]
    assert record_of(result("accurate", *values)).verdict == verdict


@pytest.mark.parametrize(
    ("value", "verdict"),
    [(GOOD, "not measured"), (NEAR, "not measured"), (BEYOND, "nonconforming")],
)
@pytest.mark.hazard(24)
def test_a_part_with_a_missing_mandatory_characteristic_never_conforms(value, verdict):
    assert record_of(result("accurate", measured("1", value))).verdict == verdict


def test_a_station_error_weighs_more_than_a_missing_value():
    record = record_of(result("accurate", measured("2", None, quality="bad")))
    assert [finding.verdict for finding in record.findings] == [
        "not measured",
        "station error",
        "not measured",
    ]
    assert record.verdict == "station error"


def test_informative_characteristics_are_reported_and_change_nothing():
    record = record_of(
        result("accurate", measured("1", GOOD), measured("2", GOOD), measured("3", BEYOND))
    )
    assert record.findings[2].verdict == "nonconforming"
    assert (record.verdict, record.why) == ("conforming", "all 2 mandatory characteristics conform")


def test_a_plan_without_mandatory_characteristics_never_conforms():
    record = record_of(all_three("accurate", GOOD), part_type=replace(BODY, plan=(CHAMFER,)))
    assert (record.verdict, record.why) == (
        "not measured",
        "the plan has no mandatory characteristic",
    )


def test_a_part_says_which_characteristic_made_it_what_it_is():
    record = record_of(all_three("accurate", BEYOND))
    assert record.why == (
        "characteristic 1, bore, nonconforming: 20.03 mm is in the nonconformity zone, above 20.023475"
        " (and 1 more nonconforming)"
    )


@pytest.mark.parametrize(
    ("results", "sorting"),
    [
        ([all_three("accurate", GOOD)], "conforming"),
        ([all_three("accurate", BEYOND)], "nonconforming"),
        ([all_three("accurate", NEAR)], "hold"),
        ([all_three("coarse", GOOD)], "hold"),
        ([], "hold"),
        ([result("accurate", measured("1", None, quality="bad"))], "hold"),
    ],
)
@pytest.mark.hazard(42)
def test_only_proven_parts_are_sorted_and_all_others_held(results, sorting):
    assert sorting_of(record_of(*results)) == sorting

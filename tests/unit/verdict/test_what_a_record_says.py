"""What a record keeps of rule, uncertainty and provenance, so that a verdict can be traced and computed again."""

from decimal import Decimal

from supervisor.cell.model import DecisionRule, Station
from supervisor.cell.value import replace
from supervisor.verdict import PlanTable, merge
from tests.unit.verdict.test_merge import (  # the same parts, programs and results
    BODY,
    GOOD,
    NEAR,
    PART,
    PROGRAMS,
    RULE,
    all_three,
    measured,
    result,
)

SIMPLE = DecisionRule(
    rule="Simple acceptance",
    guard_factor=Decimal(0),
    agreed_by="customer and works",
    agreed_on="2025-10-01",
)
TOUCH = Station(
    station="touch-1",
    title="Coordinate measuring machine",
    kind="tactile",
    url="",
    profile="",
    at_mm=0,
    door_ms_max=1,
    start_ms_max=1,
    late_factor=Decimal(2),
    serial_number="CMM-0412",
    calibration="K-2025-118",
    calibration_due="2026-04-30",
)


def test_the_rule_of_a_plan_goes_before_that_of_the_cell_and_says_who_agreed_on_it():
    own = PlanTable(replace(BODY, rule=SIMPLE), tuple(PROGRAMS.values()), RULE)
    record = merge(PART, own, [all_three("accurate", NEAR)])

    assert (
        record.rule
        == "Simple acceptance, guard factor 0 (simple acceptance), agreed by customer and works on 2025-10-01"
    )
    assert record.verdict == "conforming"
    assert record.findings[0].guard_factor == 0
    cells = PlanTable(BODY, tuple(PROGRAMS.values()), RULE)
    assert merge(PART, cells, [all_three("accurate", NEAR)]).verdict == "undecided"


def test_evidence_names_the_station_its_calibration_and_the_uncertainty_that_was_applied():
    table = PlanTable(BODY, tuple(PROGRAMS.values()), RULE, [TOUCH])
    evidence = merge(PART, table, [all_three("accurate", GOOD)]).findings[0].decided_by

    assert evidence is not None
    assert (evidence.station_serial, evidence.calibration, evidence.calibration_due) == (
        "CMM-0412",
        "K-2025-118",
        "2026-04-30",
    )
    assert (evidence.raw, evidence.standard_u, evidence.dof) == (GOOD, Decimal("0.0015"), None)


def test_few_degrees_of_freedom_narrow_the_conformity_zone_of_a_finding():
    known = PROGRAMS["accurate"]
    few = replace(known, covers=tuple(replace(cover, dof=5) for cover in known.covers))
    finding = merge(PART, PlanTable(BODY, (few,), RULE), [all_three("accurate", GOOD)]).findings[0]

    # t table: 2.0150 for 95 % and five degrees of freedom; 1.65 belongs to a little more than 95 %
    assert finding.guard_factor is not None
    assert Decimal("2.015") < finding.guard_factor < Decimal("2.03")
    assert finding.accept_lower == Decimal("20.000") + finding.guard_factor * Decimal("0.0015")


def test_a_finding_carries_the_probability_that_its_requirement_is_kept():
    finding = merge(
        PART, PlanTable(BODY, tuple(PROGRAMS.values()), RULE), [all_three("accurate", 20.0186)]
    ).findings[0]

    # 20 H7, u = 1.5 um: collected values, scipy 1.17
    assert finding.verdict == "undecided"
    assert finding.conformance_probability is not None
    assert round(finding.conformance_probability, 4) == 0.9452


def test_evidence_keeps_the_parts_temperature_and_whether_the_station_compensated():
    warm = replace(all_three("accurate", GOOD), part_c=21.4, compensated="no")
    table = PlanTable(BODY, tuple(PROGRAMS.values()), RULE)
    evidence = merge(PART, table, [warm]).findings[0].decided_by

    assert evidence is not None
    assert (evidence.part_c, evidence.compensated) == (21.4, "no")


def test_a_flawed_monitor_says_what_is_wrong_with_it():
    record = merge(
        PART,
        PlanTable(BODY, tuple(PROGRAMS.values()), RULE),
        [all_three("accurate", GOOD), result("quick", measured("1", GOOD, quality="bad"))],
    )

    assert [each.flaw for each in record.findings[0].monitored_by] == ["its quality is bad"]

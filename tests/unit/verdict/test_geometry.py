"""Geometrical characteristics: formulas, signs, and tolerances that grow with the actual size.

Sources, named by each value:
- "collected": the check values of the collected references (ISO 1101 and ISO 2692, from memory there): profile +31/-12 -> 62, position
  2 sqrt(dx2 + dy2), a hole 10 +0.1/0 of actual size 10.06 with t = 0.05 may use 0.11.
- "arithmetic": done by hand.
"""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from supervisor.cell.model import (
    SENSITIVITY,
    Characteristic,
    Coverage,
    DecisionRule,
    Derived,
    Material,
    PartType,
    Program,
)
from supervisor.cell.value import replace
from supervisor.verdict import (
    Finding,
    MeasuredValue,
    Part,
    PlanTable,
    StationResult,
    merge,
    still_open,
)
from supervisor.verdict.geometry import (
    derived_value,
    form,
    maximum_material_bonus,
    position,
    profile,
    run_out,
)
from tests.unit.verdict.test_merge import PART, RULE

D = Decimal


def test_position_is_the_diameter_of_the_zone_not_its_radius():
    # arithmetic: the triangle with sides of 3, 4 and 5
    assert position([D("0.003"), D("-0.004")]) == D("0.010")
    assert position([D("0.002"), D("0.003"), D("0.006")]) == D("0.014")
    assert position([D(0), D(0)]) == 0


def test_profile_is_twice_the_largest_deviation_not_the_span():
    assert profile([D(31), D(-12)]) == 62  # collected
    assert profile([D(-31), D(12)]) == 62
    assert profile([D(-5), D(-7)]) == 14


def test_run_out_is_the_span_of_the_indications():
    # arithmetic
    assert run_out([D("0.012"), D("-0.004"), D("0.003")]) == D("0.016")


def test_form_is_the_span_of_the_deviations_whatever_their_nominals_are():
    # arithmetic
    assert form([D(3), D(-2), D(0)]) == 5  # neither 3 nor 2 * 3
    assert form([D(3), D(1)]) == 2, "a fitted element that lies beside the surface adds nothing"
    nominals = [D("2.000"), D("2.500")]
    assert derived_value("form", [D("2.003"), D("2.498")], nominals) == D("0.005")


@pytest.mark.parametrize(
    ("feature", "actual", "bonus"),
    [
        ("internal", "10.06", "0.06"),  # collected: 0.05 + 0.06 = 0.11
        ("internal", "10.00", "0"),
        ("internal", "9.99", "0"),  # beyond the maximum-material limit: none
        ("internal", "10.13", "0.1"),  # beyond the least-material limit: the whole tolerance
        ("external", "10.06", "0.04"),
        ("external", "10.10", "0"),
        ("external", "10.11", "0"),
        ("external", "9.95", "0.1"),
    ],
)
def test_the_bonus_counts_from_the_maximum_material_limit_of_the_feature(feature, actual, bonus):
    assert maximum_material_bonus(D(actual), D("10.0"), D("10.1"), feature) == D(bonus)


@given(
    formula=st.sampled_from(sorted(SENSITIVITY)),
    values=st.lists(st.integers(-500, 500), min_size=2, max_size=3),
    errors=st.lists(st.integers(-20, 20), min_size=3, max_size=3),
)
def test_no_error_of_the_components_moves_a_derived_value_by_more_than_its_bound(
    formula, values, errors
):
    """The bound on the standard uncertainty, seen as a bound on the gradient: its Euclidean length is at most the sensitivity."""
    exact = [D(each) / 1000 for each in values]
    moved = [v + D(e) / 10_000_000 for v, e in zip(exact, errors, strict=False)]
    nominals = [D(0)] * len(exact)
    length = sum((D(e) / 10_000_000) ** 2 for e, _ in zip(errors, exact, strict=False)).sqrt()
    change = derived_value(formula, moved, nominals) - derived_value(formula, exact, nominals)
    assert abs(change) <= SENSITIVITY[formula] * length + D("1e-20")


# --- in a plan --------------------------------------------------------------------------------------------------------------


X = Characteristic(
    number="1.1",
    name="hole, across",
    kind="distance",
    nominal=D(40),
    lower=D("39.9"),
    upper=D("40.1"),
    unit="mm",
    datum="",
    need="informative",
    natural_limit="none",
    required_u=D("0.01"),
)
Y = replace(X, number="1.2", name="hole, along", nominal=D(25), lower=D("24.9"), upper=D("25.1"))
SIZE = replace(
    X,
    number="2",
    name="hole",
    kind="diameter",
    nominal=D(10),
    lower=D("10.0"),
    upper=D("10.1"),
    need="mandatory",
    required_u=D("0.015"),
)
POSITION = Characteristic(
    number="1",
    name="hole",
    kind="position",
    nominal=D(0),
    lower=None,
    upper=D("0.05"),
    unit="mm",
    datum="A | B",
    need="mandatory",
    natural_limit="zero",
    required_u=D("0.0075"),
    derived=Derived(formula="position", of=("1.1", "1.2")),
    material=Material(feature="internal", size="2"),
)
PLATE = PartType(
    part_type="port-plate", title="", gtin="", revision="A", plan=(POSITION, X, Y, SIZE)
)


def program(name: str, *covers: tuple[str, str]) -> Program:
    return Program(
        program=name,
        station=f"{name}-1",
        part_type="port-plate",
        name=name,
        number=1,
        revision="1",
        covers=tuple(Coverage(number=n, expanded_u=D(u), k=D(2)) for n, u in covers),
        part_free_ms=1,
        result_ms=1,
    )


TOUCH = program("touch", ("1", "0.004"), ("1.1", "0.002"), ("1.2", "0.002"))
SCAN = program("scan", ("2", "0.003"))
TABLE = PlanTable(PLATE, (TOUCH, SCAN), RULE)


def result(name: str, **values: float) -> StationResult:
    return StationResult(
        result_id=f"{name}/1",
        station=f"{name}-1",
        run_id=f"R-{name}",
        program=name,
        measured_ms=1,
        values=tuple(
            MeasuredValue(
                number=number.removeprefix("n").replace("_", "."),
                value=v,
                unit="mm",
                quality="good",
            )
            for number, v in values.items()
        ),
    )


def finding_of(*results: StationResult, part: Part = PART, rule: DecisionRule = RULE) -> Finding:
    return merge(part, PlanTable(PLATE, (TOUCH, SCAN), rule), results).findings[0]


AT_6_8 = result("touch", n1_1=40.006, n1_2=24.992)  # 2 x 0.010 = 0.020
AT_24_32 = result("touch", n1_1=40.024, n1_2=24.968)  # 2 x 0.040 = 0.080


def test_a_position_is_calculated_from_the_components_of_one_result():
    finding = finding_of(AT_6_8)

    assert finding.decided_by is not None
    assert finding.decided_by.value == 0.02
    assert (finding.verdict, finding.decided_by.station) == ("conforming", "touch-1")


def test_a_value_that_the_station_gives_itself_is_not_calculated_beside_it():
    given = finding_of(result("touch", n1=0.03, n1_1=40.006, n1_2=24.992))

    assert given.decided_by is not None
    assert given.decided_by.value == 0.03
    assert given.monitored_by == ()


def test_without_a_component_there_is_no_derived_value():
    assert finding_of(result("touch", n1_1=40.006)).verdict == "not measured"


def test_a_flawed_component_makes_a_flawed_value():
    flawed = replace(AT_6_8, values=(AT_6_8.values[0], replace(AT_6_8.values[1], quality="bad")))
    finding = finding_of(flawed)

    assert finding.verdict == "station error"
    assert finding.why.endswith("its component 1.2: its quality is bad")


def test_the_tolerance_grows_with_the_size_that_another_station_gave():
    finding = finding_of(AT_24_32, result("scan", n2=10.06))

    assert finding.bonus is not None
    assert (finding.bonus.number, finding.bonus.station, finding.bonus.run_id) == (
        "2",
        "scan-1",
        "R-scan",
    )
    assert (finding.bonus.actual, finding.bonus.amount) == (10.06, D("0.06"))
    assert finding.upper == D("0.05")
    # collected: 0.11 may be used; arithmetic: u = sqrt(0.002^2 + 0.0015^2) = 0.0025, guard band 1.65 x 0.0025 = 0.004125
    assert finding.accept_upper == D("0.105875")
    assert finding.verdict == "conforming"
    assert "0.06 mm of it by the size 2, which scan-1 gave (run R-scan)" in finding.why
    assert finding.conformance_probability == 1.0


def test_without_the_size_a_value_that_needs_it_is_undecided_and_one_that_does_not_conforms():
    needy = finding_of(AT_24_32)

    assert needy.verdict == "undecided"
    assert needy.why.endswith("the maximum-material bonus is not known, as 2 has no deciding value")
    assert finding_of(AT_6_8).verdict == "conforming"


def test_a_value_beyond_the_grown_tolerance_is_nonconforming():
    assert finding_of(AT_24_32, result("scan", n2=10.01)).verdict == "nonconforming"


def test_a_position_that_waits_for_its_size_keeps_the_part_open_by_the_size():
    left = still_open(TABLE, [AT_24_32], ())

    assert [(each.number, each.programs) for each in left] == [("2", ("scan",))]
    assert still_open(TABLE, [AT_24_32, result("scan", n2=10.06)], ()) == ()


def test_with_simple_acceptance_the_grown_limit_itself_decides():
    simple = replace(RULE, rule="Simple acceptance", guard_factor=D(0))
    on_the_limit = result("touch", n1=0.11)

    assert finding_of(on_the_limit, result("scan", n2=10.06), rule=simple).verdict == "conforming"
    beyond = result("touch", n1=0.1101)
    assert finding_of(beyond, result("scan", n2=10.06), rule=simple).verdict == "nonconforming"

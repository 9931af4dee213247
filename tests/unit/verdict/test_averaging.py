"""The mean of two stations, where a plan asks for it.

Sources, named by each value: "collected" are check values of the collected references (scipy 1.17); "arithmetic" is done by hand.
"""

from decimal import Decimal

import pytest

from supervisor.cell.model import Average, Coverage, PartType, Program
from supervisor.cell.value import replace
from supervisor.verdict import Finding, PlanTable, StationResult, merge, still_open
from supervisor.verdict.agreement import differences_of
from tests.unit.verdict.test_merge import (  # the same parts, programs and results
    BODY,
    BORE,
    PART,
    PROGRAMS,
    RULE,
    measured,
    result,
)


def plan_of(correlation: str = "0") -> PartType:
    average = Average(stations=("scan-1", "touch-1"), correlation=Decimal(correlation))
    wide = replace(
        BORE,
        lower=Decimal("19.9"),
        upper=Decimal("20.1"),
        required_u=Decimal("0.02"),
        average=average,
    )
    return replace(BODY, plan=(wide,))


def with_u(name: str, u: str) -> Program:
    cover = Coverage(number="1", expanded_u=2 * Decimal(u), k=Decimal(2))
    return replace(PROGRAMS[name], covers=(cover,))


def table_of(u_scan: str, u_touch: str, correlation: str = "0") -> PlanTable:
    programs = (with_u("accurate", u_touch), with_u("quick", u_scan))
    return PlanTable(plan_of(correlation), programs, RULE)


def results(scan: float, touch: float) -> list[StationResult]:
    return [result("quick", measured("1", scan)), result("accurate", measured("1", touch))]


def finding_of(table: PlanTable, *given: StationResult) -> Finding:
    return merge(PART, table, given).findings[0]


@pytest.mark.parametrize(
    ("one", "u_one", "other", "u_other", "mean", "u"),
    [
        # collected: 10.002 (1 um), 10.004 (2 um) -> 10.002400, 0.894427 um, Birge 0.894427: not shrunk
        (20.002, "0.001", 20.004, "0.002", 20.0024, 0.000894427),
        # collected: 10.0000 (1), 10.0030 (1) -> 10.001500, Birge 2.121320, 1.5000 um
        (20.0000, "0.001", 20.0030, "0.001", 20.0015, 0.0015),
        # collected: 25.0100 (0.6), 25.0135 (1.8) -> 25.010350, 0.569 um internal, chi-square 3.40278: arithmetic, x 1.84466 = 1.0500 um
        (20.0100, "0.0006", 20.0135, "0.0018", 20.01035, 0.00105),
    ],
)
def test_the_mean_of_two_stations_grows_more_uncertain_where_they_disagree(
    one, u_one, other, u_other, mean, u
):
    finding = finding_of(table_of(u_one, u_other), *results(one, other))

    evidence = finding.decided_by
    assert evidence is not None
    assert evidence.standard_u is not None
    assert evidence.value == pytest.approx(mean, abs=1e-9)
    assert float(evidence.standard_u) == pytest.approx(u, rel=1e-5)
    assert evidence.mean_of == ("quick/R1", "accurate/R1")
    assert (evidence.station, evidence.run_id) == ("scan-1 + touch-1", "R1 + R1")
    assert finding.why.endswith("the mean of scan-1 and touch-1")
    assert {each.station for each in finding.monitored_by} == {"scan-1", "touch-1"}


def test_a_correlation_that_leaves_the_poorer_value_no_weight_leaves_the_better_one_alone():
    # u1 / u2 = 0.5
    assert finding_of(table_of("0.002", "0.001", "0.5"), *results(20.0, 20.0)).decided_by == (
        finding_of(replace_plan(table_of("0.002", "0.001")), *results(20.0, 20.0)).decided_by
    )


def replace_plan(table: PlanTable) -> PlanTable:
    """The same table without the wish for a mean."""
    (line,) = table.part_type.plan
    plain = replace(table.part_type, plan=(replace(line, average=None),))
    return PlanTable(plain, table.programs, RULE)


def test_with_one_station_only_its_value_decides():
    finding = finding_of(table_of("0.001", "0.001"), result("quick", measured("1", 20.0)))

    assert finding.decided_by is not None
    assert (finding.decided_by.station, finding.decided_by.mean_of) == ("scan-1", ())


def test_a_characteristic_stays_open_until_both_have_measured_as_long_as_both_can():
    table = table_of("0.001", "0.001")
    scanned = result("quick", measured("1", 20.0))

    (left,) = still_open(table, [scanned], ())
    assert (left.programs, left.why) == (("accurate",), "its mean wants a value of touch-1")
    assert still_open(table, [scanned], [("accurate", 2)]) == ()
    assert still_open(table, results(20.0, 20.0), ()) == ()


def test_the_agreement_of_the_stations_is_watched_by_their_own_values():
    record = merge(PART, table_of("0.001", "0.001"), results(20.003, 20.0))

    ((pair, seen),) = differences_of(record)
    assert (pair.one, pair.other) == ("scan-1", "touch-1")
    assert seen.en == pytest.approx(1.060660, abs=1e-6)  # collected, with the other sign

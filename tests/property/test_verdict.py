"""Verdicts, over generated plans, programs and results."""

from collections import Counter
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from supervisor.cell.model import Characteristic, Coverage, DecisionRule, PartType, Program
from supervisor.verdict import (
    RUNS_WITHOUT_GOOD_VALUE_MAX,
    MeasuredValue,
    Part,
    PlanTable,
    StationResult,
    judge,
    merge,
    sorting_of,
    still_open,
    zones,
)

pytestmark = pytest.mark.property

RULE = DecisionRule(rule="ISO 14253-1:2017", guard_factor=Decimal("1.65"))
PART = Part(
    serial="1",
    batch="",
    produced="",
    pallet="p",
    declaration="",
    revision=1,
    entered_ms=0,
    decided_ms=0,
)
NUMBERS = ("1", "2", "3")
UNCERTAINTIES = st.sampled_from(
    [Decimal("0.001"), Decimal("0.003"), Decimal("0.004"), Decimal("0.02")]
)
VALUES = st.one_of(
    st.none(),
    st.floats(width=64),
    st.floats(min_value=19.99, max_value=20.03).map(lambda y: round(y, 4)),
)

decimals = st.decimals(min_value=-1000, max_value=1000, places=4)
uncertainties = st.decimals(min_value=0, max_value=5, places=5)


@st.composite
def characteristics(draw, number: str) -> Characteristic:
    return Characteristic(
        number=number,
        name=f"n{number}",
        kind="diameter",
        nominal=Decimal(20),
        lower=draw(st.sampled_from([None, Decimal("20.000")])),
        upper=draw(st.sampled_from([Decimal("20.004"), Decimal("20.021")])),
        unit="mm",
        datum="",
        need=draw(st.sampled_from(["mandatory", "mandatory", "informative"])),
        natural_limit=draw(st.sampled_from(["none", "zero"])),
        required_u=Decimal("0.004"),
    )


@st.composite
def plans(draw) -> PartType:
    plan = tuple(draw(characteristics(number)) for number in NUMBERS)
    return PartType(part_type="body", title="", gtin="", revision="A", plan=plan)


@st.composite
def program_sets(draw) -> tuple[Program, ...]:
    found = []
    for name in ("a", "b", "c"):
        covered = draw(st.lists(st.sampled_from(NUMBERS), unique=True))
        covers = tuple(
            Coverage(number=n, expanded_u=draw(UNCERTAINTIES), k=Decimal(2))
            for n in sorted(covered)
        )
        found.append(
            Program(
                program=name,
                station=f"station-{name}",
                part_type="body",
                name=name,
                number=1,
                revision="1",
                covers=covers,
                part_free_ms=1,
                result_ms=1,
            )
        )
    return tuple(found)


@st.composite
def runs_of(draw, program: Program, run: str) -> StationResult:
    values = [
        MeasuredValue(
            number=coverage.number,
            value=draw(VALUES),
            unit=draw(st.sampled_from(["mm", "mm", "mm", "um"])),
            quality=draw(st.sampled_from(["good", "good", "good", "uncertain", "bad"])),
        )
        for coverage in program.covers
        if draw(st.integers(0, 9))
    ]
    return StationResult(
        result_id=run,
        station=program.station,
        run_id=run,
        program=program.program,
        measured_ms=draw(st.integers(0, 3)),
        values=tuple(values),
    )


@st.composite
def measured_parts(draw) -> tuple[PlanTable, list[StationResult]]:
    programs = draw(program_sets())
    chosen = draw(st.lists(st.sampled_from(programs), max_size=5))
    results = [draw(runs_of(each, f"R{at}")) for at, each in enumerate(chosen)]
    return PlanTable(draw(plans()), programs, RULE), results


def by_id(programs: tuple[Program, ...]) -> dict[str, Program]:
    return {program.program: program for program in programs}


@given(decimals, decimals, uncertainties, st.floats(allow_nan=False, allow_infinity=False))
def test_zones_never_reach_over_the_limits_and_every_value_gets_one_verdict(
    one, other, u, measured
):
    lower, upper = min(one, other), max(one, other)
    bounds = zones(lower, upper, "none", u, Decimal("1.65"))
    assert bounds.accept_lower is not None
    assert bounds.reject_upper is not None
    assert bounds.accept_lower - lower == upper - bounds.accept_upper == lower - bounds.reject_lower
    assert bounds.reject_upper - upper == Decimal("1.65") * u
    verdict = judge(measured, bounds, "mm").verdict
    if verdict == "conforming":
        assert lower <= Decimal(repr(measured)) <= upper
    if verdict == "nonconforming":
        assert not lower <= Decimal(repr(measured)) <= upper


@given(decimals, uncertainties, uncertainties, st.floats(min_value=-1e4, max_value=1e4))
def test_a_larger_uncertainty_never_proves_more(upper, one, other, measured):
    small, large = min(one, other), max(one, other)
    sure = judge(measured, zones(None, upper, "none", small, Decimal("1.65")), "mm").verdict
    unsure = judge(measured, zones(None, upper, "none", large, Decimal("1.65")), "mm").verdict
    assert unsure in ("undecided", sure)


@given(measured_parts(), st.randoms(use_true_random=False))
def test_a_record_does_not_depend_on_the_order_of_arrival(measured, shuffler):
    table, results = measured
    shuffled = list(results)
    shuffler.shuffle(shuffled)
    assert merge(PART, table, results) == merge(PART, table, shuffled)
    assert still_open(table, results, ()) == still_open(table, shuffled, ())


@given(measured_parts())
def test_a_conforming_part_has_good_capable_evidence_inside_all_limits(measured):
    table, results = measured
    record = merge(PART, table, results)
    mandatory = [finding for finding in record.findings if finding.need == "mandatory"]
    assert (sorting_of(record) == "conforming") == (
        bool(mandatory) and all(finding.verdict == "conforming" for finding in mandatory)
    )
    for finding in record.findings:
        evidence = finding.decided_by
        assert (evidence is None) == (finding.verdict in ("not measured", "station error"))
        if evidence is not None:
            assert (evidence.quality, evidence.unit) == ("good", "mm")
            assert evidence.expanded_u <= Decimal("0.004")
        if evidence is not None and finding.verdict == "conforming":
            assert evidence.value is not None
            assert finding.lower is None or Decimal(repr(evidence.value)) >= finding.lower
            assert finding.upper is None or Decimal(repr(evidence.value)) <= finding.upper


@given(measured_parts())
def test_no_value_of_a_covered_characteristic_is_lost_from_the_record(measured):
    table, results = measured
    record = merge(PART, table, results)
    kept = [
        evidence.result_id + finding.number
        for finding in record.findings
        for evidence in (
            *finding.monitored_by,
            *([finding.decided_by] if finding.decided_by else []),
        )
    ]
    assert sorted(kept) == sorted(
        result.result_id + value.number for result in results for value in result.values
    )


@given(plans(), program_sets(), st.data())
def test_asking_whoever_may_be_asked_ends_within_the_limit_and_leaves_no_chance_unused(
    part_type, programs, data
):
    table = PlanTable(part_type, programs, RULE)
    results: list[StationResult] = []
    tried: dict[str, int] = {}
    asked = 0
    while opened := still_open(table, results, tuple(tried.items())):
        name = data.draw(st.sampled_from(data.draw(st.sampled_from(opened)).programs))
        asked += 1
        if data.draw(st.integers(0, 5)):
            results.append(data.draw(runs_of(by_id(programs)[name], f"R{asked}")))
        else:
            tried[name] = tried.get(name, 0) + 1
        assert asked <= RUNS_WITHOUT_GOOD_VALUE_MAX * len(programs)
    runs = Counter(tried) + Counter(result.program for result in results)
    for finding in merge(PART, table, results).findings:
        if finding.need == "mandatory" and finding.verdict in ("not measured", "station error"):
            assert all(
                runs[program.program] == RUNS_WITHOUT_GOOD_VALUE_MAX
                for program in programs
                for coverage in program.covers
                if coverage.number == finding.number and coverage.expanded_u <= Decimal("0.004")
            )


@given(measured_parts())
def test_what_is_open_lacks_proof_and_whom_to_ask_could_give_it(measured):
    table, results = measured
    record = merge(PART, table, results)
    verdicts = {finding.number: finding.verdict for finding in record.findings}
    for each in still_open(table, results, ()):
        assert verdicts[each.number] in ("undecided", "not measured", "station error")
        for name in each.programs:
            assert each.number in table.abilities[name]

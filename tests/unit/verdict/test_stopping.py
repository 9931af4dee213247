"""A plan may end measuring with the first proven nonconformity: what ends it, and what the record then says."""

from decimal import Decimal

import pytest

from supervisor.cell.value import replace
from supervisor.verdict import PlanTable, exhausted, merge, sorting_of, still_open
from supervisor.verdict.amendment import Wanted, amended
from tests.unit.verdict import test_averaging as mean
from tests.unit.verdict import test_geometry as geometry
from tests.unit.verdict.test_merge import PART
from tests.unit.verdict.test_selection import (  # the same bore, flatness, chamfer and programs
    ACCURATE,
    BODY,
    BOTH,
    QUICK,
    RULE,
    bad,
    result,
)

ENDS = replace(BODY, measure="until_nonconforming")
BEYOND, NEAR, GOOD = 20.0300, 20.0209, 20.0105
"""A bore 20 H7 that is proven too large, one that may be, and a good one: the zones end at 20.021 +- 1.65 x 0.002 at the most."""


def until_nonconforming(table: PlanTable) -> PlanTable:
    return PlanTable(
        replace(table.part_type, measure="until_nonconforming"), table.programs, table.rule
    )


def left(table, *results):
    return [each.number for each in still_open(table, results, ())]


ENDING = PlanTable(ENDS, BOTH, RULE)
GOING_ON = PlanTable(BODY, BOTH, RULE)


def test_nothing_is_open_and_no_program_asked_for_once_a_characteristic_is_proven_nonconforming():
    wide = result(QUICK, "R1", n1=BEYOND)
    assert left(GOING_ON, wide) == ["2"]
    assert left(ENDING, wide) == []
    assert exhausted(ENDING, still_open(ENDING, [wide], ())) == ("accurate", "quick")


@pytest.mark.parametrize(
    "values",
    [
        {"n1": GOOD},
        {"n1": NEAR},  # in the uncertainty zone
        {"n1": bad("1")},
        {"n2": 0.100},  # by a program that is too uncertain for it
        {"n3": BEYOND},  # informative
    ],
)
def test_what_proves_nothing_ends_nothing(values):
    found = result(QUICK, "R1", **values)
    assert left(ENDING, found) == left(GOING_ON, found) != []


def test_a_better_value_of_the_same_characteristic_takes_the_proof_back():
    poor, better = result(QUICK, "R1", n1=BEYOND), result(ACCURATE, "R2", n1=GOOD)
    assert left(ENDING, poor, better) == left(GOING_ON, poor, better) == ["2"]


def test_half_of_a_mean_ends_nothing():
    table = until_nonconforming(mean.table_of("0.001", "0.001"))
    both = mean.results(21.0, 21.0)
    assert left(table, both[0]) == ["1"]
    assert left(table, *both) == []


def test_half_of_a_mean_ends_it_where_the_other_half_cannot_be_had_any_more():
    """The station whose value it lacks has had its two runs, with bad values or none: the one that is there decides, and proves."""
    table = mean.table_of("0.001", "0.001")
    other = replace(table.part_type.plan[0], number="2", average=None)
    (poor, quick) = table.programs
    also = replace(poor.covers[0], number="2")
    programs = (replace(poor, covers=(*poor.covers, also)), quick)
    part_type = replace(table.part_type, plan=(*table.part_type.plan, other))
    table = until_nonconforming(PlanTable(part_type, programs, table.rule))
    proof = mean.results(21.0, 21.0)[0]
    used_up = ((poor.program, 1),)
    twice = ((poor.program, 2), ("none", 0))
    assert [each.number for each in still_open(table, [proof], used_up)] == ["1", "2"]
    assert still_open(table, [proof], twice) == ()
    record = merge(PART, table, [proof], twice)
    assert record.verdict == "nonconforming"
    assert record.findings[1].why.endswith("the plan ends there")


def test_a_position_whose_bonus_is_not_known_yet_ends_nothing():
    table = until_nonconforming(geometry.TABLE)
    assert left(table, geometry.AT_24_32) == left(geometry.TABLE, geometry.AT_24_32) == ["2"]


def test_the_record_says_of_each_characteristic_why_it_has_no_value():
    record = merge(PART, ENDING, [result(QUICK, "R1", n1=BEYOND, n3=GOOD)])
    bore, flatness, chamfer = record.findings
    assert (record.verdict, sorting_of(record)) == ("nonconforming", "nonconforming")
    assert (bore.verdict, flatness.verdict, flatness.decided_by) == (
        "nonconforming", "not measured", None,
    )  # fmt: skip
    assert flatness.why == (
        "no station has given a value; nothing more was measured for it, as 1, bore, was nonconforming and the plan ends there"
    )
    assert chamfer.verdict == "conforming"
    assert "nothing more" not in bore.why + chamfer.why


def test_a_value_that_was_to_be_measured_better_is_not_either():
    table = PlanTable(
        replace(ENDS, plan=(ENDS.plan[0], replace(ENDS.plan[1], required_u=Decimal("0.010")))),
        BOTH,
        RULE,
    )
    near = result(QUICK, "R1", n1=BEYOND, n2=0.0100)
    assert left(table, near) == []
    flatness = merge(PART, table, [near]).findings[1]
    assert flatness.verdict == "undecided"
    assert flatness.why.endswith("the plan ends there")


def test_if_the_value_that_ended_it_is_withdrawn_the_part_is_held_and_never_good():
    record = merge(PART, ENDING, [result(QUICK, "R1", n1=BEYOND)])
    wanted = Wanted(batch=None, produced=None, withdrawn=("1",), why="chip in the bore")
    later, _ = amended(record, wanted)
    assert (later.verdict, sorting_of(later)) == ("not measured", "hold")

"""The bench of routing in a short form, and whether its judges can say no.

Rules of this file: budgets are in steps and all figures but decision times are the same on every machine, so they are asserted.
"""

from dataclasses import replace
from itertools import product

import pytest

from tests.bench.routing.__main__ import Row, checked
from tests.bench.routing.bounds import BOTH, assignment_bound_ms, minimal_covers
from tests.bench.routing.cells import drawn, slow, without_homes
from tests.bench.routing.checker import broken_rules
from tests.bench.routing.keeping import Kept
from tests.bench.routing.limits import limits
from tests.bench.routing.open_shops import OPTIMA, instances, times
from tests.bench.routing.oracle import open_shop_optimum
from tests.bench.routing.plain_rules import LongestRemaining, ShortestQueue
from tests.bench.routing.planned import planned_ms
from tests.bench.routing.recorded import run
from tests.unit.routing.first_come import FirstCome

PLANNED_STEPS = (300_000, 300_000, 300_000, 1_000_000)
"""For each of the first open shops a number of steps that is enough, found by trying."""
SEEDS = (1000, 1001, 1002)


@pytest.fixture(scope="module")
def cases():
    return [drawn(seed) for seed in SEEDS]


@pytest.fixture(scope="module")
def log(cases):
    return run(cases[0].with_steps(100))


@pytest.fixture(scope="module")
def makespans(cases):
    return {
        "first come": [checked(run(case, FirstCome)).makespan_ms for case in cases],
        "rule": [checked(run(case)).makespan_ms for case in cases],
        "ahead": [checked(run(case.with_steps(700))).makespan_ms for case in cases],
    }


def test_look_ahead_is_quicker_than_the_rule_and_the_rule_than_first_come(makespans):
    assert sum(makespans["ahead"]) < sum(makespans["rule"]) < sum(makespans["first come"])


def test_no_run_is_quicker_than_the_assignment_bound_and_look_ahead_is_within_a_tenth(
    cases, makespans
):
    bounds = [assignment_bound_ms(case) for case in cases]
    for name, at in product(makespans, range(len(cases))):
        assert bounds[at] <= makespans[name][at]
    assert all(m <= 1.1 * b for m, b in zip(makespans["ahead"], bounds, strict=True))


def test_the_bound_by_both_is_at_least_that_of_the_stations_and_of_the_handler(cases):
    for case in cases:
        both, stations, handler = (
            assignment_bound_ms(case, limits) for limits in (BOTH, ("stations",), ("handler",))
        )
        assert 0 < stations <= both
        assert 0 < handler <= both


def test_in_a_slow_cell_the_stations_limit():
    case = slow(1000, stations=4, pallets=8)
    assert assignment_bound_ms(case, ("stations",)) > 2 * assignment_bound_ms(case, ("handler",))


@pytest.mark.parametrize("rule", [ShortestQueue, LongestRemaining])
def test_other_plain_rules_bring_everybody_out_and_are_slower_than_the_engine(
    cases, makespans, rule
):
    ended = [checked(run(case, rule)).makespan_ms for case in cases]
    assert ended != makespans["first come"]
    assert sum(ended) > sum(makespans["rule"])


def test_the_same_cell_runs_the_same_way_twice(cases, log):
    again = run(cases[0].with_steps(100))
    assert (again.stops, again.runs) == (log.stops, log.runs)


# --- the judges can say no ------------------------------------------------------------------------------------------------------


def test_a_schedule_that_happened_breaks_no_rule(log):
    assert broken_rules(log) == []


def tampered(log, **changes):
    return replace(log, **changes)


def test_a_stop_that_begins_too_soon_is_found(log):
    at = len(log.stops) // 2
    early = replace(
        log.stops[at], begin_ms=log.stops[at].begin_ms - 1, end_ms=log.stops[at].end_ms - 1
    )
    broken = broken_rules(tampered(log, stops=[*log.stops[:at], early, *log.stops[at + 1 :]]))
    assert broken


def test_a_run_that_was_left_out_is_found(log):
    assert any("nothing decided" in rule for rule in broken_rules(tampered(log, runs=log.runs[1:])))


def test_a_pallet_that_is_taken_out_of_its_run_is_found(log):
    late = replace(log.runs[0], start_ms=log.runs[0].start_ms + 1_000_000)
    assert any(
        "in the nest" in rule for rule in broken_rules(tampered(log, runs=[late, *log.runs[1:]]))
    )


def test_a_pallet_that_never_leaves_is_found(log):
    assert any(
        "brought out 0 times" in rule for rule in broken_rules(tampered(log, stops=log.stops[:-1]))
    )


def test_without_homes_nobody_is_quicker_than_the_bound_and_who_goes_back_is_found(cases):
    fed = without_homes(cases[0])
    log = checked(run(fed))
    assert assignment_bound_ms(cases[0]) == assignment_bound_ms(fed) <= log.makespan_ms
    assert {place.kind for place in fed.cell.places} == {"infeed", "outfeed"}
    came_from = next(stop for stop in log.stops if stop.place.startswith("rack-"))
    at = next(n for n, stop in enumerate(log.stops) if stop.left == came_from.taken)
    log.stops[at] = replace(log.stops[at], place=came_from.place)
    assert any("takes nobody back" in rule for rule in broken_rules(log))


def test_beside_an_infeed_each_pallet_has_one_rack_place_and_who_takes_another_is_found():
    log = checked(run(without_homes(drawn(1006), racks=3)))
    at, brought = next(
        (at, stop)
        for at, stop in enumerate(log.stops)
        if stop.left and stop.place.startswith("spare-")
    )
    other = next(place for place in ("spare-000", "spare-001") if place != brought.place)
    again = replace(brought, place=other)
    broken = broken_rules(tampered(log, stops=[*log.stops[: at + 1], again, *log.stops[at + 1 :]]))
    assert any("not its home place" in rule for rule in broken)


def test_two_pallets_in_one_nest_are_found(log):
    at = next(at for at, stop in enumerate(log.stops) if stop.taken and stop.left)
    alone = replace(log.stops[at], taken="")
    broken = broken_rules(tampered(log, stops=[*log.stops[:at], alone, *log.stops[at + 1 :]]))
    assert any("stands there" in rule for rule in broken)


def test_a_minimal_cover_decides_all_and_can_do_without_nothing(cases):
    for case in cases:
        for part in case.cell.part_types:
            covers = minimal_covers(case.cell, part.part_type)
            assert covers
            for one, other in product(covers, covers):
                assert one is other or not set(one) < set(other)


# --- open shops -----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", sorted(OPTIMA))
def test_no_job_and_no_machine_of_a_regenerated_open_shop_has_more_work_than_its_published_optimum(
    size,
):
    for instance, optimum in enumerate(OPTIMA[size]):
        shop = times(size, instance)
        jobs = [sum(row) for row in shop]
        machines = [sum(column) for column in zip(*shop, strict=True)]
        assert max(*jobs, *machines) <= optimum
        assert max(*jobs, *machines) >= 0.75 * optimum


def test_open_shops_end_near_their_published_optimum_and_never_before_it():
    for case, optimum in list(instances(4))[:3]:
        makespan_ms = checked(run(case.with_steps(400))).makespan_ms
        assert 1000 * optimum <= makespan_ms <= 1150 * optimum


@pytest.mark.parametrize("instance", range(4))
def test_a_plan_of_a_few_seconds_finds_the_published_optimum_which_cp_sat_proves(instance):
    case, optimum = list(instances(4))[instance]
    assert open_shop_optimum(times(4, instance)) == (optimum, optimum)
    assert planned_ms(case, PLANNED_STEPS[instance]) == 1000 * optimum


def test_figures_that_were_kept_are_not_worked_out_again(tmp_path):
    kept = tmp_path / "kept.jsonl"
    assert Kept(kept).of("one", lambda: {"makespan_ms": 1}) == {"makespan_ms": 1}
    assert Kept(kept).of("one", lambda: {"makespan_ms": 2}) == {"makespan_ms": 1}
    assert Kept(None).of("one", lambda: {"makespan_ms": 2}) == {"makespan_ms": 2}


def test_a_row_without_a_bound_still_prints():
    assert str(Row("any", (1.0, 1.1), (), ())).count("|") == 7


def test_what_the_handler_did_in_a_run_adds_up_to_the_whole(log):
    found = limits(log)
    assert found.hands + found.travel + found.stands + found.free == pytest.approx(1)
    assert min(found.hands, found.travel, found.stands, found.free) >= 0
    assert sum(stop.end_ms - stop.begin_ms for stop in log.stops) == pytest.approx(
        found.hands * log.makespan_ms
    )
    assert 0 < found.all_measure <= found.measures < 1

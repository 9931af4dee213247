"""The studies of exchanges and of plans in a short form, and whether their judges can say no.

Rules of this file: what is drawn depends on the cell alone, so the figures are the same on every machine; HiGHS may be cut short, its bound holds all the same.
"""

from dataclasses import replace
from statistics import mean

import pytest

from supervisor.routing.chains import matched
from supervisor.routing.rehearsal import AHEAD_PERCENT, Course, Rehearsal
from supervisor.routing.router import Router
from supervisor.routing.sequence import Sequence
from tests.bench.routing.bounds import busiest_ms, planned_loads_ms
from tests.bench.routing.cells import at_no_time, slow, without_homes
from tests.bench.routing.exchange_checker import broken_rules, shares
from tests.bench.routing.exchanges import Setting, played, rows
from tests.bench.routing.exchanges import _Choice as Choice
from tests.bench.routing.exchanges import _Exchange as Exchange
from tests.bench.routing.exchanges import _Played as Played
from tests.bench.routing.exchanges import _Worth as Worth
from tests.bench.routing.keeping import Kept
from tests.bench.routing.planned import most_planned_ms, plans
from tests.unit.routing.step_simulator import Simulation

CASES = [without_homes(at_no_time(slow(seed, stations=6, pallets=30))) for seed in range(4)]


@pytest.fixture(scope="module")
def plain():
    return [played(case, Setting(tries=0)) for case in CASES]


def end_ms(runs):
    return max(run.end_ms for run in runs)


def kind_of(floor, part_type):
    return next(kind for kind in floor.outside if kind[0] == part_type)


def mean_ratio(found, others):
    return mean(end_ms(one) / end_ms(other) for one, other in zip(found, others, strict=True))


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_a_play_comes_to_the_same_as_the_play_of_the_production(case):
    """The study plays on by code of its own; without a handler, and from an exchange of newcomers, both leave the same unused."""
    simulation = Simulation(case.cell, Router(case.cell), case.part_types)
    simulation.advance(0)
    picture = Router(case.cell).picture(simulation.situation())
    first_of = {view.part_type: view for view in reversed(picture.situation.pallets)}
    alike = [first_of[part_type] for part_type, _ in Played(case, Setting())._floor.outside]
    outside = {view.pallet: {at: g for at, (g, _) in picture.ways(view).items()} for view in alike}
    nests = list(picture.seats)
    rehearsal = Rehearsal(picture, {}, outside, nests)
    cell = Played(case, Setting())._cell
    by, draws, run_ms = picture.prices, Sequence(), cell.tables.run_ms
    worth = Worth(cell, by, Setting())
    choice = Choice(worth, draws, run_ms, ((1, AHEAD_PERCENT),))
    ratios = []
    for count in range(1, len(nests) + 1):
        fetched = matched({}, outside, nests[:count])
        left = rehearsal._played(Course(fetched, []))[1]
        study = Played(case, Setting())._floor
        new = tuple(
            (kind_of(study, picture.pallets[who].part_type), at)
            for at, (_, who) in fetched.fetched.items()
            if who
        )
        ratios.append((left, choice._unused(study, 0, Exchange((), new), float("inf"))))
    assert len({round(left) for left, _ in ratios}) > 2
    assert [left for left, _ in ratios] == pytest.approx([own for _, own in ratios])


def test_everybody_is_decided_and_nobody_ends_before_the_linear_programme(plain):
    for case, runs in zip(CASES, plain, strict=True):
        assert not broken_rules(case, runs)
        assert end_ms(runs) >= busiest_ms(case, "split").least_ms


def test_exchanges_that_are_tried_make_it_quicker_on_average_and_those_within_plays_differ(plain):
    tried = [played(case, Setting(tries=10)) for case in CASES]
    within = played(CASES[0], Setting(tries=10, within=2))
    assert mean_ratio(tried, plain) < 0.98
    assert not any(broken_rules(case, runs) for case, runs in zip(CASES, tried, strict=True))
    assert not broken_rules(CASES[0], within)
    assert within != tried[0]


@pytest.mark.parametrize(
    "setting",
    [
        Setting(tries=4, ahead_percent=250),
        Setting(tries=4, stands_percent=200),
        Setting(tries=4, loss_percent=100),
        Setting(tries=4, power=3),
    ],
)
def test_each_setting_changes_what_is_chosen_and_breaks_nothing(setting):
    runs = played(CASES[1], setting)
    assert not broken_rules(CASES[1], runs)
    assert runs != played(CASES[1], Setting(tries=4))
    assert runs == played(CASES[1], setting)


def test_stations_measure_hold_who_is_ready_or_are_empty(plain):
    for case, runs in zip(CASES, plain, strict=True):
        blocked, empty = shares(case, runs)
        ran = sum(run.end_ms - run.start_ms for run in runs)
        assert 0 < blocked < 1
        assert 0 < empty < 1
        assert ran == pytest.approx((1 - blocked - empty) * end_ms(runs) * len(case.cell.stations))


# --- the judges can say no ------------------------------------------------------------------------------------------------------


def changed(runs, at, **what):
    return [*runs[:at], replace(runs[at], **what), *runs[at + 1 :]]


def test_a_pallet_that_is_left_over_is_found(plain):
    last = [run for run in plain[0] if run.pallet != 7]
    assert broken_rules(CASES[0], last)[0].startswith("pallet 7: nothing decided")
    assert any("nothing decided" in rule for rule in broken_rules(CASES[0], plain[0][:-1]))


def test_two_pallets_in_one_nest_are_found(plain):
    first = plain[0][0]
    at = next(n for n, run in enumerate(plain[0]) if n and run.station == first.station)
    early = first.end_ms - 1
    run_ms = plain[0][at].end_ms - plain[0][at].start_ms
    broken = broken_rules(CASES[0], changed(plain[0], at, start_ms=early, end_ms=early + run_ms))
    assert any("both in the nest" in rule for rule in broken)


def test_a_pallet_that_stands_in_a_nest_while_another_comes_is_found(plain):
    """Its next run begins one ms later, so it leaves its nest that much later, when the one that takes its place is there already."""
    starts = {(run.station, run.start_ms) for run in plain[0]}
    at, run = next(
        (n, run)
        for n, run in enumerate(plain[0])
        if any(
            before.pallet == run.pallet and (before.station, run.start_ms) in starts
            for before in plain[0][:n]
        )
    )
    late = changed(plain[0], at, start_ms=run.start_ms + 1, end_ms=run.end_ms + 1)
    assert any("both in the nest" in rule for rule in broken_rules(CASES[0], late))


def test_a_run_of_another_length_or_at_another_station_is_found(plain):
    run = plain[0][0]
    longer = broken_rules(CASES[0], changed(plain[0], 0, end_ms=run.end_ms + 1))
    assert any("too short or too long" in rule for rule in longer)
    other = next(s.station for s in CASES[0].cell.stations if s.station != run.station)
    elsewhere = broken_rules(CASES[0], changed(plain[0], 0, station=other))
    assert any("does not run" in rule for rule in elsewhere)


# --- plans ----------------------------------------------------------------------------------------------------------------------


def test_no_plan_is_below_the_bound_of_the_solver_and_more_tries_come_nearer():
    case = slow(2, stations=8, pallets=80)
    split, whole = busiest_ms(case, "split"), busiest_ms(case, "whole", 2)
    first, later = most_planned_ms(case, 1), most_planned_ms(case, 20)
    assert split.least_ms <= whole.least_ms * (1 + 1e-6) <= whole.found_ms * (1 + 2e-6)
    assert whole.least_ms <= later < first
    assert later <= 1.03 * split.least_ms


def test_a_plan_that_leaves_something_open_is_not_counted():
    case = slow(2, stations=8, pallets=80)
    with pytest.raises(AssertionError):
        planned_loads_ms(case, [(case.part_types[0], ())])


def test_the_rows_of_exchanges_tell_each_setting_once_and_are_kept(tmp_path):
    settings, file = [Setting(tries=0), Setting(tries=1)], tmp_path / "kept.jsonl"
    table = list(rows(settings, [0, 1], 12, Kept(file)))
    assert table == list(rows(settings, [0, 1], 12, Kept(file)))
    assert [line.split(" | ")[0] for line in table[2:]] == ["| 0", "| 1"]
    assert len(file.read_text().splitlines()) == 4


def test_the_rows_of_plans_are_above_the_linear_programme():
    _, _, row = plans([0], (1, 600), 3, Kept(None))
    first, later, found, least = map(float, row.strip("| ").split(" | ")[1:])
    assert 1 <= least <= min(first, later, found)
    assert later < first

"""Who changes places with whom: matching against SciPy, prices against the least that a linear programme finds, chains and rings by hand."""

import random
import re

import numpy as np
import pytest
from scipy.optimize import linear_sum_assignment

from supervisor.cell.value import replace
from supervisor.routing.chains import Mover, firsts, matched
from supervisor.routing.exchange import exchange
from supervisor.routing.matching import NOT_AT_ALL, assigned
from supervisor.routing.onward import NOWHERE
from supervisor.routing.router import Router
from supervisor.routing.scarcity import priced, prices, ways
from supervisor.routing.situation import Carry, Stay
from tests.bench.routing.cells import slow, without_homes
from tests.bench.routing.checker import broken_rules
from tests.bench.routing.recorded import run
from tests.unit.routing.first_come import FirstCome
from tests.unit.routing.test_balance import least_ms, outlooks_of

STATIONS = 16
HOUR_MS = 3_600_000


@pytest.mark.parametrize("seed", range(60))
def test_the_matching_gains_as_much_as_that_of_scipy(seed):
    rng = random.Random(seed)
    rows = rng.randint(1, 9)
    columns = rng.randint(rows, 12)
    gains = [
        [
            0.0 if row == column else rng.choice([rng.uniform(-5, 5), NOT_AT_ALL])
            for column in range(columns)
        ]
        for row in range(rows)
    ]
    found = assigned(gains)
    assert len(set(found)) == rows
    expected = linear_sum_assignment(np.array(gains), maximize=True)
    assert sum(gains[row][at] for row, at in enumerate(found)) == pytest.approx(
        np.array(gains)[expected].sum(), abs=1e-3
    )


def test_nobody_gets_nothing():
    assert assigned([]) == []


WHOLE = STATIONS + 1
"""The stations and the handler."""


@pytest.mark.parametrize("seed", range(2000, 2003))
def test_prices_come_near_to_what_the_best_spread_of_the_work_takes(seed):
    """By linear duality no spread loads the busiest station less than the cheapest covers of all pallets cost, at any prices that sum up to 1.

    The handler counts as one station more, and its work are the visits.
    """
    outlooks = outlooks_of(seed)
    by = prices((each.covers for each in outlooks.values()), [0] * WHOLE)
    cheapest = sum(min(priced(cover, by) for cover in each.covers) for each in outlooks.values())
    whole = {
        pallet: tuple(replace(c, work_ms=(*c.work_ms, c.hands_ms)) for c in each.covers)
        for pallet, each in outlooks.items()
    }
    least = least_ms(whole, WHOLE)
    assert 0.8 * least < cheapest / sum(by) <= least


@pytest.mark.parametrize("busy", [0, STATIONS])
def test_who_has_much_to_do_already_is_dear_station_or_handler(busy):
    outlooks = outlooks_of(2000)
    choices = [each.covers for each in outlooks.values()]
    before = prices(choices, [0] * WHOLE)
    after = prices(choices, [100 * HOUR_MS * (at == busy) for at in range(WHOLE)])
    assert after[busy] / after[1] > 2 * before[busy] / before[1]


def test_where_the_handler_is_dear_fewer_visits_are_cheaper():
    covers = next(iter(outlooks_of(2000).values())).covers
    dear = (*(0.01,) * STATIONS, 1.0)
    cheapest = min(covers, key=lambda cover: priced(cover, dear))
    assert cheapest.hands_ms == min(cover.hands_ms for cover in covers)
    assert len({cover.hands_ms for cover in covers}) > 1


def test_a_detour_that_costs_more_than_an_idle_nest_is_no_gain():
    covers = next(iter(outlooks_of(2000).values())).covers
    by = (1.0,) * WHOLE
    found = ways(covers, by, 1)
    (least, *_) = sorted(priced(cover, by) for cover in covers)
    for station, (gain, cover) in found.items():
        assert cover.next_at(station)
        assert gain == 1 - (priced(cover, by) - least)
    assert max(gain for gain, _ in found.values()) == 1


def test_a_detour_is_judged_by_what_is_left_where_the_best_station_is_left_out():
    covers = next(iter(outlooks_of(2000).values())).covers
    by = (1.0,) * WHOLE
    before = ways(covers, by, 1)
    best = {station for station, (gain, _) in before.items() if gain == 1}
    after = ways(covers, by, 1, best)
    assert after.keys() == before.keys() - best
    assert max(gain for gain, _ in after.values()) == 1


def test_a_pallet_is_not_kept_for_a_nest_that_only_a_person_clears(crowded):
    """A stranger in a nest, or a pallet that nothing can be done with: whoever would go there goes elsewhere."""
    _, router, _ = crowded
    seen = 0
    for situation, _ in router.told[::6]:
        picture = router.picture(situation)
        for view in situation.pallets:
            covers = picture.outlooks[view.pallet].covers
            if view.place not in picture.seat_at or view.home or not covers:
                continue
            at = max(picture.ways(view), key=lambda at: picture.ways(view)[at][0], default=None)
            nest = "" if at is None else picture.tables.stations[at]
            stations = tuple(
                replace(each, occupant="a stranger") if each.station == nest else each
                for each in situation.stations
            )
            other = router.picture(replace(situation, stations=stations))
            if at is not None and other.prices and len({*picture.ways(view)}) > 1:
                seen += 1
                assert at not in other.ways(view)
                assert other.ways(view)
    assert seen


@pytest.mark.parametrize(
    ("movers", "outside", "nests", "first"),
    [
        pytest.param({}, {"new": {0: 5.0}}, [0], {"new": 0}, id="fetched for an empty nest"),
        pytest.param(
            {"a": (0, {1: 5.0}), "b": (1, {2: 5.0})},
            {"new": {0: 5.0}},
            [0, 1, 2],
            {"new": 0},
            id="a chain begins with who comes from outside",
        ),
        pytest.param(
            {"a": (0, {1: 5.0}), "b": (1, {2: 5.0})},
            {},
            [0, 1, 2],
            {"a": 1},
            id="a chain begins with who leaves an empty nest",
        ),
        pytest.param(
            {"a": (0, {1: 5.0}), "b": (1, {0: 5.0})},
            {"new": {0: 1.0}},
            [0, 1],
            {"a": 1, "b": 0},
            id="a ring begins anywhere",
        ),
        pytest.param(
            {"a": (0, {1: 5.0}), "b": (1, {})},
            {"new": {0: 9.0}},
            [0, 1],
            {},
            id="nobody is brought to who cannot go on",
        ),
        pytest.param(
            {"a": (0, {2: 5.0}), "b": (1, {2: 4.0, 0: 4.0})},
            {},
            [0, 1, 2],
            {"b": 0},
            id="both go on instead of the one that gains more alone",
        ),
        pytest.param(
            {"held": (NOWHERE, {1: -3.0}), "b": (1, {2: 5.0})},
            {"new": {2: 9.0}},
            [1, 2],
            {"held": 1},
            id="who is in hand goes in any case",
        ),
        pytest.param(
            {"a": (0, {1: 2.0})},
            {"new": {1: 5.0}},
            [0, 1],
            {"new": 1},
            id="who gains more goes first, from nest or from outside",
        ),
    ],
)
def test_who_goes_where_first(movers, outside, nests, first):
    movers = {who: Mover(*mover) for who, mover in movers.items()}
    assert firsts(matched(movers, outside, nests), movers) == first


class Asked(Router):
    """Keeps the answers that it gave to an empty hand, each with the question."""

    def __init__(self, cell):
        super().__init__(cell)
        self.told = []

    def choose(self, situation):
        answer = super().choose(situation)
        if not situation.hand:
            self.told.append((situation, answer))
        return answer


@pytest.fixture(scope="module")
def crowded():
    """A run in which pallets without homes change places, the router that decided it, and the case."""
    case = without_homes(slow(5, stations=8, pallets=24)).with_steps(0)
    routers = []

    def asked(cell):
        routers.append(Asked(cell))
        return routers[-1]

    return run(case, asked), routers[0], case


def test_without_homes_many_stations_are_kept_busier_than_by_first_come(crowded):
    log, _, case = crowded
    plain = run(case, FirstCome)
    assert broken_rules(log) == []
    assert log.makespan_ms < plain.makespan_ms


def test_what_is_put_off_for_a_better_move_is_told_with_what_it_would_cost(crowded):
    _, router, _ = crowded
    put_off = [
        (answer, other)
        for _, answer in router.told
        for other in answer.alternatives
        if other.why_lost.startswith("it is possible, and better for all together is ")
    ]
    assert all(other.cost_ms is not None for _, other in put_off)
    carries = [answer.why for answer, _ in put_off if isinstance(answer, Carry) and answer.program]
    stays = [answer.why for answer, _ in put_off if isinstance(answer, Stay)]
    assert carries
    assert all(
        why.endswith("; of what is possible that is best for all together") for why in carries
    )
    assert stays
    assert all(why.startswith("nothing is carried now, because better for all") for why in stays)


def test_while_all_is_put_off_nobody_asks_again_for_the_sake_of_others_within_a_second(crowded):
    _, router, _ = crowded
    waits_ms = [
        answer.until_ms - situation.now_ms
        for situation, answer in router.told
        if isinstance(answer, Stay)
        and answer.why.startswith("nothing is carried now")
        # who goes next does so later than that: "in 0.4 s" is sooner
        and not re.search(r"in (0\.\d|1\.0) s at the earliest$", answer.why)
    ]
    assert waits_ms
    assert min(waits_ms) >= 1000


def test_every_pallet_that_waits_outside_has_a_reason(crowded):
    _, router, _ = crowded
    for situation, answer in router.told:
        told = {other.what.split(" to ")[0] for other in answer.alternatives}
        outside = {view.pallet for view in situation.pallets if view.place.startswith("rack")}
        assert outside <= told | {getattr(answer, "pallet", "")}


def test_a_pallet_that_is_shut_in_keeps_nobody_from_where_it_would_go(crowded):
    """Where a station has failed with its door shut, its occupant goes nowhere, so others may have the nest."""
    _, router, _ = crowded
    seen = 0
    for situation, _ in router.told:
        places = {view.pallet: view.place for view in situation.pallets}
        first = exchange(router.picture(situation)).first
        for pallet in first:
            stations = tuple(
                replace(view, unusable="fault") if view.station == places[pallet] else view
                for view in situation.stations
            )
            if stations != situation.stations:
                seen += 1
                other = router.picture(replace(situation, stations=stations))
                assert pallet not in exchange(other).first
    assert seen

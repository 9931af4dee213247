"""When a nest is clear where pallets have no home."""

import random

import pytest

from supervisor.routing.onward import NEVER_MS, NOWHERE, WaysOn


def at_once(ends_ms, leaves_ms, nexts):
    """Where a swap and the way to the next nest take no time."""
    return WaysOn(ends_ms, leaves_ms, nexts, [[0] * 4] * 4)


def test_a_chain_is_clear_when_the_last_of_it_may_leave():
    ways = at_once({3: 0}, {0: 10, 1: 70, 2: 40}, {0: (1,), 1: (2,), 2: (3,)})
    assert [ways.clear_ms(at) for at in (3, 2, 1, 0)] == [0, 40, 70, 70]


def test_of_two_ways_on_the_one_counts_that_is_clear_first():
    ways = at_once({2: 90, 3: 20}, {0: 10}, {0: (2, 3)})
    assert ways.clear_ms(0) == 20


def test_a_ring_is_clear_for_the_pallet_that_leaves_one_of_its_nests_and_for_no_other():
    ways = at_once({}, {0: 10, 1: 70, 2: 40}, {0: (1,), 1: (2,), 2: (0,)})
    assert ways.clear_ms(1) == NEVER_MS
    assert ways.clear_ms(1, left=0) == 70
    assert ways.clear_ms(0, left=2) == 70


def test_who_goes_on_to_nobodys_nest_is_never_clear():
    ways = at_once({}, {0: 10}, {0: (1,)})
    assert ways.clear_ms(0) == NEVER_MS
    assert ways.clear_ms(1, left=0) == NEVER_MS


def test_a_ring_lets_one_in_from_outside_if_the_handler_holds_who_is_left_over():
    ring = at_once({}, {1: 10, 2: 20}, {1: (2,), 2: (1,)})
    assert ring.clear_ms(1) == NEVER_MS
    assert ring.goes_on(1)
    assert ring.goes_on(2)


def test_who_only_goes_on_to_where_nobody_can_leave_does_not_go_on():
    shut = at_once({}, {1: 10}, {1: (2,)})
    assert not shut.goes_on(1)
    assert at_once({2: 5}, {1: 10}, {1: (2,)}).goes_on(1)


def test_a_nest_is_clear_as_soon_as_the_next_one_will_be_when_the_handler_is_there():
    """Swaps and ways of 15 and 25 ms: the first begins 40 ms before the last of the chain may leave."""
    between_ms = [[0, 15, 0, 0], [0, 0, 25, 0], [0, 0, 0, 5], [0, 0, 0, 0]]
    ways = WaysOn({3: 0}, {0: 10, 1: 20, 2: 100}, {0: (1,), 1: (2,), 2: (3,)}, between_ms)
    assert [ways.clear_ms(at) for at in (2, 1, 0)] == [100, 75, 60]


def test_nobody_begins_before_it_may_leave_however_long_the_way():
    ways = WaysOn({1: 30}, {0: 10}, {0: (1,)}, [[1000] * 2] * 2)
    assert ways.clear_ms(0) == 10


def test_two_that_could_go_on_to_each_other_are_no_sooner_clear_for_it():
    """Only the way out counts: going round between nests 0 and 1 would seem to gain time with every round."""
    ways = WaysOn({2: 1000}, {0: 0, 1: 0}, {0: (1,), 1: (0, 2)}, [[100] * 3] * 3)
    assert ways.clear_ms(1) == 900
    assert ways.clear_ms(0) == 800


@pytest.mark.parametrize("seed", range(300))
def test_a_chain_begins_no_earlier_than_the_best_that_passes_each_nest_once(seed):
    """Against all chains one by one; and the order in which stations are told changes nothing."""
    rng = random.Random(seed)
    stations = list(range(rng.randint(2, 6)))
    between_ms = [[rng.randint(4, 40) for _ in stations] for _ in stations]
    ends = rng.sample(stations, rng.randint(0, 2))
    ends_ms = {at: rng.choice([0, rng.randint(0, 100)]) for at in ends}
    left = rng.choice([NOWHERE, *stations])
    nexts, leaves_ms = {}, {}
    for at in stations:
        if at not in ends:
            others = [other for other in stations if other != at]
            nexts[at] = tuple(rng.sample(others, rng.randint(1, len(others))))
            leaves_ms[at] = rng.choice([0, rng.randint(0, 200)])

    def best_ms(at, passed=()):
        if at == left or at in ends_ms:
            return 0 if at == left else ends_ms[at]
        onward = [other for other in nexts[at] if other not in (*passed, at)]
        there_ms = [best_ms(other, (*passed, at)) - between_ms[at][other] for other in onward]
        last_ms = min(there_ms, default=NEVER_MS)
        return NEVER_MS if last_ms > NEVER_MS // 2 else max(leaves_ms[at], last_ms)

    ways = WaysOn(ends_ms, leaves_ms, nexts, between_ms)
    otherwise = WaysOn(ends_ms, leaves_ms, dict(reversed(nexts.items())), between_ms)
    for at in stations:
        if at == left:
            continue
        found_ms, least_ms = ways.clear_ms(at, left), best_ms(at)
        assert found_ms == otherwise.clear_ms(at, left)
        assert (found_ms == NEVER_MS) == (least_ms == NEVER_MS)
        assert found_ms >= least_ms

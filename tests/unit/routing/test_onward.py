"""When a nest is clear where pallets have no home."""

from supervisor.routing.onward import NEVER_MS, WaysOn


def at_once(ends_ms, leaves_ms, nexts):
    """Where a swap and the way to the next nest take no time."""
    return WaysOn(ends_ms, leaves_ms, nexts, lambda *_: 0)


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
    ways_ms = {(0, 1): 15, (1, 2): 25, (2, 3): 5}
    ways = WaysOn(
        {3: 0}, {0: 10, 1: 20, 2: 100}, {0: (1,), 1: (2,), 2: (3,)}, lambda *way: ways_ms[way]
    )
    assert [ways.clear_ms(at) for at in (2, 1, 0)] == [100, 75, 60]


def test_nobody_begins_before_it_may_leave_however_long_the_way():
    ways = WaysOn({1: 30}, {0: 10}, {0: (1,)}, lambda *_: 1000)
    assert ways.clear_ms(0) == 10


def test_two_that_could_go_on_to_each_other_are_no_sooner_clear_for_it():
    """Only the way out counts: going round between nests 0 and 1 would seem to gain time with every round."""
    ways = WaysOn({2: 1000}, {0: 0, 1: 0}, {0: (1,), 1: (0, 2)}, lambda *_: 100)
    assert ways.clear_ms(1) == 900
    assert ways.clear_ms(0) == 800

"""When a nest is clear where pallets have no home."""

from supervisor.routing.onward import NEVER_MS, WaysOn


def test_a_chain_is_clear_when_the_last_of_it_may_leave():
    ways = WaysOn({3: 0}, {0: 10, 1: 70, 2: 40}, {0: (1,), 1: (2,), 2: (3,)})
    assert [ways.clear_ms(at) for at in (3, 2, 1, 0)] == [0, 40, 70, 70]


def test_of_two_ways_on_the_one_counts_that_is_clear_first():
    ways = WaysOn({2: 90, 3: 20}, {0: 10}, {0: (2, 3)})
    assert ways.clear_ms(0) == 20


def test_a_ring_is_clear_for_the_pallet_that_leaves_one_of_its_nests_and_for_no_other():
    ways = WaysOn({}, {0: 10, 1: 70, 2: 40}, {0: (1,), 1: (2,), 2: (0,)})
    assert ways.clear_ms(1) == NEVER_MS
    assert ways.clear_ms(1, left=0) == 70
    assert ways.clear_ms(0, left=2) == 70


def test_who_goes_on_to_nobodys_nest_is_never_clear():
    ways = WaysOn({}, {0: 10}, {0: (1,)})
    assert ways.clear_ms(0) == NEVER_MS
    assert ways.clear_ms(1, left=0) == NEVER_MS


def test_a_ring_lets_one_in_from_outside_if_the_handler_holds_who_is_left_over():
    ring = WaysOn({}, {1: 10, 2: 20}, {1: (2,), 2: (1,)})
    assert ring.clear_ms(1) == NEVER_MS
    assert ring.goes_on(1)
    assert ring.goes_on(2)


def test_who_only_goes_on_to_where_nobody_can_leave_does_not_go_on():
    shut = WaysOn({}, {1: 10}, {1: (2,)})
    assert not shut.goes_on(1)
    assert WaysOn({2: 5}, {1: 10}, {1: (2,)}).goes_on(1)

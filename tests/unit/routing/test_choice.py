"""What the handler does next, one situation at a time.

The cell of these tests: handler at 1 m/s, picking and putting 4 s each, swapping 6 s; stations scan-1 at 3 m, touch-1 at 6 m, ct-1 at
9 m; rack-01 at 0.1 m to rack-12 at 1.2 m. Times in the asserts are worked out from these.
"""

import random

import pytest

from supervisor.cell.value import replace
from supervisor.routing.moves import PUT_OFF, Obstacle, moves_of
from supervisor.routing.reasons import why
from supervisor.routing.router import Router
from supervisor.routing.situation import (
    Carry,
    OutfeedView,
    PalletView,
    Situation,
    StationView,
    Stay,
)
from tests.unit.routing.random_cells import cell_of, program

STATIONS = (("scan-1", 3000), ("touch-1", 6000), ("ct-1", 9000))
RING = ("1", "2", "3", "4")
PLATE = ("1", "2")
PROGRAMS = (
    program("ring-scan", "scan-1", "ring", ("1", "2"), 60),
    program("ring-touch", "touch-1", "ring", ("3", "4"), 200, too_coarse=("1",)),
    program("plate-ct", "ct-1", "plate", ("1",), 600, evaluation=300),
    program("plate-touch", "touch-1", "plate", ("2",), 100),
)


def declared(jaws=2):
    return cell_of(STATIONS, (("ring", RING), ("plate", PLATE)), PROGRAMS, jaws=jaws)


@pytest.fixture
def router():
    return Router(declared())


def pallet(number, part_type="ring", place="", **changes):
    home = f"rack-{number:02}"
    place = place or home
    at_mm = dict(STATIONS).get(place, 100 * number)
    plan = RING if part_type == "ring" else PLATE
    view = PalletView(
        pallet=f"P{number}",
        part_type=part_type,
        place=place,
        at_mm=at_mm,
        movable_ms=0,
        home=home,
        open=plan,
        sorting="",
        waiting_since_ms=0,
        done=(),
    )
    return replace(view, **changes)


def decided(number, place="", sorting="conforming", **changes):
    return pallet(number, place=place, open=(), sorting=sorting, **changes)


def situation(*pallets, hand="", jaws=2, at_mm=0, now_ms=0, out=("out-ok-1",), **stations):
    """The cell with these pallets; keywords such as ``scan_1={...}`` change a station's view."""
    occupants = {view.place: view.pallet for view in pallets if view.pallet != hand}
    views = tuple(
        replace(
            StationView(
                station=name,
                unusable="",
                occupant=occupants.get(name, ""),
                occupant_leaves_ms=0,
                run_free_ms=0,
                coming="",
            ),
            **stations.get(name.replace("-", "_"), {}),
        )
        for name, _ in sorted(STATIONS)
    )
    outfeeds = (
        ("out-hold-1", 12_000, "hold"),
        ("out-nok-1", 11_800, "nonconforming"),
        ("out-ok-1", 11_600, "conforming"),
        ("out-ok-2", 11_400, "conforming"),
    )
    return Situation(
        now_ms=now_ms,
        hand=hand,
        jaws=jaws,
        at_mm=at_mm,
        pallets=pallets,
        stations=views,
        outfeeds=tuple(
            OutfeedView(place=p, at_mm=mm, sorting=s, free="free" if p in out else "taken")
            for p, mm, s in outfeeds
        ),
    )


def leg(answer):
    assert isinstance(answer, Carry), answer
    return answer.pallet, answer.origin, answer.target, answer.displaced


def lost(answer, what):
    return next(a.why_lost for a in answer.alternatives if a.what == what)


# --- loading and swapping ---------------------------------------------------------------------------------------------------


def test_a_free_station_gets_a_pallet_that_needs_it(router):
    answer = router.choose(situation(pallet(1, open=("1",))))
    assert leg(answer) == ("P1", "rack-01", "scan-1", "")
    assert (answer.program, answer.then) == ("ring-scan", ())
    assert answer.why.startswith("scan-1 is free and P1 needs it")


def test_a_pallet_that_may_leave_is_swapped_for_the_next(router):
    leaving = pallet(1, place="scan-1", open=("3", "4"))
    running = pallet(3, place="touch-1", open=("1", "2"), movable_ms=200_000)
    answer = router.choose(situation(leaving, pallet(2, open=("1", "2")), running))
    assert leg(answer) == ("P2", "rack-02", "scan-1", "P1")
    assert "P1 may leave scan-1, and P2 takes its place in the same stop" in answer.why


def test_a_swap_comes_before_emptying_a_nest_that_another_needs(router):
    leaving = pallet(1, place="scan-1", open=("3", "4"))
    waiting = [pallet(n, open=("1", "2")) for n in range(2, 5)]
    answer = router.choose(situation(leaving, *waiting))
    assert leg(answer) == ("P2", "rack-02", "scan-1", "P1")
    assert lost(answer, "P1 to touch-1") == "its nest scan-1 would stand empty"


def test_a_jaw_out_of_order_makes_a_two_jaw_handler_one_with_one_jaw(router):
    leaving = pallet(1, place="scan-1", open=())
    answer = router.choose(situation(leaving, pallet(2, open=("1", "2")), jaws=1))
    assert leg(answer) == ("P1", "scan-1", "rack-01", "")


def test_a_pallet_that_only_waits_for_its_results_keeps_the_nest_until_another_needs_it(router):
    waiting = pallet(1, place="scan-1", open=())
    alone = router.choose(situation(waiting))
    assert isinstance(alone, Stay)
    assert alone.until_ms is None
    assert "not all results are there yet" in alone.why
    wanted = router.choose(situation(waiting, pallet(2, open=("1",))))
    assert leg(wanted) == ("P2", "rack-02", "scan-1", "P1")


def test_a_nest_is_loaded_while_the_evaluation_of_the_former_run_goes_on(router):
    answer = router.choose(situation(pallet(1, "plate", open=("1",)), ct_1={"run_free_ms": 50_000}))
    assert leg(answer) == ("P1", "rack-01", "ct-1", "")
    assert answer.cost_ms >= 50_000


def test_a_swap_needs_a_place_for_the_pallet_that_comes_out(router):
    stuck = pallet(1, place="scan-1", open=(), home="")
    answer = router.choose(situation(stuck, pallet(2, open=("1",))))
    assert isinstance(answer, Stay)
    assert lost(answer, "P2 to scan-1") == "P1 is in scan-1 and there is no place to put it"
    with_outfeed = decided(1, place="scan-1", home="")
    assert leg(router.choose(situation(with_outfeed, pallet(2, open=("1",)))))[3] == "P1"
    no_outfeed = router.choose(situation(with_outfeed, pallet(2, open=("1",)), out=()))
    assert isinstance(no_outfeed, Stay)


EVERY_SORTING = ("out-hold-1", "out-nok-1", "out-ok-1")


def last_run(**changes):
    """P1 without a home is measured for the last time, and P2 needs its nest."""
    measured = pallet(1, place="scan-1", open=(), home="", movable_ms=5000)
    ends = {"occupant_leaves_ms": 5000, "run_free_ms": 5000}
    about = {"out": EVERY_SORTING, "scan_1": ends} | changes
    return situation(measured, pallet(2, open=("1",)), **about)


def test_a_nest_whose_last_run_ends_is_taken_where_the_part_can_leave_whatever_comes_of_it(router):
    assert leg(router.choose(last_run())) == ("P2", "rack-02", "scan-1", "P1")


@pytest.mark.parametrize(
    "changes",
    [
        {"out": EVERY_SORTING[1:]},
        {"ct_1": {"run_free_ms": 9000}},
        {"scan_1": {"occupant_leaves_ms": 5000, "run_free_ms": 9000}},
        {"scan_1": {}},
    ],
    ids=["no place to hold it", "an evaluation elsewhere", "its own evaluation", "no run"],
)
def test_it_is_left_in_peace_where_it_could_have_to_wait_in_the_jaw(router, changes):
    answer = router.choose(last_run(**changes))
    assert isinstance(answer, Stay)
    assert lost(answer, "P2 to scan-1") == "P1 is in scan-1 and there is no place to put it"


def test_a_pallet_that_routing_was_not_told_of_is_not_moved(router):
    answer = router.choose(situation(pallet(2, open=("1",)), scan_1={"occupant": "P9"}))
    assert isinstance(answer, Stay)
    assert lost(answer, "P2 to scan-1") == "scan-1 holds P9, which must not be moved now"


def test_a_station_that_another_pallet_is_on_its_way_to_takes_nothing(router):
    answer = router.choose(situation(pallet(2, open=("1",)), scan_1={"coming": "P9"}))
    assert isinstance(answer, Stay)
    assert lost(answer, "P2 to scan-1") == "scan-1 is kept for P9"


def test_a_pallet_is_not_taken_from_a_nest_where_more_has_to_run_on_it(router):
    half_done = pallet(1, place="touch-1", movable_ms=10_000)
    answer = router.choose(situation(half_done, pallet(2, open=("3", "4")), now_ms=5_000))
    assert isinstance(answer, Stay)
    assert lost(answer, "P1") == "it has more to run at touch-1"


FLEXIBLE = (
    program("quick", "scan-1", "ring", ("1",), 100),
    program("slow", "touch-1", "ring", ("1",), 110),
)


def test_a_station_that_was_not_planned_is_used_where_it_makes_the_busiest_no_busier():
    router = Router(cell_of(STATIONS, (("ring", RING),), FLEXIBLE))
    view = pallet(1, open=("1",))
    busy = {"run_free_ms": 900_000}
    running = pallet(9, place="scan-1", open=(), movable_ms=90_000)
    assert leg(router.choose(situation(view, running, ct_1=busy)))[2] == "touch-1"
    both_free = router.choose(situation(view, ct_1=busy))
    assert leg(both_free)[2] == "scan-1"
    assert [a.what for a in both_free.alternatives] == ["P1 to touch-1"]
    slow_would_be_busiest = router.choose(situation(view))
    assert leg(slow_would_be_busiest)[2] == "scan-1"
    assert slow_would_be_busiest.alternatives == ()


def test_what_was_planned_for_elsewhere_is_not_left_for_a_second_visit_to_the_same_nest():
    programs = (
        program("here", "scan-1", "ring", ("1", "2"), 10),
        program("here-slow", "scan-1", "ring", ("3", "4"), 500),
        program("there", "touch-1", "ring", ("3", "4"), 400),
    )
    router = Router(cell_of(STATIONS, (("ring", RING),), programs))
    ready = pallet(1, place="scan-1", open=("3", "4"), done=("here",), planned=("here",))
    busy = [pallet(n, open=("3", "4"), done=("here-slow",)) for n in (2, 3)]
    answer = router.choose(situation(ready, *busy, at_mm=3000))
    assert leg(answer) == ("P1", "scan-1", "touch-1", "")


# --- one jaw ----------------------------------------------------------------------------------------------------------------


@pytest.fixture
def one_jaw():
    return Router(declared(jaws=1))


def test_with_one_jaw_a_nest_is_emptied_for_the_pallet_that_needs_it(one_jaw):
    leaving = pallet(1, place="scan-1", open=("3", "4"))
    at_touch = pallet(3, place="touch-1", open=("1", "2"), movable_ms=200_000)
    answer = one_jaw.choose(situation(leaving, pallet(2, open=("1", "2")), at_touch, jaws=1))
    assert leg(answer) == ("P1", "scan-1", "rack-01", "")
    assert answer.why == "P2 needs scan-1, so P1 waits at its home place rack-01"


def test_with_one_jaw_a_pallet_goes_on_directly_where_its_next_station_is_free(one_jaw):
    leaving = pallet(1, place="scan-1", open=("3", "4"))
    answer = one_jaw.choose(situation(leaving, pallet(2, open=("1", "2")), jaws=1))
    assert leg(answer) == ("P1", "scan-1", "touch-1", "")


def test_with_one_jaw_in_hand_without_a_home_before_a_nest_that_only_the_handler_empties(one_jaw):
    """Rack places may be declared away while pallets are inside."""
    held = pallet(1, place="jaw-1", open=("3", "4"), home="")
    answer = one_jaw.choose(situation(held, pallet(2, place="touch-1"), hand="P1", jaws=1))
    assert isinstance(answer, Stay)
    said = "P1 is in the jaw and has no home place; touch-1 has to be emptied of P2 first"
    assert answer.why == f"{said}: a person has to take it out"


def test_with_one_jaw_a_nest_that_nobody_needs_is_not_emptied(one_jaw):
    answer = one_jaw.choose(situation(pallet(1, place="scan-1", open=()), jaws=1))
    assert isinstance(answer, Stay)


def test_with_one_jaw_a_sorted_pallet_in_the_way_goes_out_before_a_free_station_is_loaded(one_jaw):
    in_the_way = decided(1, place="touch-1", at_mm=6000)
    waiting = tuple(pallet(n, open=("3", "4")) for n in (2, 3, 4))
    answer = one_jaw.choose(situation(in_the_way, *waiting, pallet(5, open=("1",)), jaws=1))
    assert leg(answer) == ("P1", "touch-1", "out-ok-1", "")
    assert answer.why == "P1 is conforming and out-ok-1 is free; P4 needs touch-1 then"


# --- waiting ----------------------------------------------------------------------------------------------------------------

RUNNING = pallet(1, place="scan-1", open=("3", "4"), movable_ms=60_000)
NEXT = pallet(2, open=("1", "2"))


def test_the_handler_stays_until_it_is_time_to_set_off_for_a_swap(router):
    # rack-02 at 0.2 m: 0.2 s there, 4 s picking, 2.8 s to scan-1 = 7 s; at most 8 s of waiting there: 60 - 7 - 8 = 45 s.
    answer = router.choose(situation(RUNNING, NEXT))
    assert isinstance(answer, Stay)
    assert answer.until_ms == 45_000
    assert (
        lost(answer, "P2 to scan-1")
        == "scan-1 is occupied; fetching for it begins in 45 s at the earliest"
    )


def test_then_it_sets_off(router):
    assert isinstance(router.choose(situation(RUNNING, NEXT, now_ms=44_999)), Stay)
    answer = router.choose(situation(RUNNING, NEXT, now_ms=45_000))
    assert leg(answer) == ("P2", "rack-02", "scan-1", "P1")
    assert "P1 may leave scan-1 in 15 s, and P2 takes its place" in answer.why


def test_the_handler_does_not_wait_for_one_nest_while_another_can_be_served_sooner(router):
    sooner = pallet(3, place="touch-1", open=("1", "2"), movable_ms=57_000)
    for_touch = pallet(4, open=("3", "4"))
    answer = router.choose(situation(RUNNING, NEXT, sooner, for_touch, now_ms=46_000))
    assert leg(answer) == ("P4", "rack-04", "touch-1", "P3")
    reason = "the handler would wait before scan-1 while touch-1 can be served sooner"
    assert lost(answer, "P2 to scan-1") == reason


def test_a_pallet_is_fetched_when_it_is_about_to_leave_its_nest(router):
    # touch-1 is free. 3 s to scan-1, at most 8 s of waiting there: not before 49 s.
    too_early = router.choose(situation(RUNNING, now_ms=48_999))
    assert isinstance(too_early, Stay)
    assert too_early.until_ms == 49_000
    assert leg(router.choose(situation(RUNNING, now_ms=49_000)))[:3] == ("P1", "scan-1", "touch-1")


def test_programs_that_follow_in_the_same_visit_count_before_the_pallet_leaves():
    programs = (
        program("a-first", "scan-1", "ring", ("1", "2"), 60),
        program("b-then", "scan-1", "ring", ("3", "4"), 100, evaluation=20),
    )
    router = Router(cell_of(STATIONS, (("ring", RING),), programs))
    first_runs = pallet(
        1, place="scan-1", open=("3", "4"), movable_ms=60_000, planned=("a-first", "b-then")
    )
    answer = router.choose(situation(first_runs, NEXT))
    assert isinstance(answer, Stay)
    assert answer.until_ms is None
    assert lost(answer, "P2 to scan-1") == "P1 has more to run at scan-1"


# --- with a pallet in hand --------------------------------------------------------------------------------------------------


def test_a_pallet_in_hand_goes_where_it_was_fetched_for_also_if_another_station_is_nearer(router):
    held = pallet(1, place="jaw-1")
    answer = router.choose(
        situation(held, hand="P1", at_mm=6000, scan_1={"coming": "P1"}),
    )
    assert leg(answer) == ("P1", "", "scan-1", "")
    assert lost(answer, "P1 to touch-1") == "P1 was fetched for scan-1"
    assert lost(answer, "P1 to rack-01") == "a pallet goes home only when nothing else takes it"


def test_a_pallet_in_hand_takes_the_place_of_one_that_may_leave_soon(router):
    held = pallet(1, place="jaw-1", open=("1", "2"))
    occupant = pallet(2, place="scan-1", open=("3", "4"), movable_ms=15_000)
    answer = router.choose(situation(held, occupant, hand="P1", at_mm=3000))
    assert leg(answer) == ("P1", "", "scan-1", "P2")


def test_a_pallet_in_hand_goes_home_rather_than_wait_at_a_long_program(router):
    held = pallet(1, place="jaw-1", open=("1", "2"))
    occupant = pallet(2, place="scan-1", open=("3", "4"), movable_ms=300_000)
    answer = router.choose(situation(held, occupant, hand="P1", at_mm=3000))
    assert leg(answer) == ("P1", "", "rack-01", "")
    assert answer.why.startswith("P1 goes to its home place rack-01: scan-1 is occupied")


def test_a_pallet_in_hand_goes_home_when_its_target_vanished(router):
    held = pallet(1, place="jaw-1", open=("1", "2"))
    answer = router.choose(
        situation(held, hand="P1", scan_1={"unusable": "its door is stuck", "coming": "P1"})
    )
    assert leg(answer) == ("P1", "", "rack-01", "")
    assert answer.why.endswith(
        "no station can decide 1, 2 now (scan-1 could, but: its door is stuck)"
    )


def test_with_one_jaw_a_pallet_in_hand_never_goes_to_an_occupied_nest(one_jaw):
    held = pallet(1, place="jaw-1", open=("1", "2"))
    occupant = pallet(2, place="scan-1", open=("3", "4"))
    answer = one_jaw.choose(situation(held, occupant, hand="P1", jaws=1))
    assert leg(answer) == ("P1", "", "rack-01", "")
    assert "scan-1 has to be emptied of P2 first" in answer.why


def test_a_sorted_pallet_in_hand_goes_to_the_nearest_free_outfeed_place_of_its_sorting(router):
    held = decided(1, place="jaw-1")
    both = router.choose(situation(held, hand="P1", at_mm=9000, out=("out-ok-1", "out-ok-2")))
    assert leg(both) == ("P1", "", "out-ok-2", "")
    one = router.choose(situation(held, hand="P1", at_mm=9000, out=("out-nok-1", "out-ok-1")))
    assert leg(one) == ("P1", "", "out-ok-1", "")


def test_a_sorted_pallet_in_hand_goes_home_while_no_outfeed_place_is_free(router):
    answer = router.choose(situation(decided(1, place="jaw-1"), hand="P1", out=("out-nok-1",)))
    assert leg(answer) == ("P1", "", "rack-01", "")
    assert answer.why == (
        "P1 goes to its home place rack-01: no outfeed place for conforming parts is free"
    )


def test_a_pallet_in_hand_without_a_home_waits_before_a_station_however_long_it_takes(router):
    held = pallet(1, place="jaw-1", open=("1", "2"), home="")
    occupant = pallet(2, place="scan-1", open=("3", "4"), movable_ms=3_600_000)
    assert leg(router.choose(situation(held, occupant, hand="P1")))[2:] == ("scan-1", "P2")


def test_a_pallet_in_hand_that_nothing_takes_and_that_has_no_home_waits_for_a_person(router):
    held = pallet(1, place="jaw-1", open=(), home="")
    answer = router.choose(situation(held, hand="P1"))
    assert isinstance(answer, Stay)
    assert answer.until_ms is None
    assert "a person has to take it out" in answer.why


# --- without home places ----------------------------------------------------------------------------------------------------


@pytest.fixture
def fed():
    """The cell with infeed places instead of a rack."""
    cell = declared()
    places = tuple(replace(p, kind="infeed") if p.kind == "rack" else p for p in cell.places)
    return Router(replace(cell, places=places))


def from_the_infeed(number, **changes):
    return pallet(number, place=f"in-{number:02}", home="", **changes)


def test_nobody_is_fetched_for_a_nest_whose_occupant_would_be_held_in_the_jaw_for_long(fed):
    done = pallet(1, place="scan-1", open=("3", "4"), home="")
    measured = pallet(2, place="touch-1", open=("1", "2"), movable_ms=3_600_000, home="")
    answer = fed.choose(situation(done, measured, from_the_infeed(3)))
    assert isinstance(answer, Stay)
    assert answer.until_ms is not None
    assert 3_500_000 < answer.until_ms < 3_600_000


def test_two_in_each_others_nest_are_exchanged_before_anybody_comes_in(fed):
    one = pallet(1, place="scan-1", open=("3", "4"), home="")
    other = pallet(2, place="touch-1", open=("1", "2"), home="")
    exchange = leg(fed.choose(situation(one, other, from_the_infeed(3))))
    assert exchange in (("P1", "scan-1", "touch-1", "P2"), ("P2", "touch-1", "scan-1", "P1"))


def test_in_hand_a_pallet_goes_where_it_need_not_wait_though_more_is_measured_then(router):
    held = pallet(1, place="jaw-1", open=("1", "2", "3", "4"), home="")
    busy = pallet(2, place="scan-1", open=("3", "4"), movable_ms=900_000, home="")
    assert leg(router.choose(situation(held, busy, hand="P1")))[2:] == ("touch-1", "")


# --- out of the cell --------------------------------------------------------------------------------------------------------


def test_a_sorted_pallet_leaves_from_its_home_place(router):
    assert leg(router.choose(situation(decided(1)))) == ("P1", "rack-01", "out-ok-1", "")


def test_a_station_is_loaded_before_a_sorted_pallet_is_brought_out(router):
    answer = router.choose(situation(decided(1), pallet(2)))
    assert leg(answer)[0] == "P2"
    assert lost(answer, "P1 to out-ok-1") == "it gives no station work"


def test_a_pallet_to_be_held_needs_no_part_type(router):
    answer = router.choose(
        situation(decided(1, sorting="hold", part_type=""), out=("out-hold-1", "out-ok-1"))
    )
    assert leg(answer)[2] == "out-hold-1"


def test_a_sorted_pallet_stays_at_home_while_no_outfeed_place_is_free(router):
    answer = router.choose(situation(decided(1), out=()))
    assert isinstance(answer, Stay)
    assert "no outfeed place for conforming parts is free" in answer.why


# --- stations out of order --------------------------------------------------------------------------------------------------


def test_a_pallet_that_only_an_unusable_station_can_decide_stays_with_that_reason(router):
    answer = router.choose(
        situation(pallet(1, "plate", open=("1",)), ct_1={"unusable": "it is in manual mode"})
    )
    assert isinstance(answer, Stay)
    assert answer.why == (
        "nothing can be carried before something changes; P1: "
        "no station can decide 1 now (ct-1 could, but: it is in manual mode)"
    )


def test_it_goes_on_with_what_others_can_decide(router):
    answer = router.choose(situation(pallet(1, "plate"), ct_1={"unusable": "it is in manual mode"}))
    assert leg(answer)[2] == "touch-1"


def test_it_leaves_a_nest_that_another_needs(one_jaw):
    waits_for_ct = pallet(1, "plate", place="touch-1", open=("1",))
    answer = one_jaw.choose(
        situation(waits_for_ct, pallet(2, open=("3",)), jaws=1, ct_1={"unusable": "no link"})
    )
    assert leg(answer) == ("P1", "touch-1", "rack-01", "")


def test_a_pallet_in_an_unusable_station_is_fetched_only_where_the_handler_may_enter(router):
    inside = pallet(1, place="scan-1", open=("3", "4"))
    broken = {"unusable": "its calibration is overdue"}
    shut = router.choose(situation(inside, scan_1=broken))
    assert isinstance(shut, Stay)
    assert lost(shut, "P1") == "the handler must not enter scan-1: its calibration is overdue"
    fetched = router.choose(situation(inside, scan_1=broken | {"fetch": "allowed"}))
    assert leg(fetched) == ("P1", "scan-1", "touch-1", "")


# --- who first --------------------------------------------------------------------------------------------------------------


def test_the_station_with_the_most_work_left_is_served_first(router):
    plates = [pallet(n, "plate", open=("1",)) for n in (2, 3, 4)]
    answer = router.choose(situation(pallet(1, open=("1",)), *plates))
    assert leg(answer) == ("P2", "rack-02", "ct-1", "")
    assert "of all stations it has the most work left, 45 min 18 s" in answer.why  # 3 x (900 + 6) s
    assert lost(answer, "P1 to scan-1") == "scan-1 has 1 min 6 s of work left, ct-1 45 min 18 s"


def test_of_equal_pallets_the_first_by_name_goes(router):
    same_place = [pallet(n, open=("1",), at_mm=500) for n in (4, 2, 3)]
    answer = router.choose(situation(*same_place))
    assert leg(answer)[0] == "P2"
    assert lost(answer, "P3 to scan-1") == "it is equally good and comes later by name"


def test_a_pallet_that_has_waited_beyond_all_measure_goes_first(router):
    near, far = pallet(1, open=("1",)), pallet(12, open=("1",), waiting_since_ms=0)
    far = replace(far, at_mm=11_000)
    fresh = replace(near, waiting_since_ms=1_800_000)
    # Fair is two pallets times the longest program, a swap, a pick and a put, and the rail to and fro: 900 + 6 + 8 + 24 s.
    before = router.choose(situation(fresh, far, now_ms=1_800_000))
    assert leg(before)[0] == "P1"
    after = router.choose(situation(fresh, far, now_ms=1_976_000))
    assert leg(after)[0] == "P12"
    assert lost(after, "P1 to scan-1") == "P12 has waited 1 min 40 s longer than is fair"


def test_the_order_in_which_pallets_are_listed_does_not_matter(router):
    views = [pallet(n, ("ring", "plate")[n % 2]) for n in range(1, 10)]
    expected = router.choose(situation(*views))
    for seed in range(20):
        mixed = random.Random(seed).sample(views, len(views))
        answer = router.choose(situation(*mixed))
        assert leg(answer) == leg(expected)


def test_six_alternatives_are_listed_cheapest_first_and_then_each_other_pallet_once(router):
    answer = router.choose(situation(*[pallet(n) for n in range(1, 13)]))
    costs = [alternative.cost_ms for alternative in answer.alternatives]
    assert costs[:6] == sorted(costs[:6])
    assert all(alternative.why_lost for alternative in answer.alternatives)
    about = [alternative.what.split(" to ")[0] for alternative in answer.alternatives]
    assert {answer.pallet, *about} == {f"P{n}" for n in range(1, 13)}
    assert not {*about[:6]} & {*about[6:]}
    assert len(about[6:]) == len({*about[6:]})


def test_an_empty_cell_has_nothing_to_do(router):
    assert router.choose(situation()) == Stay(
        until_ms=None, why="no pallet has anything to do", alternatives=()
    )


def test_a_part_that_leaves_while_others_are_put_off_says_for_what():
    """It said only that its outfeed place is free: whoever asked why the rest stood still was not told."""
    leaving, waiting = decided(1, place="scan-1"), pallet(2)
    asked = situation(leaving, waiting)
    picture = Router(declared()).picture(asked)
    (move,), _ = moves_of(picture, leaving, 0)
    soon = "P3 to touch-1: touch-1 is occupied; fetching for it begins in 40 s at the earliest"
    put_off = Obstacle(
        pallet=waiting, target="scan-1", code=PUT_OFF, detail=soon, opens_ms=None, cost_ms=0
    )
    plain = "P1 is conforming and out-ok-1 is free"
    assert why(picture, move, []) == plain
    assert why(picture, move, [put_off]) == (
        f"{plain}; others are put off, because better for all together is {soon}"
    )
    itself = replace(put_off, detail="P1 to out-ok-1")
    assert why(picture, move, [itself]) == plain

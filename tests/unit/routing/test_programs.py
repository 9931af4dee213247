"""Which program decides what: capability, covers, the balanced plan, and what a station runs next."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from supervisor.cell.value import replace
from supervisor.routing.covers import COVERS_MAX, covers_of
from supervisor.routing.outlook import Outlook
from supervisor.routing.plan import balanced
from supervisor.routing.router import Router
from supervisor.routing.situation import PalletView, StationView
from supervisor.routing.tables import Offer, decided_by
from tests.unit.routing.random_cells import cell_of, program

NUMBERS = ("1", "2", "3", "4")
STATIONS = (("left", 2000), ("middle", 4000), ("right", 6000))
ALL = ("left", "middle", "right")


def router_for(*programs):
    return Router(cell_of(STATIONS, (("ring", NUMBERS),), programs))


def pallet(place="left", **changes):
    view = PalletView(
        pallet="P1",
        part_type="ring",
        place=place,
        at_mm=0,
        movable_ms=0,
        home="rack-01",
        open=NUMBERS,
        sorting="",
        waiting_since_ms=0,
        done=(),
    )
    return replace(view, **changes)


# --- what a station runs next -----------------------------------------------------------------------------------------------


def test_programs_run_one_after_the_other_in_one_visit():
    router = router_for(
        program("a", "left", "ring", ("1", "2"), 10), program("b", "left", "ring", ("3", "4"), 10)
    )
    assert router.next_program(pallet(), "left") == "a"
    assert router.next_program(pallet(open=("3", "4"), done=("a",)), "left") == "b"
    assert router.next_program(pallet(open=(), done=("a", "b")), "left") == ""


def test_what_was_announced_for_the_visit_runs_first():
    router = router_for(
        program("long", "left", "ring", NUMBERS, 100), program("short", "left", "ring", ("1",), 10)
    )
    assert router.next_program(pallet(planned=("short",)), "left", ALL) == "short"
    assert router.next_program(pallet(), "left", ALL) == "long"


def test_an_announced_program_that_adds_nothing_any_more_is_left_out():
    router = router_for(
        program("a", "left", "ring", ("1",), 10), program("b", "left", "ring", ("2",), 10)
    )
    assert router.next_program(pallet(open=("2",), planned=("a", "b")), "left", ALL) == "b"


@pytest.mark.parametrize("seconds", [5, 500])
def test_what_another_station_was_meant_to_do_runs_here_only_if_that_one_cannot(seconds):
    router = router_for(
        program("here", "left", "ring", ("1", "2"), 10),
        program("here-too", "left", "ring", ("3", "4"), seconds),
        program("there", "right", "ring", ("3", "4"), 10),
    )
    view = pallet(open=("3", "4"), done=("here",), planned=("here",))
    assert router.next_program(view, "left", ALL) == ""
    assert router.next_program(view, "left", ("left", "middle")) == "here-too"


def test_a_station_that_does_not_know_who_else_can_runs_all_it_is_able_to():
    router = router_for(
        program("here-slow", "left", "ring", ("3", "4"), 500),
        program("there", "right", "ring", ("3", "4"), 10),
    )
    assert router.next_program(pallet(open=("3", "4"), planned=("here",)), "left") == "here-slow"
    assert router.next_program(pallet(open=("3", "4")), "left") == "here-slow"


def test_a_pallet_in_a_nest_runs_something_useful_there_even_if_another_station_has_to_do_more():
    # "right" alone would do; but a visit that ran nothing would be repeated for ever.
    router = router_for(
        program("a", "left", "ring", ("1",), 10), program("b", "right", "ring", ("1", "2"), 10)
    )
    assert router.next_program(pallet(open=("1", "2")), "left") == "a"
    assert router.next_program(pallet(open=("1", "2")), "left", ALL) == "a"


def test_a_program_tried_to_its_limit_does_not_run_again():
    router = router_for(program("a", "left", "ring", NUMBERS, 10))
    assert router.next_program(pallet(done=("a",)), "left") == ""


def test_a_sorted_pallet_runs_nothing():
    router = router_for(program("a", "left", "ring", NUMBERS, 10))
    assert router.next_program(pallet(sorting="nonconforming"), "left") == ""


def test_a_program_that_is_too_coarse_for_a_characteristic_does_not_count_for_it():
    # The plan requires U(k = 2) <= 2; "coarse" states 3.
    router = router_for(program("coarse", "left", "ring", ("1",), 10, too_coarse=("2",)))
    assert router.next_program(pallet(open=("2",)), "left") == ""
    assert router.unreachable(pallet(open=("1", "2")), ALL) == ("2",)


# --- what nobody can decide -------------------------------------------------------------------------------------------------


@pytest.fixture
def router():
    return router_for(
        program("a", "left", "ring", ("1", "2"), 10), program("b", "right", "ring", ("2", "3"), 10)
    )


def test_characteristics_without_a_usable_station_are_named(router):
    assert router.unreachable(pallet(), ALL) == ("4",)
    assert router.unreachable(pallet(), ("left",)) == ("3", "4")
    assert router.unreachable(pallet(open=("3", "2"), done=("b",)), ALL) == ("3",)
    assert router.unreachable(pallet(), ()) == NUMBERS


def test_a_number_or_part_type_that_the_cell_does_not_know_is_unreachable(router):
    assert router.unreachable(pallet(open=("1", "99")), ALL) == ("99",)
    assert router.unreachable(pallet(part_type="unknown"), ALL) == NUMBERS


def test_the_reason_names_the_station_that_could(router):
    def station(name, unusable=""):
        return StationView(
            station=name,
            unusable=unusable,
            occupant="",
            occupant_leaves_ms=0,
            run_free_ms=0,
            coming="",
        )

    views = (station("left"), station("middle"), station("right", "its door is stuck"))
    assert router.why_unreachable(pallet(open=("1", "2", "3")), views) == (
        "no station can decide 3 now (right could, but: its door is stuck)"
    )
    assert router.why_unreachable(pallet(open=("4",)), views) == (
        "no station can decide 4 now (no program is left to try)"
    )
    assert router.why_unreachable(pallet(open=("1", "2")), views) == ""


# --- covers -----------------------------------------------------------------------------------------------------------------

offers_drawn = st.lists(
    st.tuples(st.integers(0, 2), st.integers(1, 255), st.integers(1, 100)), min_size=1, max_size=7
).map(
    lambda drawn: tuple(
        Offer(program=f"p{n}", station=s, decides=d, part_free_ms=ms, result_ms=ms)
        for n, (s, d, ms) in enumerate(drawn)
    )
)


def subsets(offers):
    for mask in range(1, 1 << len(offers)):
        yield tuple(offer for n, offer in enumerate(offers) if mask >> n & 1)


@given(offers=offers_drawn, needed=st.integers(1, 255))
def test_covers_are_exactly_the_choices_that_need_every_program(offers, needed):
    covers = covers_of(offers, needed, stations=3, visit_ms=5)
    found = {tuple(o.program for visit in c.visits for o in visit) for c in covers}
    possible = needed & decided_by(offers)
    expected = {
        tuple(o.program for s in range(3) for o in chosen if o.station == s)
        for chosen in subsets(offers)
        if not possible & ~decided_by(chosen)
        and all(
            possible & ~decided_by(tuple(o for o in chosen if o is not left)) for left in chosen
        )
    }
    if possible and len(expected) <= COVERS_MAX:
        assert found == expected
    else:
        assert found <= expected
    totals = [cover.total_ms for cover in covers]
    assert totals == sorted(totals)
    for cover in covers:
        visits = [visit for visit in cover.visits if visit]
        work_ms = sum(o.result_ms for visit in visits for o in visit)
        assert cover.total_ms == sum(cover.work_ms) == work_ms + 5 * len(visits)


def test_the_list_of_covers_has_a_limit():
    offers = tuple(
        Offer(program=f"p{s}-{bit}", station=s, decides=1 << bit, part_free_ms=1, result_ms=1 + s)
        for s in range(3)
        for bit in range(12)
    )
    assert len(covers_of(offers, (1 << 12) - 1, stations=3, visit_ms=5)) == COVERS_MAX


# --- the plan ---------------------------------------------------------------------------------------------------------------


def outlook(*choices):
    """Of a pallet with one characteristic that these (station, ms) can decide."""
    offers = tuple(
        Offer(program=f"p{n}", station=s, decides=1, part_free_ms=ms, result_ms=ms)
        for n, (s, ms) in enumerate(choices)
    )
    return Outlook(visit=(), covers=covers_of(offers, 1, stations=3, visit_ms=0))


def test_work_that_several_stations_can_do_is_shared_so_that_the_busiest_has_little():
    pallets = {f"P{n}": outlook((0, 10), (1, 10)) for n in range(4)}
    plan = balanced(pallets, [0, 0, 0])
    assert plan.load_ms == [20, 20, 0]
    assert plan.most_ms == 20


def test_pallets_without_a_choice_are_planned_first():
    pallets = {"P0": outlook((0, 10), (1, 12)), "P1": outlook((0, 10))}
    assert balanced(pallets, [0, 0, 0]).load_ms == [10, 12, 0]


def test_what_a_station_has_to_do_already_counts():
    assert balanced({"P0": outlook((0, 10), (1, 12))}, [5, 0, 0]).load_ms == [5, 12, 0]


def test_where_it_does_not_matter_to_the_busiest_the_quickest_program_is_taken():
    pallets = {"P0": outlook((0, 10), (1, 12)), "P1": outlook((2, 100))}
    assert balanced(pallets, [0, 0, 0]).load_ms == [10, 0, 100]

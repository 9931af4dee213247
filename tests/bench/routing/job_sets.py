"""Job sets with layouts: published for two vehicles, played here as our problem, with one handler and nests that block.

Rules of this file:
- Ü. Bilge and G. Ulusoy, A time window approach to simultaneous scheduling of machines and material handling system in an FMS, Operations
  Research 43 (1995) 1058-1070: ten job sets, four layouts of a load/unload place (0) and four machines (1 to 4). Ways take the time from
  row to column, picking and putting included.
- Sets 1, 2, 4, 5, 7, 8 and 9 and the layouts are the first alternatives of the flexible sets in the public repository
  aslongaslihappy/NSGA-II-FJSP-AGVs (read there, written down anew). Sets 3, 6 and 10 and all published values are from memory. What speaks
  for both: a solver that knows the published problem only (transport_oracle.py) proves the value of each set and layout.
- As our problem the load/unload place is the home of every pallet and the outfeed; a position is a number of a place.
- A set that visits a machine twice (4) has no model, only whole runs: a model keeps one visit of each station.
"""

from functools import cache
from itertools import permutations

from supervisor.cell.model import Handler
from supervisor.cell.value import replace, value
from supervisor.routing.improvement import improved
from supervisor.routing.nominal import NOBODY, Frame, Job, Node, Nominal
from supervisor.routing.search import Search
from supervisor.routing.timetable import Orders
from tests.bench.routing.cells import Case
from tests.unit.routing.random_cells import cell_of, program

Ways = tuple[tuple[int, ...], ...]
"""From a place (row) to a place (column), in units of time."""
JobSet = tuple[tuple[tuple[int, int], ...], ...]
"""For each job its machines and times, in their order."""

LAYOUTS: dict[int, Ways] = {
    1: ((0, 6, 8, 10, 12), (12, 0, 6, 8, 10), (10, 6, 0, 6, 8), (8, 8, 6, 0, 6), (6, 10, 8, 6, 0)),
    2: ((0, 4, 6, 8, 6), (6, 0, 2, 4, 2), (8, 12, 0, 2, 4), (6, 10, 12, 0, 2), (4, 8, 10, 12, 0)),
    3: ((0, 2, 4, 10, 12), (12, 0, 2, 8, 10), (10, 12, 0, 6, 8), (4, 6, 8, 0, 2), (2, 4, 6, 12, 0)),
    4: ((0, 4, 8, 10, 14), (18, 0, 4, 6, 10), (20, 14, 0, 8, 6), (12, 8, 6, 0, 6), (14, 14, 12, 6, 0)),
}  # fmt: skip

SETS: dict[int, JobSet] = {
    1: (
        ((1, 8), (2, 16), (4, 12)),
        ((1, 20), (3, 10), (2, 18)),
        ((3, 12), (4, 8), (1, 15)),
        ((4, 14), (2, 18)),
        ((3, 10), (1, 15)),
    ),
    2: (
        ((1, 10), (4, 18)),
        ((2, 10), (4, 18)),
        ((1, 10), (3, 20)),
        ((2, 10), (3, 15), (4, 12)),
        ((1, 10), (2, 15), (4, 12)),
        ((1, 10), (2, 15), (3, 12)),
    ),
    3: (
        ((1, 16), (3, 15)),
        ((2, 18), (4, 15)),
        ((1, 20), (2, 10)),
        ((3, 15), (4, 10)),
        ((1, 8), (2, 10), (3, 15), (4, 17)),
        ((2, 10), (3, 15), (4, 8), (1, 15)),
    ),
    4: (
        ((4, 11), (1, 10), (2, 7)),
        ((3, 12), (2, 10), (4, 8)),
        ((2, 7), (3, 10), (1, 9), (3, 8)),
        ((2, 7), (4, 8), (1, 12), (2, 6)),
        ((1, 9), (2, 7), (4, 8), (2, 10), (3, 8)),
    ),
    5: (
        ((1, 6), (2, 12), (4, 9)),
        ((1, 18), (3, 6), (2, 15)),
        ((3, 9), (4, 3), (1, 12)),
        ((4, 6), (2, 15)),
        ((3, 3), (1, 9)),
    ),
    6: (
        ((1, 9), (2, 11), (4, 7)),
        ((1, 19), (2, 20), (4, 13)),
        ((2, 14), (3, 20), (4, 9)),
        ((2, 14), (3, 20), (4, 9)),
        ((1, 11), (3, 16), (4, 8)),
        ((1, 10), (3, 12), (4, 10)),
    ),
    7: (
        ((1, 6), (4, 6)),
        ((2, 11), (4, 9)),
        ((2, 9), (4, 7)),
        ((3, 16), (4, 7)),
        ((1, 9), (3, 18)),
        ((2, 13), (3, 19), (4, 6)),
        ((1, 10), (2, 9), (3, 13)),
        ((1, 11), (2, 9), (4, 8)),
    ),
    8: (
        *(((2, 12), (3, 21), (4, 11)),) * 4,
        *(((1, 10), (2, 14), (3, 18), (4, 9)),) * 2,
    ),
    9: (
        ((3, 9), (1, 12), (2, 9), (4, 6)),
        ((3, 16), (2, 11), (4, 9)),
        ((1, 21), (2, 18), (4, 7)),
        ((2, 20), (3, 22), (4, 11)),
        ((3, 14), (1, 16), (2, 13), (4, 9)),
    ),
    10: (
        ((1, 11), (3, 19), (2, 16), (4, 13)),
        ((2, 21), (3, 16), (4, 14)),
        ((3, 8), (2, 10), (1, 14), (4, 9)),
        ((2, 13), (3, 20), (4, 10)),
        ((1, 9), (3, 16), (4, 18)),
        ((2, 19), (1, 21), (3, 11), (4, 15)),
    ),
}

PUBLISHED: dict[int, tuple[int, int, int, int]] = {
    1: (96, 82, 84, 103),
    2: (100, 76, 86, 108),
    3: (99, 85, 86, 111),
    4: (112, 87, 89, 121),
    5: (87, 69, 74, 96),
    6: (118, 98, 103, 120),
    7: (111, 79, 83, 126),
    8: (161, 151, 153, 163),
    9: (116, 102, 105, 120),
    10: (146, 135, 137, 157),
}
"""By set, for layouts 1 to 4: the least known end of the last operation with two vehicles."""


def visits_once(jobs: JobSet) -> bool:
    """Whether no job visits a machine twice."""
    return all(len({machine for machine, _ in job}) == len(job) for job in jobs)


# --- the model ----------------------------------------------------------------------------------------------------------------


class Loop(Nominal):
    """The nominal model where ways are no rail: positions are numbers of places, and there and back may differ."""

    __slots__ = ("_ways",)

    def __init__(self, frame: Frame, jobs: tuple[Job, ...], ways: Ways) -> None:
        """Prepare."""
        super().__init__(frame, jobs)
        self._ways = ways

    def travel_ms(self, from_mm: int, to_mm: int) -> int:
        """From place to place; one unit of time is one ms."""
        return self._ways[from_mm][to_mm]

    def _tour_ms(self, at_mm: int, rest: int, out_mm: int) -> int:
        """The shortest way through the machines in any order; nothing is rounded. Valid as a bound, as no detour is shorter than a way."""
        stops = [place for at, place in enumerate(self.frame.at_mm) if rest >> at & 1]
        tours = ((at_mm, *order, out_mm) for order in permutations(stops))
        return min(sum(map(self.travel_ms, tour, tour[1:])) for tour in tours)


def model_of(jobs: JobSet, ways: Ways, jaws: int) -> tuple[Loop, Node]:
    """The model of a set and its beginning: all pallets and the handler at the load/unload place."""
    places = tuple(range(1, len(ways)))
    frame = Frame(
        jaws=jaws, pick_ms=0, put_ms=0, swap_ms=0, speed_mm_s=1000, at_mm=places, shut=0, beyond=0,
        out_ms=tuple(ways[place][0] for place in places),
    )  # fmt: skip
    model = Loop(frame, tuple(_job(job, len(places)) for job in jobs), ways)
    rest = tuple(sum(1 << (machine - 1) for machine, _ in job) for job in jobs)
    empty = (0,) * len(places)
    root = Node(
        now_ms=0, at_mm=0, hand=NOBODY, occupant=(NOBODY,) * len(places), leaves_ms=empty, free_ms=empty,
        load_ms=tuple(sum(job.busy_ms[at] for job in model.jobs) for at in range(len(places))),
        rest=rest, known_ms=(0,) * len(jobs), home=tuple(range(len(jobs))),
        hands_ms=sum(model.need_ms(number, rest[number], 0, "home") for number in range(len(jobs))),
        late_ms=0, left=len(jobs),
    )  # fmt: skip
    return model, root


def _job(row: tuple[tuple[int, int], ...], stations: int) -> Job:
    times, before, sooner = [0] * stations, [0] * stations, 0
    for machine, units in row:
        times[machine - 1], before[machine - 1] = units, sooner
        sooner |= 1 << (machine - 1)
    return Job(
        free_ms=tuple(times), busy_ms=tuple(times), stand_mm=0, home_mm=0, out_mm=0, due_ms=0, weight=0,
        before=tuple(before),
    )  # fmt: skip


def decided(jobs: JobSet, ways: Ways, jaws: int, steps: int) -> int:
    """The makespan on the model if a look-ahead of so many steps is made anew before each step."""
    model, node = model_of(jobs, ways, jaws)
    while node.left:
        nodes = sorted((model.after(node, step) for step in model.steps(node)), key=model.judge)
        found = Search(model, len(nodes), steps).run(list(enumerate(nodes)))
        node = nodes[found.best]
    return node.now_ms


def planned(jobs: JobSet, ways: Ways, carries: int) -> int:
    """The makespan of an improved order, with two jaws."""
    model, root = model_of(jobs, ways, 2)
    found = improved(Orders(model, root), carries, model.judge(root)[0])
    assert found is not None
    return found.end_ms


# --- the cell -----------------------------------------------------------------------------------------------------------------


@value
class LoopHandler(Handler):
    """A handler whose ways are those of a layout."""

    ways_ms: Ways = ()

    def travel_ms(self, from_mm: int, to_mm: int) -> int:
        """From place to place."""
        return self.ways_ms[from_mm][to_mm]


@cache
def case_of(name: str, jobs: JobSet, ways: Ways, jaws: int) -> Case:
    """The set as a cell: a part type for each job, its operations in the declared order; one unit of time is one second."""
    part_types = [
        (f"job-{j}", tuple(str(n) for n in range(len(job)))) for j, job in enumerate(jobs)
    ]
    programs = [
        program(f"job-{j}-{n}", f"station-{machine}", f"job-{j}", (str(n),), units)
        for j, job in enumerate(jobs)
        for n, (machine, units) in enumerate(job)
    ]
    stations = [(f"station-{place}", place) for place in range(1, len(ways))]
    cell = cell_of(stations, part_types, programs, jaws=jaws, pick_ms=0, put_ms=0, swap_ms=0)
    ways_ms = tuple(tuple(1000 * units for units in row) for row in ways)
    about = {name: getattr(cell.handler, name) for name in Handler.__dataclass_fields__}
    about |= {"rail_to_mm": len(ways) - 1, "ways_ms": ways_ms}
    cell = replace(
        cell,
        handler=LoopHandler(**about),
        places=tuple(replace(place, at_mm=0) for place in cell.places),
        part_types=tuple(_in_order(part) for part in cell.part_types),
    )
    return Case(name, cell, tuple(name for name, _ in part_types), ways_ms)


def _in_order(part):
    """Each operation after the one before it."""
    plan = tuple(replace(one, after=(str(n - 1),)) if n else one for n, one in enumerate(part.plan))
    return replace(part, plan=plan)

"""The cells that routing is measured on. All invented: no real cell stands behind them.

Rules of this file:
- Drawn from a seed with Python's own generator; seeds from 0 to 24 were used to choose the weights of look-ahead, figures use others.
- A drawn cell is ``random_cell`` of tests/unit/routing with three stations: 1 to 3 part types of 3 to 9 characteristics, each decided by one
  or two stations; a program takes pace x (10 s + 3 to 12 s for each characteristic), with a pace of 0.7, 1.2, 2, 3 or 5; handler 2 to 5.5 s
  for a pick or a put, 0.4 to 1.5 m/s on a rail of 12 m. The result is there when the part is free, and every part conforms.
- A large cell has 16 stations at equal distances and 4 part types of 4 to 6 characteristics, each decided by three of the stations, so that
  every station is needed; programs as above with a pace of 10, 15, 20 or 30 (minutes, as one handler for so many stations calls for:
  with the paces of the small cells it is the handler alone that limits), 0.6 to 1.5 m/s. Seeds 0 to 3 were used to choose how the plan is made.
- A slow cell is the same large cell with programs four times as long (40 to 120 times the small cells'), so that its stations limit and not its handler.
- An uneven cell is a drawn cell of 16 stations with programs ten times as long: its 1 to 3 part types need 3 to 14 of the stations, and few of them limit.
- Pallets are all there at the start, each with a rack place of its own; outfeed places are cleared at once.
"""

import random
from dataclasses import dataclass
from dataclasses import replace as with_changes

from supervisor.cell.model import Cell, Place, Routing
from supervisor.cell.value import replace
from tests.unit.routing.random_cells import cell_of, program, random_cell

PALLETS = (8, 10, 12, 16, 20)
PACES = (0.7, 1.2, 2, 3, 5)
LARGE_PACES = (10, 15, 20, 30)
SLOWER = 4
UNEVEN_SLOWER = 10
LARGE_FROM_MM, LARGE_TO_MM = 1500, 10_500
RACKS_AT_MM = 100
RACK_COLUMNS = 12


@dataclass(frozen=True)
class Case:
    """A cell and the part types of the pallets that are there at the start."""

    name: str
    cell: Cell
    part_types: tuple[str, ...]
    ways_ms: tuple[tuple[int, ...], ...] = ()
    """Where the handler has no rail: how long from place to place, whose positions are numbers of rows and columns."""

    def with_steps(self, steps: int) -> "Case":
        """The same with another budget for look-ahead (0: the rule alone)."""
        cell = replace(self.cell, routing=Routing(look_ahead_steps=steps))
        return with_changes(self, cell=cell)


def drawn(seed: int, *, stations: int = 3, pallets: int = 0) -> Case:
    """A drawn cell; 8, 10, 12, 16 or 20 pallets, in turn with the seed, if no other number is given."""
    rng = random.Random(seed)
    count = pallets or PALLETS[seed % len(PALLETS)]
    cell = random_cell(seed, jaws=2, stations=stations, pace=rng.choice(PACES))
    programs = tuple(replace(p, result_ms=p.part_free_ms) for p in cell.programs)
    outfeeds = tuple(place for place in cell.places if place.kind == "outfeed")
    cell = replace(cell, programs=programs, places=_places(count, outfeeds))
    types = random.Random(seed)
    chosen = tuple(types.choice(cell.part_types).part_type for _ in range(count))
    return Case(f"drawn {seed}", cell, chosen)


def large(seed: int, *, stations: int = 16, pallets: int = 200) -> Case:
    """A drawn cell of many stations and pallets, all stations needed."""
    rng = random.Random(seed)
    names = [f"station-{n:02}" for n in range(1, stations + 1)]
    gap_mm = (LARGE_TO_MM - LARGE_FROM_MM) // max(1, stations - 1)
    pace = rng.choice(LARGE_PACES)
    part_types, programs = [], []
    for kind in range(4):
        part_type, numbers = f"type-{kind}", [str(n) for n in range(1, rng.randint(4, 6) + 1)]
        part_types.append((part_type, tuple(numbers)))
        able: dict[str, list[str]] = {}
        for number in numbers:
            for name in rng.sample(names, min(3, stations)):
                able.setdefault(name, []).append(number)
        for name, known in sorted(able.items()):
            seconds = pace * (10 + len(known) * rng.uniform(3, 12))
            programs.append(program(f"{part_type}-{name}", name, part_type, known, seconds))
    hands_ms = rng.randrange(2000, 6000, 500)
    cell = cell_of(
        [(name, LARGE_FROM_MM + at * gap_mm) for at, name in enumerate(names)],
        part_types,
        programs,
        pick_ms=hands_ms,
        put_ms=hands_ms,
        swap_ms=round(hands_ms * rng.uniform(1.2, 2)),
        speed_mm_s=rng.randrange(600, 1600, 100),
    )
    outfeeds = tuple(place for place in cell.places if place.kind == "outfeed")
    chosen = tuple(rng.choice(part_types)[0] for _ in range(pallets))
    return Case(f"large {seed}", replace(cell, places=_places(pallets, outfeeds)), chosen)


def slow(seed: int, *, stations: int = 16, pallets: int = 200) -> Case:
    """The large cell of a seed with programs so long that the handler has time to spare."""
    case = large(seed, stations=stations, pallets=pallets)
    return Case(f"slow {seed}", _slower(case.cell, SLOWER), case.part_types)


def uneven(seed: int, *, pallets: int = 200) -> Case:
    """Many stations of which few limit."""
    case = drawn(seed, stations=16, pallets=pallets)
    return Case(f"uneven {seed}", _slower(case.cell, UNEVEN_SLOWER), case.part_types)


def _slower(cell: Cell, times: int) -> Cell:
    programs = tuple(
        replace(p, part_free_ms=times * p.part_free_ms, result_ms=times * p.result_ms)
        for p in cell.programs
    )
    return replace(cell, programs=programs)


def without_homes(case: Case, *, racks: int = 0) -> Case:
    """The same with pallets that come in on a conveyor, which takes none back; beside it there are so many rack places, none at first."""
    places = [
        replace(place, kind="infeed") if place.kind == "rack" else place
        for place in case.cell.places
    ]
    infeeds = [place for place in places if place.kind == "infeed"]
    places += [
        replace(infeeds[n % len(infeeds)], place=f"spare-{n:03}", kind="rack") for n in range(racks)
    ]
    cell = replace(case.cell, places=tuple(sorted(places, key=lambda place: place.place)))
    name = f"{racks} rack places" if racks else "no homes"
    return Case(f"{case.name}, {name}", cell, case.part_types)


def at_no_time(case: Case) -> Case:
    """The same with a handler that takes no time."""
    cell = case.cell
    handler = replace(cell.handler, pick_ms=0, put_ms=0, swap_ms=0)
    stations = tuple(replace(station, at_mm=0) for station in cell.stations)
    places = tuple(replace(place, at_mm=0) for place in cell.places)
    cell = replace(cell, handler=handler, stations=stations, places=places)
    return Case(f"{case.name}, no handling", cell, case.part_types)


def _places(count: int, outfeeds: tuple[Place, ...]) -> tuple[Place, ...]:
    racks = [
        replace(
            outfeeds[0],
            place=f"rack-{n:03}",
            kind="rack",
            sorting="",
            at_mm=RACKS_AT_MM * (1 + (n - 1) % RACK_COLUMNS),
        )
        for n in range(1, count + 1)
    ]
    return tuple(sorted([*racks, *outfeeds], key=lambda place: place.place))


def open_shop(name: str, times: tuple[tuple[int, ...], ...]) -> Case:
    """An open shop as a cell: one pallet per job, one program per operation, a handler that takes no time, a home for every pallet.

    ``times`` holds, for each job, its time on each machine, in time units of one second.
    """
    machines = len(times[0])
    stations = [(f"station-{m}", 0) for m in range(machines)]
    numbers = tuple(str(m) for m in range(machines))
    part_types = [(f"job-{j}", numbers) for j in range(len(times))]
    programs = [
        program(f"job-{j}-{m}", f"station-{m}", f"job-{j}", (str(m),), units)
        for j, row in enumerate(times)
        for m, units in enumerate(row)
    ]
    cell = cell_of(stations, part_types, programs, jaws=2, pick_ms=0, put_ms=0, swap_ms=0)
    at_once = tuple(replace(place, at_mm=0) for place in cell.places)
    return Case(name, replace(cell, places=at_once), tuple(name for name, _ in part_types))

"""Lower bounds on the time until the last part is out. Shares no code with the engine; solved by HiGHS through SciPy.

Rules of this file:
- Assignment bound: programs are chosen for all pallets together so that the greatest of all stations' and the handler's bounds is least; the
  choice is an integer programme. Valid for every schedule, because each schedule chooses some covers.
- A station: its first part has to be fetched, all its programs run with at least a change between two, its last part has to be brought out.
- The handler: a pick and a put for each pallet, a change for each visit, the shortest way through the stations for each pallet, and
  the way back for all but one.
- Each can be taken alone, which tells what limits a cell: the greater one. Both together may be above either, as one choice has to serve both.
- Where the integer programme is not solved to the end, its dual bound counts: it is valid too.
"""

from collections.abc import Iterable
from itertools import combinations
from typing import Literal, NamedTuple

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

from supervisor.cell.model import Cell, Program
from tests.bench.routing.cells import Case

SECONDS_MAX = 30


def able(cell: Cell, part_type: str) -> dict[Program, frozenset[str]]:
    """By program of a part type the characteristics that it decides."""
    part = next(part for part in cell.part_types if part.part_type == part_type)
    required_u = {c.number: c.required_u for c in part.plan}
    return {
        p: frozenset(
            c.number
            for c in p.covers
            if c.number in required_u and c.expanded_u / c.k * 2 <= required_u[c.number]
        )
        for p in cell.programs
        if p.part_type == part_type
    }


def minimal_covers(cell: Cell, part_type: str) -> list[tuple[Program, ...]]:
    """Every set of programs that decides the part type and could not do without one of them."""
    decides = able(cell, part_type)
    plan = next(part.plan for part in cell.part_types if part.part_type == part_type)
    needed = {each.number for each in plan}
    found: list[tuple[Program, ...]] = []
    for size in range(1, len(decides) + 1):
        for chosen in combinations(sorted(decides, key=lambda p: p.program), size):
            if any(set(smaller) <= set(chosen) for smaller in found):
                continue
            if frozenset().union(*(decides[p] for p in chosen)) >= needed:
                found.append(chosen)
    return found


Limit = Literal["stations", "handler"]
BOTH: tuple[Limit, ...] = ("stations", "handler")


def assignment_bound_ms(case: Case, limits: tuple[Limit, ...] = BOTH) -> int:
    """The least makespan that any choice of programs allows, in ms, rounded down; by all stations, by the handler, or by both."""
    cell, count = case.cell, len(case.part_types)
    rows: list[tuple[str, tuple[Program, ...]]] = [
        (name, cover)
        for name in sorted(set(case.part_types))
        for cover in minimal_covers(cell, name)
    ]
    stations = [station.station for station in cell.stations]
    # Variables: how many pallets take each cover, whether each station is used, the makespan.
    size = len(rows) + len(stations) + 1
    matrix, lower, upper = [], [], []

    def constrain(entries: dict[int, float], least: float, most: float) -> None:
        row = np.zeros(size)
        for at, factor in entries.items():
            row[at] = factor
        matrix.append(row)
        lower.append(least)
        upper.append(most)

    for name in sorted(set(case.part_types)):
        pallets = case.part_types.count(name)
        constrain({at: 1 for at, row in enumerate(rows) if row[0] == name}, pallets, pallets)
    for at, station in enumerate(stations if "stations" in limits else ()):
        used = len(rows) + at
        taken = {n: _taken_ms(cell, cover, station) for n, (_, cover) in enumerate(rows)}
        visits = {n: float(ms > 0) for n, ms in taken.items()}
        constrain(visits | {used: -count}, -np.inf, 0)
        ends_ms = _first_ms(case, station) + _last_ms(cell, station) - _change_ms(cell)
        constrain(
            {n: float(ms) for n, ms in taken.items()} | {used: ends_ms, size - 1: -1}, -np.inf, 0
        )
    if "handler" in limits:
        hands = {n: float(_hands_ms(case, cover)) for n, (_, cover) in enumerate(rows)}
        constrain(hands | {size - 1: -1}, -np.inf, -_ways_back_ms(case))
    solved = milp(
        c=np.eye(size)[-1],
        constraints=LinearConstraint(np.array(matrix), lower, upper),
        integrality=np.array([1] * (size - 1) + [0]),
        bounds=Bounds(0, np.array([count] * len(rows) + [1] * len(stations) + [np.inf])),
        options={"time_limit": SECONDS_MAX, "mip_rel_gap": 1e-6},
    )
    return int(np.floor(solved.mip_dual_bound + 1e-6))


class Busiest(NamedTuple):
    """What the busiest station has to do: by the best plan that was found, and by any at least."""

    found_ms: float
    least_ms: float


def busiest_ms(
    case: Case, choice: Literal["whole", "split"], seconds: float = SECONDS_MAX
) -> Busiest:
    """The plan that gives the busiest station least to do, runs and changes alone; ``split``: a pallet may take several covers in parts, the linear programme."""
    cell, names = case.cell, sorted(set(case.part_types))
    rows = [(name, cover) for name in names for cover in minimal_covers(cell, name)]
    loads = [
        [_taken_ms(cell, cover, each.station) for _, cover in rows] + [-1] for each in cell.stations
    ]
    shared = [[float(name == of) for of, _ in rows] + [0] for name in names]
    pallets = [case.part_types.count(name) for name in names]
    solved = milp(
        c=np.eye(len(rows) + 1)[-1],
        constraints=[
            LinearConstraint(np.array(loads), -np.inf, 0),
            LinearConstraint(np.array(shared), pallets, pallets),
        ],
        integrality=np.array([choice == "whole"] * len(rows) + [False]),
        options={"time_limit": seconds, "mip_rel_gap": 1e-6},
    )
    return Busiest(solved.fun, solved.mip_dual_bound if choice == "whole" else solved.fun)


def planned_loads_ms(case: Case, planned: Iterable[tuple[str, tuple[str, ...]]]) -> list[int]:
    """What each station has to do if pallets, told by part type, run these programs; each has to be decided in full by them."""
    cell, loads = case.cell, [0] * len(case.cell.stations)
    declared = {each.program: each for each in cell.programs}
    for part_type, names in planned:
        cover, decides = tuple(declared[name] for name in names), able(cell, part_type)
        plan = next(part.plan for part in cell.part_types if part.part_type == part_type)
        assert frozenset().union(*(decides[p] for p in cover)) >= {each.number for each in plan}
        for at, each in enumerate(cell.stations):
            loads[at] += _taken_ms(cell, cover, each.station)
    return loads


def _change_ms(cell: Cell) -> int:
    handler = cell.handler
    alone_ms = handler.pick_ms + handler.put_ms
    return min(handler.swap_ms, alone_ms) if handler.jaws == 2 else alone_ms


def _taken_ms(cell: Cell, cover: tuple[Program, ...], station: str) -> int:
    """What a visit takes of a station at least, the change to the next included."""
    mine = [program for program in cover if program.station == station]
    return sum(p.part_free_ms for p in mine) + _change_ms(cell) if mine else 0


def _travel_ms(cell: Cell, one_mm: int, other_mm: int) -> int:
    return abs(one_mm - other_mm) * 1000 // cell.handler.speed_mm_s


def _entries_mm(cell: Cell) -> list[int]:
    """Where pallets come in: at the infeed if there is one, else at rack places."""
    return _at_mm(cell, "infeed") or _at_mm(cell, "rack")


def _at_mm(cell: Cell, kind: str) -> list[int]:
    return [place.at_mm for place in cell.places if place.kind == kind]


def _first_ms(case: Case, station: str) -> int:
    """When the first run can start: the handler begins at 0 mm, picks a pallet and puts it there."""
    cell = case.cell
    at_mm = next(s.at_mm for s in cell.stations if s.station == station)
    way_ms = min(
        _travel_ms(cell, 0, rack) + _travel_ms(cell, rack, at_mm) for rack in _entries_mm(cell)
    )
    return cell.handler.pick_ms + way_ms + cell.handler.put_ms


def _last_ms(cell: Cell, station: str) -> int:
    at_mm = next(s.at_mm for s in cell.stations if s.station == station)
    way_ms = min(_travel_ms(cell, at_mm, out) for out in _at_mm(cell, "outfeed"))
    return cell.handler.pick_ms + way_ms + cell.handler.put_ms


def _hands_ms(case: Case, cover: tuple[Program, ...]) -> int:
    """What the handler has to do for one pallet: hands, and the way from the rack through the stations to the outfeed."""
    cell = case.cell
    visited = {s.at_mm for s in cell.stations if any(p.station == s.station for p in cover)}
    visits = len({p.station for p in cover})
    way_mm = min(
        _way_mm(rack, visited, out) for rack in _entries_mm(cell) for out in _at_mm(cell, "outfeed")
    )
    way_ms = way_mm * 1000 // cell.handler.speed_mm_s - visits  # each leg is rounded down by itself
    return cell.handler.pick_ms + visits * _change_ms(cell) + way_ms + cell.handler.put_ms


def _way_mm(start: int, stops: set[int], end: int) -> int:
    low, high = min({*stops, start, end}), max({*stops, start, end})
    return min(
        (start - low) + (high - low) + (high - end), (high - start) + (high - low) + (end - low)
    )


def _ways_back_ms(case: Case) -> int:
    """Between two pallets the handler comes back from an outfeed to the rack; travel is rounded down for each of them."""
    cell = case.cell
    nearest = min(
        _travel_ms(cell, rack, out) for rack in _entries_mm(cell) for out in _at_mm(cell, "outfeed")
    )
    return (len(case.part_types) - 1) * nearest

"""A lower bound on the time that the work of a shift takes, whoever routes it.

The bound is the largest of these, all of them true of every schedule that does the same work:

- *resources*: every station does its runs one after the other and exchanges pallets between them; the handler does its stops and its
  travel one after the other. Which programs decide a part is free, as long as the same characteristics are decided: the bound takes the
  assignment that loads the busiest resource least, or less than that.
- *chain*: no part is measured at two stations at once.
- both again for the parts that came last, which could not be begun before they came and had soaked.

Rules of this file:
- The assignment is bounded by Lagrange duality: for any weights w >= 0 that sum to 1, the busiest resource has at least the load
  sum of w_r load_r, and that sum is smallest when each part takes the programs that are cheapest under w. So *every* w gives a valid
  bound, and a poor search for w costs sharpness, never truth (Held and Karp 1971 for the method; from memory).
- Runs that really took place count with their real times, the others as declared; so what really happened is one of the choices that the
  bound is the minimum over, and the bound is never above it.
- Travel: the handler carries one pallet at a time between stops, so for each point of the rail that n parts pass, the arm passes it at
  least 2n - 1 times.
"""

import math
from collections.abc import Iterator, Sequence
from itertools import islice

from supervisor.cell.model import Cell, PlaceKind, Program
from supervisor.cell.value import replace, value
from supervisor.shift.causes import deciding
from supervisor.shift.work import PartDone, Work

ROUNDS = 120
"""Steps of the search for weights."""
STARTS_MAX = 8
"""How many groups of last parts are looked at."""
WAYS_MAX = 64
"""How many ways to decide a part are told apart; a part with more is bounded by its longest single need."""


@value
class Bound:
    """The bound in ms and which of its reasons is the strongest.

    ``ms`` takes the parts when they came. ``work_ms`` is the bound if all of them had been at hand when the first one was, which is never
    more: where a full rack kept parts out, it is the one to look at. ``busiest`` is the resource that binds then, and whoever wants more
    parts per hour has to begin there; ``loads_ms`` has the load of each resource that the search for weights ended with.
    """

    ms: int
    why: str
    work_ms: int
    busiest: str
    loads_ms: dict[str, int]


@value
class _Way:
    """One way to decide a part: its load on each resource (stations in order, then the handler), and its chain."""

    loads: tuple[float, ...]
    chain_ms: float


@value
class _Part:
    """A part with the ways to decide it, and before when nothing was done with it by any machine."""

    done: PartDone
    ways: tuple[_Way, ...]
    came_ms: int


def bound_of(cell: Cell, work: Work) -> Bound | None:
    """The bound on ``work.to_ms - work.from_ms``; None where nothing was done."""
    maker = _Ways(cell, work)
    parts = sorted(
        (_Part(done=d, ways=maker.of(d), came_ms=maker.came_ms(d)) for d in work.parts),
        key=lambda part: (part.came_ms, part.done.pallet),
    )
    parts = [part for part in parts if part.ways]
    if not parts:
        return None
    whole = _resources(maker, parts)
    reasons = [(whole.ms, whole.why)]
    for first in _starts(parts):
        waited_ms = parts[first].came_ms - work.from_ms
        late = _resources(maker, parts[first:])
        minutes = f"{waited_ms / 60_000:.0f} min"
        reasons.append((waited_ms + late.ms, f"{late.why}, from the part after {minutes}"))
    reasons += [
        (
            _ready_ms(part.done) - work.from_ms + _chain_ms(part),
            f"the part on {part.done.pallet} alone took so long",
        )
        for part in parts
    ]
    most_ms, why = max(reasons)
    work_ms = max(whole.ms, *map(_chain_ms, parts))
    return replace(whole, ms=most_ms, why=why, work_ms=work_ms)


def _chain_ms(part: _Part) -> int:
    return math.floor(min(way.chain_ms for way in part.ways))


def _ready_ms(done: PartDone) -> int:
    """When a part could be measured: it had come and soaked. What really began sooner, as under another declaration, was ready then."""
    ready_ms = max(done.entered_ms, done.ready_ms)
    return max(done.entered_ms, min([ready_ms, *(run.started_ms for run in done.runs)]))


def _starts(parts: Sequence[_Part]) -> list[int]:
    """Where the groups of last parts begin: evenly spread, at parts that came later than the one before."""
    later = [at for at in range(1, len(parts)) if parts[at].came_ms > parts[at - 1].came_ms]
    step = max(1, math.ceil(len(later) / STARTS_MAX))
    return later[::step]


# --- the ways to decide a part --------------------------------------------------------------------------------------------------


class _Ways:
    """Works out the ways to decide parts of one cell, with the times of one shift."""

    def __init__(self, cell: Cell, work: Work) -> None:
        self.cell = cell
        self.stations = tuple(station.station for station in cell.stations)
        self.handler_pace = work.pace.handler
        self._decides = deciding(cell)
        self._at_mm = {place.place: place.at_mm for place in cell.places}
        self._station_mm = {station.station: station.at_mm for station in cell.stations}
        self._programs = {
            part.part_type: [p for p in cell.programs if p.part_type == part.part_type]
            for part in cell.part_types
        }
        self._known: dict[tuple[str, frozenset[str]], tuple[tuple[Program, ...], ...]] = {}
        handler = cell.handler
        stops_ms = handler.pick_ms + handler.put_ms
        self.two_jaws = handler.jaws == 2  # noqa: PLR2004 - one jaw or two
        self._pair_ms = min(handler.swap_ms, stops_ms) if self.two_jaws else stops_ms
        self.exchange_ms = {
            station: min(self._exchange_ms(station), work.pace.exchange_ms.get(station, 0))
            for station in self.stations
        }

    def _exchange_ms(self, station: str) -> float:
        """What it takes at least from part free to the next start with another pallet."""
        if self.two_jaws:
            return self._pair_ms
        near_mm = min(
            abs(at_mm - self._station_mm[station])
            for name, at_mm in {**self._at_mm, **self._station_mm}.items()
            if name != station
        )
        return 2 * self._pair_ms + 2 * near_mm * 1000 / self.cell.handler.speed_mm_s

    def came_ms(self, done: PartDone) -> int:
        """Before when no machine did anything for a part: the handler may come for it in time, but no sooner than it waits for anybody."""
        handler = self.cell.handler
        early_ms = 2 * (handler.pick_ms + handler.put_ms) + math.ceil(self.rail_ms())
        return max(done.entered_ms, _ready_ms(done) - early_ms)

    def of(self, part: PartDone) -> tuple[_Way, ...]:
        """Every way to decide what was decided of a part; () where nothing was."""
        decided = frozenset[str]().union(*(self._decides.get(r.program, ()) for r in part.runs))
        if not decided:
            return ()
        key = (part.part_type, decided)
        if key not in self._known:
            self._known[key] = covers(self._programs[part.part_type], self._decides, decided)
        return tuple(self._way(part, chosen) for chosen in self._known[key])

    def _way(self, part: PartDone, chosen: tuple[Program, ...]) -> _Way:
        times = {program.program: self._times(part, program) for program in chosen}
        loads: list[float] = []
        chain_ms = 0.0
        visited: list[str] = []
        for station in self.stations:
            here = [times[p.program] for p in chosen if p.station == station]
            if here:
                visited.append(station)
            loads.append(_visit_ms(here, self.exchange_ms[station]))
            chain_ms += sum(free_ms for free_ms, _ in here)
        loads.append(self.handler_pace * self._carry_ms(part, visited))
        return _Way(loads=tuple(loads), chain_ms=chain_ms)

    def _times(self, part: PartDone, program: Program) -> tuple[int, int]:
        """Until part free and until the result: the shortest that really was, or as declared."""
        real = [run for run in part.runs if run.program == program.program]
        if not real:
            return program.part_free_ms, program.result_ms
        return min(run.part_free_ms for run in real), min(run.result_ms for run in real)

    def _carry_ms(self, part: PartDone, visited: Sequence[str]) -> float:
        """The handler's stops and travel for a part; what was not seen to be carried in or out is not counted."""
        handler = self.cell.handler
        if part.entered == "before" or not part.out:
            return self._pair_ms * max(0, len(visited) - 1)
        stops_ms = handler.pick_ms + handler.put_ms + self._pair_ms * len(visited)
        points = [self._station_mm[station] for station in visited]
        points += [self._at_mm[place] for place in (part.home, part.out) if place in self._at_mm]
        travel_mm = 2 * (max(points) - min(points)) if points else 0
        return stops_ms + travel_mm * 1000 / handler.speed_mm_s

    def rail_ms(self) -> float:
        """The one way along the rail that need not be gone back."""
        ends = [*self._at_mm.values(), *self._station_mm.values()]
        return (max(ends) - min(ends)) * 1000 / self.cell.handler.speed_mm_s

    def head_ms(self, station: str) -> float:
        """From where pallets come in into a nest, at least."""
        return self._way_ms(("rack", "infeed"), station)

    def tail_ms(self, station: str) -> float:
        """From a nest to the outfeed, at least."""
        return self._way_ms(("outfeed",), station)

    def _way_ms(self, kinds: tuple[PlaceKind, ...], station: str) -> float:
        handler, at_mm = self.cell.handler, self._station_mm[station]
        near_mm = min(abs(p.at_mm - at_mm) for p in self.cell.places if p.kind in kinds)
        travel_ms = near_mm * 1000 / handler.speed_mm_s
        return self.handler_pace * (handler.pick_ms + travel_ms + handler.put_ms)


def _visit_ms(runs: Sequence[tuple[int, int]], exchange_ms: float) -> float:
    """How long a visit keeps a station until the next one can begin, whichever of its runs is the last."""
    if not runs:
        return 0.0
    all_ms = sum(result_ms for _, result_ms in runs)
    return all_ms + min(max(0.0, free_ms + exchange_ms - result_ms) for free_ms, result_ms in runs)


def covers(
    programs: Sequence[Program], decides: dict[str, frozenset[str]], needed: frozenset[str]
) -> tuple[tuple[Program, ...], ...]:
    """Every set of programs that decides what is needed and has none to spare.

    Where there are more than ``WAYS_MAX`` walks: one set for each program of the need with the fewest programs, which is less than any of
    the whole sets and so keeps the bound true.
    """
    useful = [program for program in programs if decides[program.program] & needed]
    found = list(islice(_walk(useful, decides, (), needed), WAYS_MAX + 1))
    if len(found) > WAYS_MAX:
        return tuple((program,) for program in _rivals(useful, decides, needed))
    unique = {tuple(sorted(chosen, key=lambda p: p.program)): None for chosen in found}
    return tuple(chosen for chosen in unique if _none_to_spare(chosen, decides, needed))


def _walk(
    programs: Sequence[Program],
    decides: dict[str, frozenset[str]],
    chosen: tuple[Program, ...],
    needed: frozenset[str],
) -> Iterator[tuple[Program, ...]]:
    if not needed:
        yield chosen
        return
    for program in _rivals(programs, decides, needed):
        yield from _walk(programs, decides, (*chosen, program), needed - decides[program.program])


def _rivals(
    programs: Sequence[Program], decides: dict[str, frozenset[str]], needed: frozenset[str]
) -> list[Program]:
    """The programs for the need that the fewest decide."""
    rivals = [[p for p in programs if number in decides[p.program]] for number in sorted(needed)]
    return min(rivals, key=len)


def _none_to_spare(
    chosen: tuple[Program, ...], decides: dict[str, frozenset[str]], needed: frozenset[str]
) -> bool:
    for left_out in chosen:
        rest = (decides[p.program] for p in chosen if p is not left_out)
        if needed <= frozenset[str]().union(*rest):
            return False
    return True


# --- the busiest resource -------------------------------------------------------------------------------------------------------


def _resources(maker: _Ways, parts: Sequence[_Part]) -> Bound:
    """The bound from the resources, counted from when the first of these parts came."""
    fixed = _fixed_ms(maker, parts)
    names = (*maker.stations, maker.cell.handler.handler)
    weights = [1.0 / len(names)] * len(names)
    best_ms, best_loads, best_weights = -math.inf, fixed, weights
    for number in range(ROUNDS):
        loads = _loads_under(weights, parts, fixed)
        value_ms = _dot(weights, loads)
        if value_ms > best_ms:
            best_ms, best_loads, best_weights = value_ms, loads, weights
        weights = _stepped(weights, loads, number)
    at = max(range(len(names)), key=lambda r: (best_weights[r], best_loads[r]))
    loads_ms = {name: max(0, round(load)) for name, load in zip(names, best_loads, strict=True)}
    return Bound(
        ms=math.floor(best_ms + 1e-6),
        why=f"the work of {names[at]}",
        work_ms=math.floor(best_ms + 1e-6),
        busiest=names[at],
        loads_ms=loads_ms,
    )


def _loads_under(
    weights: Sequence[float], parts: Sequence[_Part], fixed: Sequence[float]
) -> list[float]:
    """The loads when each part takes the way that is cheapest under the weights."""
    loads = list(fixed)
    for part in parts:
        ways = part.ways
        way = ways[0] if len(ways) == 1 else min(ways, key=lambda w: _dot(weights, w.loads))
        for at, load in enumerate(way.loads):
            loads[at] += load
    return loads


def _stepped(weights: Sequence[float], loads: Sequence[float], number: int) -> list[float]:
    """Weights moved to the loaded resources: multiplicative, with steps that become smaller."""
    most = max(*loads, 1.0)
    step = 6.0 / (1.0 + number) ** 0.7
    raised = [
        max(weight, 1e-12) * math.exp(step * (load / most - 1.0))
        for weight, load in zip(weights, loads, strict=True)
    ]
    whole = sum(raised)
    return [each / whole for each in raised]


def _fixed_ms(maker: _Ways, parts: Sequence[_Part]) -> list[float]:
    """What comes on top of the parts' own loads: a station waits for its first part, and its last part still has to leave.

    A station that could do without any of these parts is promised nothing. The last visit needs no exchange after it.
    """
    came_ms = min(part.came_ms for part in parts)
    end_ms = max(max(p.done.out_ms, *_ends(p.done)) for p in parts)
    fixed: list[float] = []
    for at, station in enumerate(maker.stations):
        spare_ms = -maker.exchange_ms[station]
        runs = [
            (run.started_ms, run.started_ms + run.result_ms)
            for part in parts
            for run in part.done.runs
            if run.program in _programs_at(maker.cell, station)
        ]
        if runs and any(all(way.loads[at] > 0 for way in part.ways) for part in parts):
            head_ms = min(maker.head_ms(station), min(start for start, _ in runs) - came_ms)
            tail_ms = min(maker.tail_ms(station), end_ms - max(end for _, end in runs))
            spare_ms += max(0.0, head_ms) + max(0.0, tail_ms)
        fixed.append(spare_ms)
    return [*fixed, -maker.handler_pace * maker.rail_ms()]


def _ends(part: PartDone) -> list[int]:
    return [0, *(run.started_ms + run.result_ms for run in part.runs)]


def _programs_at(cell: Cell, station: str) -> frozenset[str]:
    return frozenset(program.program for program in cell.programs if program.station == station)


def _dot(weights: Sequence[float], loads: Sequence[float]) -> float:
    return sum(weight * load for weight, load in zip(weights, loads, strict=True))

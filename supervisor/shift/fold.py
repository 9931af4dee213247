"""The fold: states and their times in, the figures of a shift out.

Rules of this file:
- ``take`` may be called for every journal entry or for the last one of each moment: the figures are the same.
- What a state shows lasts until the next moment. Nothing is estimated, nothing is sampled.
- Who lets it run for ever gives it a new one for each shift: it remembers every part of its shift.
"""

from typing import Literal

from supervisor.cell.model import Cell, Handler
from supervisor.cell.value import replace, value
from supervisor.core.commands import MoveHandler
from supervisor.core.soaking import soaked_ms
from supervisor.core.state import CellState, PalletState, Run, StationState
from supervisor.shift.bound import Bound, bound_of
from supervisor.shift.causes import CAUSES, HANDLER_CAUSES, Cause, Causes, HandlerCause
from supervisor.shift.work import Pace, PartDone, RunDone, Work

SLICE_MS = 300_000
"""The queue over time is kept in slices of this length."""


@value
class StationTime:
    """A station's time by cause in ms, and its finished runs."""

    station: str
    spent_ms: dict[Cause, int]
    runs: int


@value
class QueueSlice:
    """How many pallets waited in the rack, or at an infeed, for a station, from a moment on for ``SLICE_MS``: the mean over time and the most."""

    from_ms: int
    mean: float
    most: int


@value
class Stay:
    """A part that came in within the time looked at: when, and when it was put out (0 = it is still in the cell)."""

    part_type: str
    entered_ms: int
    out_ms: int


@value
class ShiftFigures:
    """What a shift came to. Times in ms of the cell's time; ``span_ms`` is from the first part seen to the last thing done.

    ``stays`` has no part that was taken out before it was sorted. ``bound`` is None where nothing was finished.
    """

    from_ms: int
    to_ms: int
    stations: tuple[StationTime, ...]
    handler_ms: dict[HandlerCause, int]
    queue: tuple[QueueSlice, ...]
    parts_in: int
    parts_out: int
    verdicts: dict[str, int]
    stays: tuple[Stay, ...]
    work: Work
    bound: Bound | None

    @property
    def looked_ms(self) -> int:
        """How long was looked at."""
        return self.to_ms - self.from_ms

    @property
    def stayed_ms(self) -> tuple[int, ...]:
        """How long each part was in the cell that came in and was put out within the time looked at."""
        return tuple(stay.out_ms - stay.entered_ms for stay in self.stays if stay.out_ms)

    def share(self, station: StationTime, cause: Cause) -> float:
        """The share of the time that a station spent with something."""
        return station.spent_ms[cause] / self.looked_ms if self.looked_ms else 0.0

    def throughput_per_h(self) -> float:
        """Parts put out per hour of the time looked at."""
        return self.parts_out * 3_600_000 / self.looked_ms if self.looked_ms else 0.0

    def queue_mean(self) -> float:
        """The mean number of pallets that waited; the last slice counts as a whole one."""
        return sum(s.mean for s in self.queue) / len(self.queue) if self.queue else 0.0

    def gap(self) -> float | None:
        """How much longer the work took than the bound if all parts had been at hand at once, as a share of it; None without a bound."""
        return self._over(self.bound.work_ms) if self.bound else None

    def gap_as_they_came(self) -> float | None:
        """The same with the parts when they came: what is left to the cell itself; None where there is no bound."""
        return self._over(self.bound.ms) if self.bound else None

    def _over(self, bound_ms: int) -> float | None:
        took_ms = self.work.to_ms - self.work.from_ms
        return took_ms / bound_ms - 1.0 if bound_ms > 0 else None


def with_bound(cell: Cell, figures: ShiftFigures) -> ShiftFigures:
    """The same figures with the bound on their work."""
    return replace(figures, bound=bound_of(cell, figures.work))


class ShiftFold:
    """The figures of one shift of a declared cell, from the first state taken on."""

    def __init__(self, cell: Cell) -> None:
        """Know nothing yet."""
        self._cell = cell
        self._causes = Causes(cell)
        self._waiting = frozenset(place.place for place in cell.places if place.kind != "outfeed")
        self._state: CellState | None = None
        self._settled: CellState | None = None
        self._from_ms = self._at_ms = 0
        self._spent: dict[str, dict[Cause, int]] = {
            station.station: dict.fromkeys(CAUSES, 0) for station in cell.stations
        }
        self._handler_ms: dict[HandlerCause, int] = dict.fromkeys(HANDLER_CAUSES, 0)
        self._now: dict[str, Cause] = {}
        self._handler_now: HandlerCause = "idle"
        self._queue = _Queue()
        self._log = _Log(cell)

    def take(self, state: CellState, at_ms: int) -> None:
        """Take the state after something happened at ``at_ms``. A time before the last one counts as the last one."""
        at_ms = max(at_ms, self._at_ms)
        if self._state is None:
            self._from_ms = at_ms
        elif at_ms > self._at_ms:
            self._settle(self._state)
            self._spend(self._at_ms, at_ms)
        self._state, self._at_ms = state, at_ms

    def figures(self, at_ms: int | None = None) -> ShiftFigures:
        """The figures up to now, which is the last moment taken, or a later one until which nothing happened."""
        return with_bound(self._cell, self.looked(at_ms))

    def looked(self, at_ms: int | None = None) -> ShiftFigures:
        """The same without the bound, which takes longer than all else and can be worked out elsewhere (``with_bound``)."""
        if self._state is not None:
            self.take(self._state, self._at_ms if at_ms is None else at_ms)
            self._settle(self._state)
        work = self._log.work(self._from_ms)
        left = [part for part in work.parts if part.out]
        return ShiftFigures(
            from_ms=self._from_ms,
            to_ms=self._at_ms,
            stations=tuple(
                StationTime(station=name, spent_ms=dict(spent), runs=self._log.finished[name])
                for name, spent in self._spent.items()
            ),
            handler_ms=dict(self._handler_ms),
            queue=self._queue.slices(self._at_ms),
            parts_in=self._log.came_in(),
            parts_out=len(left),
            verdicts=dict(sorted(self._log.verdicts.items())),
            stays=self._log.stays(self._state),
            work=work,
            bound=None,
        )

    def next(self, at_ms: int) -> "ShiftFold":
        """The fold of the shift that begins at a moment with what stands then."""
        after = ShiftFold(self._cell)
        if self._state is not None:
            after.take(self._state, at_ms)
        return after

    def _settle(self, state: CellState) -> None:
        """The moment is over: what changed since the moment before, and what lasts from here on."""
        before = self._settled
        if state is before:
            return
        self._log.look(before, state, self._at_ms)
        if before is None or not _same_for_causes(before, state):
            for name, station in state.stations.items():
                if name in self._spent:
                    self._now[name] = self._causes.of_station(state, station, self._at_ms)
            self._handler_now = self._causes.of_handler(state)
        if before is None or before.pallets is not state.pallets:
            self._queue.waiting = sum(map(self._waits, state.pallets.values()))
        self._settled = state

    def _waits(self, pallet: PalletState) -> bool:
        return pallet.stage in ("seen", "identified", "planned") and pallet.place in self._waiting

    def _spend(self, from_ms: int, to_ms: int) -> None:
        for name, cause in self._now.items():
            self._spent[name][cause] += to_ms - from_ms
        self._handler_ms[self._handler_now] += to_ms - from_ms
        self._queue.spend(from_ms, to_ms)


def _same_for_causes(one: CellState, other: CellState) -> bool:
    """Whether nothing changed that a cause is read from; unchanged parts of a state are the very same values."""
    return (
        one.stations is other.stations
        and one.handler is other.handler
        and one.pallets is other.pallets
        and one.holds is other.holds
        and one.outstanding is other.outstanding
        and one.want == other.want
    )


class _Queue:
    """How many wait, by slices of time."""

    def __init__(self) -> None:
        self.waiting = 0
        self._area: dict[int, int] = {}
        self._most: dict[int, int] = {}

    def spend(self, from_ms: int, to_ms: int) -> None:
        """So many waited from one moment to another."""
        while from_ms < to_ms:
            start = from_ms - from_ms % SLICE_MS
            until = min(to_ms, start + SLICE_MS)
            self._area[start] = self._area.get(start, 0) + self.waiting * (until - from_ms)
            self._most[start] = max(self._most.get(start, 0), self.waiting)
            from_ms = until

    def slices(self, to_ms: int) -> tuple[QueueSlice, ...]:
        """The slices so far; the first and the last may be short."""
        starts = sorted(self._area)
        return tuple(
            QueueSlice(
                from_ms=start,
                mean=self._area[start] / max(1, min(to_ms, start + SLICE_MS) - start),
                most=self._most[start],
            )
            for start in starts
        )


@value
class _Running:
    """A run under way: ``free_ms`` 0 until its part is free. One that began before the look did is not counted."""

    run: Run
    free_ms: int
    counts: Literal["yes", "no"]


class _Log:
    """Which parts came, what was run on them, and when they left."""

    def __init__(self, cell: Cell) -> None:
        self._handler = cell.handler
        self._part_types = {part.part_type: part for part in cell.part_types}
        self._at_mm = {place.place: place.at_mm for place in cell.places}
        self._at_mm |= {station.station: station.at_mm for station in cell.stations}
        self._parts: dict[tuple[str, int], PartDone] = {}
        self._running: dict[str, _Running] = {}
        self._free: dict[str, tuple[str, int]] = {}
        self._exchange_ms: dict[str, int] = {}
        self._sorted_before: set[tuple[str, int]] = set()
        self._ordered_ms = self._declared_ms = self._order_ms = 0
        self._order_from = ""
        self._last_ms = 0
        self.finished = {station.station: 0 for station in cell.stations}
        self.verdicts: dict[str, int] = {}

    def came_in(self) -> int:
        """How many parts came in within the time looked at, also those that nothing was done with yet."""
        return sum(part.entered == "within" for part in self._parts.values())

    def stays(self, state: CellState | None) -> tuple[Stay, ...]:
        """The parts that came in within the time looked at and were put out, or are still there in this state."""
        pallets = {} if state is None else state.pallets
        inside = {(name, pallet.entered_ms) for name, pallet in pallets.items()}
        return tuple(
            Stay(part_type=part.part_type, entered_ms=part.entered_ms, out_ms=part.out_ms)
            for key, part in self._parts.items()
            if part.entered == "within" and (part.out or key in inside)
        )

    def work(self, from_ms: int) -> Work:
        """What was done. It begins with the first part that was there."""
        parts = tuple(part for part in self._parts.values() if part.runs or part.out)
        first_ms = min((part.entered_ms for part in parts), default=from_ms)
        declared = self._declared_ms
        return Work(
            from_ms=first_ms,
            to_ms=max(first_ms, self._last_ms),
            parts=parts,
            pace=Pace(
                exchange_ms=dict(self._exchange_ms),
                handler=min(1.0, self._ordered_ms / declared) if declared else 1.0,
            ),
        )

    def look(self, before: CellState | None, state: CellState, at_ms: int) -> None:
        """Compare two settled states."""
        if before is None or before.pallets is not state.pallets:
            self._look_at_pallets(before, state, at_ms)
        if before is None or before.stations is not state.stations:
            for name, station in state.stations.items():
                if before is None or before.stations.get(name) is not station:
                    self._look_at_run(state, station, at_ms, "no" if before is None else "yes")
        if before is not None and before.outstanding is not state.outstanding:
            self._look_at_order(before, state, at_ms)

    # --- parts ---

    def _look_at_pallets(self, before: CellState | None, state: CellState, at_ms: int) -> None:
        for name, pallet in state.pallets.items():
            if not pallet.serial or (before is not None and before.pallets.get(name) is pallet):
                continue
            key = name, pallet.entered_ms
            if before is None and pallet.stage == "sorted":
                self._sorted_before.add(key)
            if key in self._sorted_before:
                continue
            part = self._parts.get(key) or self._met(before, pallet, at_ms)
            if pallet.part_type and pallet.part_type != part.part_type:
                # Its tag was read again, right this time.
                part = replace(part, part_type=pallet.part_type, ready_ms=self._ready_ms(pallet))
            if pallet.stage == "sorted" and not part.out:
                part = replace(part, out=pallet.place, out_ms=at_ms)
                self.verdicts[pallet.verdict] = self.verdicts.get(pallet.verdict, 0) + 1
                self._last_ms = at_ms
            self._parts[key] = part

    def _met(self, before: CellState | None, pallet: PalletState, at_ms: int) -> PartDone:
        """A part that is new here."""
        known_before = before is None
        return PartDone(
            pallet=pallet.pallet,
            part_type=pallet.part_type,
            entered="before" if known_before else "within",
            entered_ms=at_ms if known_before else pallet.entered_ms,
            home=pallet.home,
            out="",
            out_ms=0,
            runs=(),
            ready_ms=self._ready_ms(pallet),
        )

    def _ready_ms(self, pallet: PalletState) -> int:
        """When a part had soaked; 0 if it need not, or nobody knows what it is."""
        part_type = self._part_types.get(pallet.part_type)
        return 0 if part_type is None else soaked_ms(part_type, pallet)

    # --- runs ---

    def _look_at_run(
        self, state: CellState, station: StationState, at_ms: int, counts: Literal["yes", "no"]
    ) -> None:
        name, run = station.station, station.run
        known = self._running.get(name)
        if known is not None and (run is None or run.run_id != known.run.run_id):
            del self._running[name]
            self._ended(state, name, known, at_ms)
            known = None
        if run is None or not run.started_ms:
            return
        if known is None:
            known = self._began(name, run, counts)
        if run.stage in ("evaluating", "finished") and not known.free_ms:
            known = self._part_free(name, known, at_ms)
        self._running[name] = known

    def _began(self, station: str, run: Run, counts: Literal["yes", "no"]) -> _Running:
        pallet, free_ms = self._free.get(station, ("", 0))
        if pallet and pallet != run.pallet:
            gap_ms = run.started_ms - free_ms
            self._exchange_ms[station] = min(gap_ms, self._exchange_ms.get(station, gap_ms))
        return _Running(run=run, free_ms=0, counts=counts)

    def _part_free(self, station: str, running: _Running, at_ms: int) -> _Running:
        self._free[station] = (running.run.pallet, at_ms)
        return replace(running, free_ms=at_ms)

    def _ended(self, state: CellState, station: str, running: _Running, at_ms: int) -> None:
        """A run is over; it counts if its result is among those of its pallet."""
        if not running.free_ms:
            running = self._part_free(station, running, at_ms)
        pallet = state.pallets.get(running.run.pallet)
        if pallet is None or all(r.run_id != running.run.run_id for r in pallet.results):
            return
        part = self._parts.get((pallet.pallet, pallet.entered_ms))
        if part is None or running.counts == "no":
            return
        self.finished[station] += 1
        self._last_ms = at_ms
        done = RunDone(
            program=running.run.program,
            started_ms=running.run.started_ms,
            part_free_ms=running.free_ms - running.run.started_ms,
            result_ms=at_ms - running.run.started_ms,
        )
        self._parts[pallet.pallet, pallet.entered_ms] = replace(part, runs=(*part.runs, done))

    # --- the handler ---

    def _look_at_order(self, before: CellState, state: CellState, at_ms: int) -> None:
        """Compare how long an order took with what the declaration says it takes."""
        was, now = before.outstanding.get("handler"), state.outstanding.get("handler")
        if was is not None and (now is None or now.goal.order != was.goal.order):
            goal = was.goal
            if isinstance(goal, MoveHandler) and state.handler.at == goal.place:
                declared_ms = _declared_ms(self._handler, self._at_mm, self._order_from, goal)
                self._ordered_ms += at_ms - self._order_ms
                self._declared_ms += declared_ms
        if now is not None and (was is None or was.goal.order != now.goal.order):
            self._order_ms, self._order_from = at_ms, state.handler.at


def _declared_ms(
    handler: Handler, at_mm: dict[str, int], order_from: str, goal: MoveHandler
) -> int:
    """How long an order should take from where the handler was: stop and travel."""
    stop_ms = {
        "approach": 0,
        "pick": handler.pick_ms,
        "put": handler.put_ms,
        "swap": handler.swap_ms,
    }
    travel_ms = 0
    if order_from in at_mm:
        travel_ms = handler.travel_ms(at_mm[order_from], at_mm[goal.place])
    return stop_ms[goal.action] + travel_ms

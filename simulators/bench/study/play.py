"""One shift of a study in virtual time.

Rules of this file:
- Everything random follows from the seed: parts, their order and places, real durations, faults and repairs.
- A person answers every hold: a station's fault when the repair is done, anything else after ``ANSWER_MS``, truthfully, as in
  ``simulators.bench.person``.
"""

import math
from collections.abc import Sequence
from random import Random

from simulators.bench.diary import Diary
from simulators.bench.parts import pallets_for, physics_of
from simulators.bench.person import LOOKS
from simulators.bench.study.wishes import Wishes
from simulators.bench.world import World
from simulators.models.chance import chance
from simulators.models.physics import Pallet
from supervisor.cell.model import Cell
from supervisor.cell.value import replace
from supervisor.core.decide import Decision
from supervisor.core.events import Event, HoldReleased
from supervisor.shift.fold import ShiftFigures, ShiftFold

START_MS = 1_764_000_000_000
HOUR_MS = 3_600_000
MINUTE_MS = 60_000
ANSWER_MS = 120_000
"""How long a person takes to answer what is no fault of a station (our choice)."""

BLOCK = 12
"""Pallets among which the order is drawn (our choice)."""


def play(wishes: Wishes, seed: int) -> ShiftFigures:
    """The figures of one shift. Without reference parts: nobody brings them here, and stations that waited for them would say nothing of a shift."""
    return _Play(replace(wishes, cell=_without_reference_parts(wishes.cell)), seed).run()


def _without_reference_parts(cell: Cell) -> Cell:
    staying = {part.part_type for part in cell.part_types if part.reference is not None}
    return replace(
        cell,
        part_types=tuple(each for each in cell.part_types if each.part_type not in staying),
        programs=tuple(each for each in cell.programs if each.part_type not in staying),
    )


class _Play:
    """A world with its person, for one shift."""

    def __init__(self, wishes: Wishes, seed: int) -> None:
        self._wishes = wishes
        self._seed = seed
        self._end_ms = START_MS + round(wishes.hours * HOUR_MS)
        pallets = mixed_pallets(wishes, seed)
        every_ms = round(wishes.every_s * 1000)
        physics = physics_of(
            wishes.cell,
            pallets=pallets,
            arrivals_ms=[START_MS + number * every_ms for number in range(len(pallets))],
            bad_share=wishes.bad_share,
        )
        self._world = World(wishes.cell, physics, seed=seed, start_ms=START_MS)
        self._fold = ShiftFold(wishes.cell)
        self._world.models.operator.come_in_order([pallet.pallet for pallet in pallets])
        self._world.watch = self._watch
        self._fold.take(self._world.state, START_MS)
        self._diary = Diary()
        self._noticed: set[str] = set()
        self._repaired_ms: dict[str, int] = {}
        self._finite = wishes.pallets
        for station in sorted(wishes.failures):
            self._plan_fault(station, chance("study faults", seed, station))

    def _watch(self, _event: Event, decision: Decision) -> None:
        self._fold.take(decision.state, self._world.cell_ms())

    def run(self) -> ShiftFigures:
        """Until the shift is over, or all pallets are done where their number was given."""
        world = self._world
        while world.now_ms < self._end_ms and not self._done():
            next_ms = self._diary.next_ms()
            until_ms = self._end_ms if next_ms is None else min(next_ms, self._end_ms)
            world.run(max(until_ms, world.now_ms), done=self._interrupted)
            self._notice()
            self._diary.do(world.now_ms)
        return self._fold.figures(world.now_ms)

    def _done(self) -> bool:
        world = self._world
        return self._finite > 0 and world.models.operator.waiting == 0 and not world.state.pallets

    def _interrupted(self, world: World) -> bool:
        return bool(world.state.holds.keys() - self._noticed) or self._done()

    # --- people ---

    def _notice(self) -> None:
        for name in sorted(self._world.state.holds.keys() - self._noticed):
            self._noticed.add(name)
            hold = self._world.state.holds[name]
            at_ms = self._world.now_ms + ANSWER_MS
            if hold.code == "station-fault":
                at_ms = max(self._world.now_ms, self._repaired_ms.get(hold.subject, 0))
            self._diary.write(at_ms, lambda name=name: self._answer(name))

    def _answer(self, name: str) -> None:
        world = self._world
        hold = world.state.holds.get(name)
        if hold is None:
            return
        reply = LOOKS[hold.code](world, hold)
        world.look()
        world.tell(HoldReleased(hold=name, answer=reply, by="the study", place=""))

    # --- faults ---

    def _plan_fault(self, station: str, draw: Random) -> None:
        failures = self._wishes.failures[station]
        if failures.per_hour <= 0:
            return
        wait_ms = draw.expovariate(failures.per_hour / HOUR_MS)
        at_ms = self._world.now_ms + max(1, math.ceil(wait_ms))
        if at_ms < self._end_ms:
            self._diary.write(at_ms, lambda: self._strike(station, draw))

    def _strike(self, station: str, draw: Random) -> None:
        """The station fails and is repaired after a drawn time; the next fault comes after that."""
        repair_ms = draw.expovariate(1.0) * self._wishes.failures[station].repair_min * MINUTE_MS
        repaired_ms = self._world.now_ms + max(1, math.ceil(repair_ms))
        self._repaired_ms[station] = repaired_ms
        self._world.models.stations[station].befall("fault")
        self._world.look()
        self._diary.write(repaired_ms, lambda: self._plan_fault(station, draw))


# --- what comes -----------------------------------------------------------------------------------------------------------------


def mixed_pallets(wishes: Wishes, seed: int) -> Sequence[Pallet]:
    """The pallets of a shift in the wished mix, in the order in which they come.

    Of every ``BLOCK`` pallets each part type has its share, as nearly as whole parts allow; within a block the order is drawn. A shift
    that had twice as many of one type as the next would say more about luck than about the cell.
    """
    cell = wishes.cell
    count = wishes.pallets or most_pallets(wishes)
    shares = {part.part_type: wishes.mix.get(part.part_type, 1.0) for part in cell.part_types}
    by_name = {part.part_type: part for part in cell.part_types if shares[part.part_type] > 0}
    order = _in_turn({name: shares[name] for name in by_name}, count)
    supply = {
        name: iter(pallets_for(replace(cell, part_types=(part,)), order.count(name), seed))
        for name, part in by_name.items()
    }
    draw = chance("study order", seed)
    for start in range(0, count, BLOCK):
        block = order[start : start + BLOCK]
        draw.shuffle(block)
        order[start : start + BLOCK] = block
    return [_numbered(next(supply[name]), at + 1, seed) for at, name in enumerate(order)]


def _numbered(pallet: Pallet, number: int, seed: int) -> Pallet:
    """The same pallet under a number of its own, with a serial number of its own."""
    carrier = pallet.pallet.rpartition(".")[0]
    return Pallet(
        pallet=f"{carrier}.{number}",
        part_type=pallet.part_type,
        serial=str(100_000 + (seed % 800) * 1_000 + number),
        batch=pallet.batch,
        produced=pallet.produced,
    )


def _in_turn(shares: dict[str, float], count: int) -> list[str]:
    """Names by largest remainder: who is furthest behind its share comes next."""
    whole = sum(shares.values())
    given = dict.fromkeys(sorted(shares), 0)
    order: list[str] = []
    for number in range(1, count + 1):
        name = max(given, key=lambda each: (shares[each] / whole * number - given[each], each))
        given[name] += 1
        order.append(name)
    return order


def most_pallets(wishes: Wishes) -> int:
    """More pallets than the cell can finish in the shift: no station measures anything faster than its quickest program."""
    shift_ms = wishes.hours * HOUR_MS
    if wishes.every_s > 0:
        return math.ceil(shift_ms / (wishes.every_s * 1000))
    entries = sum(place.kind != "outfeed" for place in wishes.cell.places)
    quickest_ms = {
        station.station: min(
            (p.part_free_ms for p in wishes.cell.programs if p.station == station.station),
            default=shift_ms,
        )
        for station in wishes.cell.stations
    }
    return entries + math.ceil(sum(shift_ms / each for each in quickest_ms.values()))

"""Robotic cells in flow order: handlers that repeat one cycle for ever, and how long a cycle takes.

Rules of this file:
- A cycle is a sequence of activities; activity i brings a pallet from station i to the next one (0: from the rack, the last: to the outfeed).
  An activity with nobody to carry is left out, which happens only while the cell fills and empties; at the very end the rest is brought out.
- The handler stands and waits where it has to; nothing is decided. The runs are those of the step simulator, judged by the checker.
"""

from dataclasses import dataclass
from itertools import pairwise

from supervisor.cell.value import replace
from supervisor.routing.situation import Carry
from tests.bench.routing.cells import Case
from tests.bench.routing.recorded import Log, Recorded
from tests.unit.routing.random_cells import cell_of, program

PARTS = 24
STEADY = slice(10, 18)
"""The parts between which a cycle is measured: the cell is full, and does not empty yet."""


@dataclass(frozen=True)
class Flow:
    """A cell in flow order, times in ms: each step of the way ``travel``, a pick or a put ``hand``, a turn between the jaws ``turn``."""

    runs: tuple[int, ...]
    hand: int
    travel: int
    turn: int = 0
    jaws: int = 1

    def case(self) -> Case:
        """The cell: rack, stations and outfeed in a row."""
        count = len(self.runs)
        numbers = tuple(str(n) for n in range(1, count + 1))
        cell = cell_of(
            [(f"station-{n}", self.travel * int(n)) for n in numbers],
            [("ring", numbers)],
            [
                program(f"run-{n}", f"station-{n}", "ring", (n,), ms / 1000)
                for n, ms in zip(numbers, self.runs, strict=True)
            ],
            jaws=self.jaws,
            racks=PARTS,
            pick_ms=self.hand,
            put_ms=self.hand,
            swap_ms=2 * self.hand + self.turn,
        )
        end_mm = self.travel * (count + 1)
        places = tuple(replace(p, at_mm=0 if p.kind == "rack" else end_mm) for p in cell.places)
        return Case("flow", replace(cell, places=places), ("ring",) * PARTS)


class _Cyclic:
    """A handler that does the same activities for ever."""

    def __init__(self, cell, activities):
        self.stops = ["", *(station.station for station in cell.stations), "out-ok-1"]
        self.programs = {p.station: p.program for p in cell.programs}
        self.activities = activities
        self.turn = 0

    def choose(self, situation):
        where = {pallet.place: pallet.pallet for pallet in situation.pallets}
        free = [o.place for o in situation.outfeeds if o.free == "free"]
        self.stops[-1] = next(place for place in free if place.startswith("out-ok"))
        racks = sorted(place for place in where if place.startswith("rack"))
        if situation.hand:
            return self.carry(situation.hand, "", self.onward, where)
        emptying = range(len(self.programs), 0, -1)
        for activity in (*self.next_round(), *emptying):
            origin = self.stops[activity] or (racks[0] if racks else "-")
            if origin in where:
                self.turn += 1
                self.onward = activity + 1
                return self.carry(where[origin], origin, activity + 1, where)
            self.turn += 1
        raise AssertionError("nobody to carry")

    def next_round(self):
        """The activities of one cycle, from where the handler is in it."""
        at = self.turn % len(self.activities)
        return self.activities[at:] + self.activities[:at]

    def carry(self, pallet, origin, to, where):
        target = self.stops[to]
        displaced = where.get(target, "")
        if not origin:
            self.onward = to + 1  # a pallet that is taken out in a swap goes on in flow order
        run = self.programs.get(target, "")
        return Carry(
            pallet=pallet, origin=origin, target=target, displaced=displaced, program=run, then=(),
            cost_ms=0, why="", alternatives=(),
        )  # fmt: skip

    def next_program(self, pallet, station, *_):
        return self.programs[station] if station.removeprefix("station-") in pallet.open else ""


def cyclic_run(flow: Flow, activities: tuple[int, ...]) -> Log:
    """A whole run of a cycle."""
    simulation = Recorded(flow.case(), lambda cell: _Cyclic(cell, activities))
    outcome = simulation.run()
    assert not outcome.left
    return simulation.log


def cycle_ms(log: Log) -> list[int]:
    """The times between parts that leave one after the other, while the cell is full."""
    out = [stop.end_ms for stop in log.stops if stop.place.startswith("out")]
    return [later - sooner for sooner, later in pairwise(out[STEADY])]

"""The small cell as somebody would write it in SimPy to study it: the denominator of virtual time.

Rules of this file:
- Declared times, places and programs are those of the small cell; doors, tag reader and operator take what its simulators take. Every
  step of a pallet that takes time is one step here too.
- It decides first come, first served, as plain resources do. There are no images, interlocks, tags, results, records or reasons, and
  nothing can fail: that is what the supervisor's own time is spent on.
"""

import random

import simpy

from simulators.bench.parts import TAKE_AFTER_MS
from simulators.models.scan import SCAN
from simulators.models.touch import TOUCH
from supervisor.cell.model import Cell, Program

READ_MS = 300
STATIONS = {"scan-1": SCAN, "touch-1": TOUCH}
"""What decides every characteristic of every part type; the CT station is an alternative that is seldom worth its time."""


class SimpyCell:
    """A shift of the cell. ``finished`` counts the pallets that have left."""

    def __init__(self, cell: Cell, pallets: int, every_ms: int) -> None:
        """Declare the resources and let the pallets come."""
        self.env = simpy.Environment()
        self.finished = 0
        self._cell = cell
        self._at_mm = {place.place: place.at_mm for place in cell.places}
        self._at_mm.update({station.station: station.at_mm for station in cell.stations})
        self._programs = {(p.part_type, p.station): p for p in cell.programs}
        self._arm = simpy.Resource(self.env, 1)
        self._arm_mm = cell.handler.rail_from_mm
        self._reader = simpy.Resource(self.env, 1)
        self._nests = {name: simpy.Resource(self.env, 1) for name in STATIONS}
        self._rack = simpy.Store(self.env)
        self._out = simpy.Store(self.env)
        self._rack.items += [place.place for place in cell.places if place.kind == "rack"]
        self._out.items += [place.place for place in cell.places if place.sorting == "conforming"]
        self._draw = random.Random(3)
        for number in range(pallets):
            part_type = cell.part_types[number % len(cell.part_types)].part_type
            self.env.process(self._pallet(part_type, number * every_ms))

    def run(self) -> int:
        """Until nothing happens any more; how many pallets have left."""
        self.env.run()
        return self.finished

    def _pallet(self, part_type: str, at_ms: int) -> simpy.events.ProcessGenerator:
        """From the rack through the stations to an outfeed place, and away."""
        yield self.env.timeout(at_ms)
        home = place = yield self._rack.get()
        with self._reader.request() as reading:
            yield reading
            yield self.env.timeout(READ_MS)
        held = None
        for station in STATIONS:
            nest = self._nests[station].request()
            yield nest
            yield from self._carry(place, station)
            if held is None:
                yield self._rack.put(home)
            else:
                self._nests[place].release(held)
            held, place = nest, station
            yield from self._measure(station, self._programs[part_type, station])
        outfeed = yield self._out.get()
        yield from self._carry(place, outfeed)
        self._nests[place].release(held)
        yield self.env.timeout(TAKE_AFTER_MS)
        yield self._out.put(outfeed)
        self.finished += 1

    def _carry(self, origin: str, target: str) -> simpy.events.ProcessGenerator:
        """One pallet from place to place by the arm, with the doors that are in its way."""
        handler = self._cell.handler
        with self._arm.request() as arm:
            yield arm
            for place, stop_ms in ((origin, handler.pick_ms), (target, handler.put_ms)):
                yield self.env.timeout(handler.travel_ms(self._arm_mm, self._at_mm[place]))
                self._arm_mm = self._at_mm[place]
                if place in STATIONS:
                    yield self.env.timeout(STATIONS[place].open_ms)
                yield self.env.timeout(stop_ms)

    def _measure(self, station: str, program: Program) -> simpy.events.ProcessGenerator:
        """Door closed and program prepared, then the run until the part is free and until its result is there."""
        yield self.env.timeout(STATIONS[station].close_ms)
        yield self.env.timeout(STATIONS[station].prepare_ms)
        yield self.env.timeout(program.part_free_ms * self._draw.gauss(1.0, 0.02))
        if program.result_ms > program.part_free_ms:
            yield self.env.timeout(program.result_ms - program.part_free_ms)

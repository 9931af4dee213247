"""What limits a run: what the handler did all the time, and how much of it the busiest station measured.

Rules of this file: read from the log and the declaration; shares no code with the engine.
"""

from dataclasses import dataclass
from itertools import pairwise

from tests.bench.routing.recorded import Log, Stop


@dataclass(frozen=True)
class Limits:
    """Shares of the makespan. ``hands`` picks, puts and swaps, ``travel`` the ways, ``stands`` the handler waiting before a nest with a
    pallet in hand, ``free`` without one; together 1. ``measures`` is the busiest station, ``all_measure`` the mean of all stations.
    """

    hands: float
    travel: float
    stands: float
    free: float
    measures: float
    all_measure: float

    def __str__(self) -> str:
        return (
            f"{self.hands:.0%} hands, {self.travel:.0%} ways, {self.stands:.0%} standing, {self.free:.0%} free; "
            f"busiest station {self.measures:.0%}, mean {self.all_measure:.0%}"
        )


def limits(log: Log) -> Limits:
    """The shares in one whole run."""
    cell = log.case.cell
    at_mm = {place.place: place.at_mm for place in cell.places}
    at_mm |= {station.station: station.at_mm for station in cell.stations}
    hands = travel = stands = 0
    start = Stop("", 0, 0, "", "")
    for before, stop in pairwise([start, *log.stops]):
        from_mm = at_mm.get(before.place, 0)
        way_ms = abs(at_mm[stop.place] - from_mm) * 1000 // cell.handler.speed_mm_s
        hands += stop.end_ms - stop.begin_ms
        travel += way_ms
        if before.taken:
            stands += stop.begin_ms - before.end_ms - way_ms
    part_free_ms = {program.program: program.part_free_ms for program in cell.programs}
    busy = {station.station: 0 for station in cell.stations}
    for each in log.runs:
        busy[each.station] += part_free_ms[each.program]
    whole = log.makespan_ms
    return Limits(
        hands=hands / whole,
        travel=travel / whole,
        stands=stands / whole,
        free=1 - (hands + travel + stands) / whole,
        measures=max(busy.values()) / whole,
        all_measure=sum(busy.values()) / len(busy) / whole,
    )

"""Whether a log is a possible schedule of its cell. Shares no code with the engine: it reads the declaration and the log only.

Rules of this file:
- The rules of the cell are written out here once more, from the problem's statement (docs/explanation/routing.md), not from the code.
- A log is judged as it stands; every rule that is broken is named, with time, pallet and place.
- Only for runs in which everything takes as long as declared.
"""

from collections.abc import Iterator
from decimal import Decimal

from tests.bench.routing.recorded import Log, Run


def broken_rules(log: Log) -> list[str]:
    """What is wrong with a schedule; [] if nothing is."""
    return [*_handler(log), *_places(log), *_runs(log), *_pallets(log), *_precedence(log)]


# --- the handler --------------------------------------------------------------------------------------------------------------


def _handler(log: Log) -> Iterator[str]:
    """One thing after the other, each as long as declared, with the way between; never two pallets in hand after a stop."""
    handler, at_mm = log.case.cell.handler, _positions(log)
    held, free_ms, here_mm = "", 0, 0
    for stop in log.stops:
        way_ms = _way_ms(log, here_mm, at_mm[stop.place])
        if stop.begin_ms < free_ms + way_ms:
            yield f"{stop}: the handler could be there at {free_ms + way_ms} ms only"
        takes_ms = {
            (True, False): handler.pick_ms,
            (False, True): handler.put_ms,
            (True, True): handler.swap_ms,
        }.get((bool(stop.taken), bool(stop.left)))
        if takes_ms is None or stop.end_ms - stop.begin_ms != takes_ms:
            yield f"{stop}: it should take {takes_ms} ms"
        if stop.left != held and (stop.left or not stop.taken or held):
            yield f"{stop}: {held or 'nobody'} was in hand"
        if stop.taken and stop.left and handler.jaws == 1:
            yield f"{stop}: one jaw cannot swap"
        held, free_ms, here_mm = stop.taken, stop.end_ms, at_mm[stop.place]
    if held:
        yield f"{held} is in hand at the end"


def _way_ms(log: Log, from_mm: int, to_mm: int) -> int:
    if log.case.ways_ms:
        return log.case.ways_ms[from_mm][to_mm]
    return abs(to_mm - from_mm) * 1000 // log.case.cell.handler.speed_mm_s


def _positions(log: Log) -> dict[str, int]:
    cell = log.case.cell
    places = {place.place: place.at_mm for place in cell.places}
    return places | {station.station: station.at_mm for station in cell.stations}


# --- places -------------------------------------------------------------------------------------------------------------------


def _entries(log: Log) -> dict[str, str]:
    places = {kind: [] for kind in ("rack", "infeed", "outfeed")}
    for place in log.case.cell.places:
        places[place.kind].append(place.place)
    entries = places["infeed"] or places["rack"]
    return {f"pallet-{n:02}": entries[n] for n in range(len(log.case.part_types))}


def _places(log: Log) -> Iterator[str]:
    """A place holds one pallet; nobody is taken from where it is not; a pallet has one rack place, where it began if it began in one, and nobody comes back to an infeed place."""
    entries = _entries(log)
    kinds = {place.place: place.kind for place in log.case.cell.places}
    there = {entry: pallet for pallet, entry in entries.items()}
    homes = {pallet: entry for pallet, entry in entries.items() if kinds[entry] == "rack"}
    for stop in log.stops:
        if there.get(stop.place, "") != stop.taken:
            yield f"{stop}: {there.get(stop.place) or 'nobody'} stands there"
        there[stop.place] = stop.left
        kind = kinds.get(stop.place)
        if kind == "rack" and stop.left and homes.setdefault(stop.left, stop.place) != stop.place:
            yield f"{stop}: this is not its home place"
        if kind == "infeed" and stop.left:
            yield f"{stop}: an infeed place takes nobody back"
        if kind == "outfeed":
            there[stop.place] = ""  # cleared at once
    for place, pallet in sorted(there.items()):
        if pallet:
            yield f"{pallet} is still at {place}"


# --- runs ---------------------------------------------------------------------------------------------------------------------


def _runs(log: Log) -> Iterator[str]:
    """A run needs its pallet in the nest from before its start until the part is free, and a station that is done with the former run."""
    programs = {program.program: program for program in log.case.cell.programs}
    station_free_ms: dict[str, int] = {}
    for run in sorted(log.runs, key=lambda run: run.start_ms):
        program = programs[run.program]
        if program.station != run.station:
            yield f"{run}: the program is not one of this station"
        if run.start_ms < station_free_ms.get(run.station, 0):
            yield f"{run}: the station is busy until {station_free_ms[run.station]} ms"
        station_free_ms[run.station] = run.start_ms + program.result_ms
        came_ms, went_ms = _stay(log, run)
        if not came_ms <= run.start_ms <= run.start_ms + program.part_free_ms <= went_ms:
            yield f"{run}: the pallet was in the nest from {came_ms} to {went_ms} ms only"


def _stay(log: Log, run: Run) -> tuple[int, int]:
    """The stay of the pallet at the station that began last before the run: put down, until the handler begins to take it."""
    came_ms, went_ms = 1 << 62, -1
    for stop in log.stops:
        if stop.place != run.station:
            continue
        if stop.left == run.pallet and stop.end_ms <= run.start_ms:
            came_ms, went_ms = stop.end_ms, 1 << 62
        elif stop.taken == run.pallet and went_ms == 1 << 62 and stop.begin_ms >= came_ms:
            went_ms = stop.begin_ms
    return came_ms, went_ms


# --- pallets ------------------------------------------------------------------------------------------------------------------


def _pallets(log: Log) -> Iterator[str]:
    """Every characteristic is decided well enough, and the part leaves only when its last result is there."""
    cell = log.case.cell
    plans = {part.part_type: part.plan for part in cell.part_types}
    programs = {program.program: program for program in cell.programs}
    outfeeds = {place.place for place in cell.places if place.kind == "outfeed"}
    for number, part_type in enumerate(log.case.part_types):
        pallet = f"pallet-{number:02}"
        ran = [run for run in log.runs if run.pallet == pallet]
        out = [stop for stop in log.stops if stop.left == pallet and stop.place in outfeeds]
        if len(out) != 1:
            yield f"{pallet}: it was brought out {len(out)} times"
            continue
        for characteristic in plans[part_type]:
            good = any(
                cover.number == characteristic.number
                and cover.expanded_u / cover.k * Decimal(2) <= characteristic.required_u
                for run in ran
                for cover in programs[run.program].covers
                if programs[run.program].part_type == part_type
            )
            if not good:
                yield f"{pallet}: nothing decided {characteristic.number}"
        known_ms = max((run.start_ms + programs[run.program].result_ms for run in ran), default=0)
        if out[0].begin_ms < known_ms:
            yield f"{pallet}: it left before its result was there at {known_ms} ms"


def _precedence(log: Log) -> Iterator[str]:
    """What the plan puts before all that a run measures, well enough or not, was measured well enough by an earlier run, or by the same one."""
    programs = {program.program: program for program in log.case.cell.programs}
    plans = {p.part_type: {c.number: c for c in p.plan} for p in log.case.cell.part_types}
    measured: dict[str, set[str]] = {}
    for run in sorted(log.runs, key=lambda run: run.start_ms):
        program = programs[run.program]
        plan = plans[program.part_type]
        good = {
            cover.number
            for cover in program.covers
            if cover.number in plan
            and cover.expanded_u / cover.k * Decimal(2) <= plan[cover.number].required_u
        }
        before = measured.setdefault(run.pallet, set())
        touched = {cover.number for cover in program.covers if cover.number in plan}
        for number in sorted(touched - before):
            lacking = set(plan[number].after) - before - good
            if lacking:
                yield f"{run}: {number} is measured before {', '.join(sorted(lacking))}"
        before |= good

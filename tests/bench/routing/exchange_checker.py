"""Whether what ran where can be, in a cell without home places whose handler takes no time; and what the stations' time went for.

Rules of this file: reads the declaration and the runs only; shares no code with what chose them.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise

from tests.bench.routing.bounds import able
from tests.bench.routing.cells import Case


@dataclass(frozen=True)
class Run:
    """What ran on a pallet in a nest, in one go."""

    pallet: int
    station: str
    programs: tuple[str, ...]
    start_ms: int
    end_ms: int


def _stays(runs: Iterable[Run]) -> list[tuple[str, int, int, Run]]:
    """In which nest a pallet stands from when to when: until its next run begins, which is elsewhere, or its last one has ended."""
    of: dict[int, list[Run]] = {}
    for run in sorted(runs, key=lambda each: each.start_ms):
        of.setdefault(run.pallet, []).append(run)
    return sorted(
        (
            (run.station, run.start_ms, then.start_ms if then else run.end_ms, run)
            for mine in of.values()
            for run, then in zip(mine, [*mine[1:], None], strict=True)
        ),
        key=lambda stay: stay[:3],
    )


def broken_rules(case: Case, runs: list[Run]) -> list[str]:
    """What cannot be; [] if everything can."""
    return [*_left_over(case, runs), *_not_as_declared(case, runs), *_in_each_others_way(runs)]


def _left_over(case: Case, runs: list[Run]) -> Iterator[str]:
    """Who is not decided in full."""
    declared = {each.program: each for each in case.cell.programs}
    for pallet, part_type in enumerate(case.part_types):
        decides = able(case.cell, part_type)
        names = [name for run in runs if run.pallet == pallet for name in run.programs]
        decided = {number for name in names for number in decides.get(declared[name], ())}
        plan = next(part.plan for part in case.cell.part_types if part.part_type == part_type)
        missing = sorted({each.number for each in plan} - decided)
        if missing:
            yield f"pallet {pallet}: nothing decided {', '.join(missing)}"


def _not_as_declared(case: Case, runs: list[Run]) -> Iterator[str]:
    declared = {each.program: each for each in case.cell.programs}
    for run in runs:
        programs = [declared[name] for name in run.programs]
        if {each.station for each in programs} != {run.station}:
            yield f"pallet {run.pallet}: {run.station} does not run {', '.join(run.programs)}"
        if run.end_ms - run.start_ms != sum(each.part_free_ms for each in programs):
            yield f"pallet {run.pallet}: too short or too long at {run.station}"


def _in_each_others_way(runs: list[Run]) -> Iterator[str]:
    stays = _stays(runs)
    for station, _, leaves_ms, run in stays:
        if leaves_ms < run.end_ms:
            yield f"pallet {run.pallet}: taken out of its run at {station}"
    for (station, _, leaves_ms, one), (other_station, start_ms, _, other) in pairwise(stays):
        if station == other_station and start_ms < leaves_ms:
            yield f"pallets {one.pallet} and {other.pallet}: both in the nest of {station}"


def shares(case: Case, runs: list[Run]) -> tuple[float, float]:
    """Of the time of all stations: that in which they hold a pallet that is ready, and that in which they are empty."""
    whole = max(run.end_ms for run in runs) * len(case.cell.stations)
    held = sum(end_ms - start_ms for _, start_ms, end_ms, _ in _stays(runs))
    ran = sum(run.end_ms - run.start_ms for run in runs)
    return (held - ran) / whole, 1 - held / whole

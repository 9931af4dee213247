"""How often a program is asked for a part, and which may still be.

Rules of this file: repeats are bounded. A program is not needed again after a good value, nor asked again after two runs without one.
"""

from collections import Counter
from collections.abc import Mapping, Sequence

from supervisor.cell.model import Characteristic
from supervisor.verdict.averaging import missing_from
from supervisor.verdict.plan_table import PlanTable
from supervisor.verdict.result import StationResult
from supervisor.verdict.weighing import Weighed

RUNS_WITHOUT_GOOD_VALUE_MAX = 2


def runs_of(
    results: Sequence[StationResult], tried: Sequence[tuple[str, int]]
) -> Mapping[str, int]:
    """Runs by program, each run once however many results it gave; ``tried`` counts those that ended without a result."""
    runs = Counter(dict(tried))
    runs.update(program for program, _ in {(each.program, each.run_id) for each in results})
    return runs


def wanted_for_mean(
    table: PlanTable,
    characteristic: Characteristic,
    values: Sequence[Weighed],
    runs: Mapping[str, int],
) -> tuple[str, ...]:
    """The programs, the most capable first, that may still give the value that a mean of two stations lacks; () where it lacks none, or nobody is left."""
    missing = missing_from(characteristic, values)
    return tuple(
        each.program.program
        for each in table.capable[characteristic.number]
        if each.program.station in missing
        and runs.get(each.program.program, 0) < RUNS_WITHOUT_GOOD_VALUE_MAX
    )

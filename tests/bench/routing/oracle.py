"""What an open shop takes at least, by a general solver: CP-SAT of OR-Tools. Shares no code with the engine.

Rules of this file: one interval for each operation, none of a job and none of a machine at the same time; nothing about stations, handler or
pallets. One worker and a fixed seed, so the answer does not depend on the machine unless the time is up.
"""

from ortools.sat.python import cp_model

SECONDS_MAX = 60


def open_shop_optimum(times: tuple[tuple[int, ...], ...]) -> tuple[int, int]:
    """The shortest makespan found and the least possible, in time units; equal where the optimum is proved."""
    model = cp_model.CpModel()
    horizon = sum(map(sum, times))
    end = model.new_int_var(0, horizon, "end")
    starts = [[model.new_int_var(0, horizon, "") for _ in row] for row in times]
    runs = [
        [
            model.new_fixed_size_interval_var(start, units, "")
            for start, units in zip(row, times[job], strict=True)
        ]
        for job, row in enumerate(starts)
    ]
    for one_after_the_other in (*runs, *zip(*runs, strict=True)):
        model.add_no_overlap(list(one_after_the_other))
    for job, row in enumerate(starts):
        for machine, start in enumerate(row):
            model.add(start + times[job][machine] <= end)
    model.add(end >= _least(times))
    model.minimize(end)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = 0
    solver.parameters.max_time_in_seconds = SECONDS_MAX
    status = solver.solve(model)
    assert status in {cp_model.OPTIMAL, cp_model.FEASIBLE}, solver.status_name(status)
    return round(solver.objective_value), round(solver.best_objective_bound)


def _least(times: tuple[tuple[int, ...], ...]) -> int:
    """The greatest sum of a job or a machine."""
    return max(map(sum, (*times, *zip(*times, strict=True))))

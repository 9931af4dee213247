"""``make bench-routing``: how far routing is from the best, on drawn cells, large cells and published open shops.

Rules of this file:
- Every run is judged by the checker; a broken rule ends the bench. Makespans are compared with the assignment bound, which shares no code
  with the engine, and with the best that was seen, which is mostly the engine's own.
- Decision times are CPU time of one process; they depend on the machine. Everything else is the same everywhere.
"""

import argparse
from collections.abc import Iterable
from dataclasses import dataclass
from statistics import mean, quantiles

from tests.bench.routing.bounds import assignment_bound_ms
from tests.bench.routing.cells import Case, drawn
from tests.bench.routing.checker import broken_rules
from tests.bench.routing.open_shops import instances
from tests.bench.routing.planned import planned_ms
from tests.bench.routing.recorded import Log, run
from tests.unit.routing.first_come import FirstCome

FIRST_SEED = 1000
BUDGETS = (0, 300, 1000, 4000)
PLAN_STEPS = 100_000
NOISE = 0.15


@dataclass(frozen=True)
class Row:
    """One policy over several cells."""

    policy: str
    ratios: tuple[float, ...]
    to_bound: tuple[float, ...]
    cpu_s: tuple[float, ...]

    def __str__(self) -> str:
        best = _spread(self.ratios) if self.ratios else " | "
        bound = _spread(self.to_bound) if self.to_bound else " | "
        p99 = f"{1000 * percentile(self.cpu_s, 99):.1f} ms" if self.cpu_s else ""
        return f"| {self.policy} | {best} | {bound} | {p99} |"


def _spread(ratios: Iterable[float]) -> str:
    values = tuple(ratios)
    return f"{mean(values):.3f} | {max(values):.3f}"


def percentile(values: tuple[float, ...], percent: int) -> float:
    """A percentile within what was seen."""
    return (
        quantiles(values, n=100, method="inclusive")[percent - 1] if len(values) > 1 else values[0]
    )


HEAD = (
    "| policy | / best seen, mean | max | / bound, mean | max | decision p99 |\n"
    "| --- | --- | --- | --- | --- | --- |"
)


def checked(log: Log) -> Log:
    """The log, if it is a possible schedule."""
    broken = broken_rules(log)
    assert not broken, f"{log.case.name}: " + "; ".join(broken[:3])
    return log


def drawn_cells(count: int, budgets: tuple[int, ...] = BUDGETS) -> list[Row]:
    """The policies on drawn cells of three stations."""
    cases = [drawn(FIRST_SEED + at) for at in range(count)]
    logs: dict[str, list[Log]] = {"first come": [checked(run(case, FirstCome)) for case in cases]}
    for steps in budgets:
        name = f"look-ahead, {steps} steps" if steps else "simple rule"
        logs[name] = [checked(run(case.with_steps(steps))) for case in cases]
    planned = [planned_ms(case, PLAN_STEPS) for case in cases]
    bounds = [assignment_bound_ms(case) for case in cases]
    best = [
        min(plan, *(runs[at].makespan_ms for runs in logs.values()))
        for at, plan in enumerate(planned)
    ]
    rows = [_row(name, runs, best, bounds) for name, runs in logs.items()]
    rows.append(
        Row(
            f"planned once, {PLAN_STEPS} steps",
            tuple(plan / least for plan, least in zip(planned, best, strict=True)),
            tuple(plan / bound for plan, bound in zip(planned, bounds, strict=True)),
            (),
        )
    )
    late = [run(case.with_steps(budgets[-1]), late=NOISE, seed=at) for at, case in enumerate(cases)]
    rows.append(_row(f"look-ahead, {budgets[-1]} steps, times ± 15 %", late, best, None))
    return rows


def _row(name: str, logs: list[Log], best: list[int], bounds: list[int] | None) -> Row:
    return Row(
        name,
        tuple(log.makespan_ms / least for log, least in zip(logs, best, strict=True)),
        tuple(log.makespan_ms / bound for log, bound in zip(logs, bounds, strict=True))
        if bounds
        else (),
        tuple(second for log in logs for second in log.cpu_s),
    )


def large_cells(count: int, budgets: tuple[int, ...]) -> list[Row]:
    """200 pallets and 16 stations, with a home place for each pallet."""
    cases = [drawn(FIRST_SEED + at, stations=16, pallets=200) for at in range(count)]
    bounds = [assignment_bound_ms(case) for case in cases]
    rows = []
    for steps in budgets:
        logs = [checked(run(case.with_steps(steps))) for case in cases]
        name = f"200 x 16, look-ahead, {steps} steps" if steps else "200 x 16, simple rule"
        ratios = tuple(log.makespan_ms / bound for log, bound in zip(logs, bounds, strict=True))
        rows.append(Row(name, (), ratios, tuple(s for log in logs for s in log.cpu_s)))
    return rows


def open_shops(sizes: tuple[int, ...], count: int, budgets: tuple[int, ...]) -> list[str]:
    """Published open shops: the ratio to the published optimum, mean and greatest; never below 1."""
    lines = [
        "| set | policy | / optimum, mean | max | reached |",
        "| --- | --- | --- | --- | --- |",
    ]
    for size in sizes:
        shops = list(instances(size))[:count]
        for steps in budgets:
            ratios = [_to_optimum(case.with_steps(steps), units) for case, units in shops]
            name = f"look-ahead, {steps} steps" if steps else "simple rule"
            reached = sum(ratio == 1 for ratio in ratios)
            lines.append(
                f"| {size} x {size} | {name} | {_spread(ratios)} | {reached} of {len(ratios)} |"
            )
    return lines


def _to_optimum(case: Case, optimum_units: int) -> float:
    makespan_ms = checked(run(case)).makespan_ms
    assert makespan_ms >= 1000 * optimum_units, f"{case.name}: quicker than the published optimum"
    return makespan_ms / (1000 * optimum_units)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.routing", description=__doc__)
    parser.add_argument("--cells", type=int, default=50)
    parser.add_argument("--large", type=int, default=2)
    parser.add_argument("--shops", type=int, default=10)
    given = parser.parse_args()
    if given.cells:
        print(f"{given.cells} drawn cells, 3 stations, 8 to 20 pallets\n\n{HEAD}")
        print(*drawn_cells(given.cells), sep="\n", flush=True)
    if given.large:
        print(f"\n{HEAD}")
        print(*large_cells(given.large, (0, 300)), sep="\n", flush=True)
    if given.shops:
        print()
        print(*open_shops((4, 5, 7), given.shops, (0, 1000, 4000)), sep="\n")


if __name__ == "__main__":
    main()

"""``make bench-routing``: how far routing is from the best, on drawn cells, large cells and published open shops.

Rules of this file:
- Every run is judged by the checker; a broken rule ends the bench. Makespans are compared with the assignment bound, which shares no code
  with the engine, and with the best that was seen, which is mostly the engine's own.
- Decision times are CPU time of one process; they depend on the machine. Everything else is the same everywhere.
"""

import argparse
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, fields
from itertools import product
from pathlib import Path
from statistics import mean, quantiles

from supervisor.routing.router import Router
from tests.bench.routing.bounds import BOTH, Limit, assignment_bound_ms
from tests.bench.routing.cells import Case, drawn, large, slow, uneven, without_homes
from tests.bench.routing.checker import broken_rules
from tests.bench.routing.exchanges import Setting
from tests.bench.routing.exchanges import rows as exchanges
from tests.bench.routing.job_set_table import lines as job_sets
from tests.bench.routing.job_sets import SETS
from tests.bench.routing.job_shops import SHOPS, case_of, looked_ahead, planned
from tests.bench.routing.keeping import Figure, Kept
from tests.bench.routing.limits import limits
from tests.bench.routing.open_shops import instances, times
from tests.bench.routing.oracle import open_shop_optimum
from tests.bench.routing.plain_rules import LongestRemaining, ShortestQueue
from tests.bench.routing.planned import planned_ms, plans
from tests.bench.routing.reachability import Reachability
from tests.bench.routing.recorded import Log, run
from tests.bench.routing.wandering import Homes, wandered
from tests.unit.routing.first_come import FirstCome

FIRST_SEED = 1000
BUDGETS = (0, 1000, 4000)
CARRIES = 1_000_000
SIZES = (4, 5, 7)
NOISE = 0.15
FED_CELLS, FED_PALLETS = 2, 60
PLAIN_RULES = {
    "first come": FirstCome,
    "shortest queue": ShortestQueue,
    "longest remaining work": LongestRemaining,
}
PLAN_TRIES = (1, 15_000)
HELPS = {
    "tries": "other exchanges played on in each decision",
    "ahead_percent": "how far, in percent of a run",
    "stands_percent": "how long a nest counts as idle, in percent of a run",
    "loss_percent": "what visits of other exchanges may lose at once, in percent of a run",
    "power": "of the prices",
    "within": "exchanges tried in each decision within a play",
}
"""Of a setting of exchanges."""
STEPS_OF_A_PART, SEEDS_OF_A_PART = 50_000, 10_000


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


def _ran(case: Case, policy: type = Router) -> Figure:
    log = checked(run(case, policy))
    return {"makespan_ms": log.makespan_ms, "cpu_s": [round(s, 5) for s in log.cpu_s]}


def _ran_late(case: Case, seed: int) -> Figure:
    log = run(case, late=NOISE, seed=seed)
    return {"makespan_ms": log.makespan_ms, "cpu_s": [round(s, 5) for s in log.cpu_s]}


def _named(steps: int) -> str:
    return f"look-ahead, {steps} steps" if steps else "simple rule"


def drawn_cells(
    count: int,
    kept: Kept,
    budgets: tuple[int, ...] = BUDGETS,
    carries: int = CARRIES,
    *,
    homes: Homes = "kept",
) -> list[Row]:
    """The policies on drawn cells of three stations; the plan that is made once has a budget of so many carries, and needs homes."""
    cases = [drawn(FIRST_SEED + at) for at in range(count)]
    if homes == "none":
        cases = [without_homes(case) for case in cases]
    once, late = f"planned once, {carries} steps", f"{_named(budgets[-1])}, times ± 15 %"
    found: dict[str, list[Figure]] = {}
    for at, case in enumerate(cases):
        ways: dict[str, Callable[[], Figure]] = {
            name: lambda c=case, r=rule: _ran(c, r) for name, rule in PLAIN_RULES.items()
        }
        for steps in budgets:
            ways[_named(steps)] = lambda c=case, n=steps: _ran(c.with_steps(n))
        if homes == "kept":
            ways[once] = lambda c=case: {"makespan_ms": planned_ms(c, carries), "cpu_s": []}
        ways[late] = lambda c=case, n=at: _ran_late(c.with_steps(budgets[-1]), n)
        ways["bound"] = lambda c=case: {"makespan_ms": assignment_bound_ms(c), "cpu_s": []}
        for name, way in ways.items():
            found.setdefault(name, []).append(kept.of(f"{case.name}: {name}", way))
    bounds = [figure["makespan_ms"] for figure in found.pop("bound")]
    noisy = found.pop(late)
    best = [min(fs[at]["makespan_ms"] for fs in found.values()) for at in range(count)]
    rows = [_row(name, figures, best, bounds) for name, figures in found.items()]
    return [*rows, _row(late, noisy, best, None)]


def _row(name: str, figures: list[Figure], best: list | None, bounds: list | None) -> Row:
    def ratios(others: list | None) -> tuple[float, ...]:
        pairs = zip(figures, others, strict=True) if others else ()
        return tuple(figure["makespan_ms"] / other for figure, other in pairs)

    cpu_s = tuple(second for figure in figures for second in figure["cpu_s"])
    return Row(name, ratios(best), ratios(bounds), cpu_s)


def large_cells(
    count: int, kept: Kept, budgets: tuple[int, ...], *, homes: Homes = "kept"
) -> list[str]:
    """200 pallets and 16 stations, with a home place for each pallet or for none, cell by cell: they differ in what limits them.

    Beside the assignment bound stand that of the stations alone and that of the handler alone.
    """
    lines = [
        "| cell | policy | / bound | / that of the stations | / that of the handler | decision p99 | what the time went for |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    cases = [draw(FIRST_SEED + at) for draw in (large, slow, uneven) for at in range(count)]
    for case in cases if homes == "kept" else map(without_homes, cases):
        bounds = [_bound(case, limits_of, kept) for limits_of in BOUNDS]
        bounds[0] = max(bounds)  # where the time was up for both together, one alone may be sharper
        ways: dict[str, Callable[[], Figure]] = {
            "first come": lambda c=case: _limited(c, FirstCome),
            **{
                _named(steps): lambda c=case, n=steps: _limited(c.with_steps(n))
                for steps in budgets
            },
        }
        for name, way in ways.items():
            figure = kept.of(f"{case.name}: {name}", way)
            ratios = " | ".join(f"{figure['makespan_ms'] / bound:.3f}" for bound in bounds)
            p99 = f"{1000 * percentile(figure['cpu_s'], 99):.1f} ms"
            lines.append(f"| {case.name} | {name} | {ratios} | {p99} | {figure['limits']} |")
    return lines


def rack_places(counts: tuple[int, ...], kept: Kept) -> list[str]:
    """What rack places beside an infeed are worth: 60 pallets and 16 stations by the simple rule, / assignment bound."""
    lines = [f"| rack places | {' | '.join(map(str, counts))} | one for each pallet |"]
    lines.append("| --- " * (len(counts) + 2) + "|")
    for at in range(FED_CELLS):
        for whole in (slow(at, pallets=FED_PALLETS), large(at, pallets=FED_PALLETS)):
            name = f"{whole.name}, {FED_PALLETS} pallets"
            bound = kept.of(f"{name}: bound", lambda c=whole: _makespan(assignment_bound_ms(c)))
            cases = [without_homes(whole, racks=count) for count in counts]
            found = [
                kept.of(f"{FED_PALLETS} pallets, {c.name}", lambda c=c: _ran(c.with_steps(0)))
                for c in (*cases, whole)
            ]
            ratios = (f"{each['makespan_ms'] / bound['makespan_ms']:.3f}" for each in found)
            lines.append(f"| {whole.name} | {' | '.join(ratios)} |")
    return lines


def _makespan(ms: int) -> Figure:
    return {"makespan_ms": ms}


BOUNDS: tuple[tuple[Limit, ...], ...] = (BOTH, ("stations",), ("handler",))


def _bound(case: Case, limits_of: tuple[Limit, ...], kept: Kept) -> float:
    """The assignment bound of a case by what is named, kept."""
    named = "bound" if limits_of == BOTH else f"bound by {limits_of[0]}"
    figure = kept.of(
        f"{case.name}: {named}", lambda: {"makespan_ms": assignment_bound_ms(case, limits_of)}
    )
    makespan_ms = figure["makespan_ms"]
    assert isinstance(makespan_ms, float | int)
    return makespan_ms


def _limited(case: Case, policy: type = Router) -> Figure:
    log = checked(run(case, policy))
    cpu_s = [round(s, 5) for s in log.cpu_s]
    return {"makespan_ms": log.makespan_ms, "cpu_s": cpu_s, "limits": str(limits(log))}


def open_shops(
    sizes: tuple[int, ...],
    count: int,
    kept: Kept,
    budgets: tuple[int, ...],
    carries: int = CARRIES,
) -> list[str]:
    """Published open shops: the ratio to the published optimum, mean and greatest; never below 1."""
    lines = [
        "| set | policy | / optimum, mean | max | reached |",
        "| --- | --- | --- | --- | --- |",
    ]
    for size in sizes:
        shops = list(instances(size))[:count]
        found: dict[str, list[float]] = {}
        for at, (case, units) in enumerate(shops):
            ways: dict[str, Callable[[], Figure]] = {
                _named(steps): lambda c=case, n=steps: _ran(c.with_steps(n)) for steps in budgets
            }
            ways[f"planned once, {carries} steps"] = lambda c=case: {
                "makespan_ms": planned_ms(c, carries)
            }
            ways["CP-SAT, published value proved"] = lambda n=at, s=size: _proved(times(s, n))
            for name, way in ways.items():
                makespan_ms = kept.of(f"{case.name}: {name}", way)["makespan_ms"]
                assert makespan_ms >= 1000 * units, f"{case.name}: quicker than the published value"
                found.setdefault(name, []).append(makespan_ms / (1000 * units))
        for name, ratios in found.items():
            reached = sum(ratio == 1 for ratio in ratios)
            lines.append(f"| {size} x {size} | {name} | {_spread(ratios)} | {reached} of {count} |")
    return lines


def _proved(shop: tuple[tuple[int, ...], ...]) -> Figure:
    units, least = open_shop_optimum(shop)
    assert units == least, "the time was up before the optimum was proved"
    return {"makespan_ms": 1000 * units}


def job_shops(kept: Kept, budgets: tuple[int, ...] = BUDGETS) -> list[str]:
    """Published job shops, as cells whose plans declare the order and on the model alone: the makespan beside the published optimum."""
    names = [*(f"cell, {_named(steps)}" for steps in budgets), "model, 4000 steps", "planned once"]
    lines = [f"| job shop | published | {' | '.join(names)} |", "| --- " * (len(names) + 2) + "|"]
    for name, (optimum, *_) in SHOPS.items():
        assert isinstance(optimum, int)
        ways: dict[str, Callable[[], Figure]] = {
            f"{name}: cell, {steps}": lambda n=name, s=steps: _ran(case_of(n).with_steps(s))
            for steps in budgets
        }
        ways[f"{name}: ahead"] = lambda n=name: {"makespan_ms": 1000 * looked_ahead(n, 4000)}
        ways[f"{name}: plan"] = lambda n=name: {"makespan_ms": 1000 * planned(n, CARRIES)}
        units = [round(kept.of(key, way)["makespan_ms"] / 1000) for key, way in ways.items()]
        assert min(units) >= optimum, f"{name}: quicker than the published optimum"
        lines.append(f"| {name} | {optimum} | {' | '.join(map(str, units))} |")
    return lines


def mixes(stations: int, pallets: int) -> list[str]:
    """All states of every mix of up to so many stations and pallets."""
    lines = [
        "| stations | pallets | jaws | homes | states | dead | doomed |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    ways = ((1, "kept"), (2, "kept"), (2, "none"))
    for count, number, (jaws, homes) in product(
        range(1, stations + 1), range(1, pallets + 1), ways
    ):
        cell = Reachability(count, jaws, homes=homes)
        found = cell.explored(cell.beginnings(number))
        dead, doomed = len(found.dead), len(found.doomed)
        lines.append(
            f"| {count} | {number} | {jaws} | {homes} | {found.states} | {dead} | {doomed} |"
        )
    return lines


def random_steps(steps: int, first_seed: int, kept: Kept, *, homes: Homes = "kept") -> int:
    """Random steps with faults, in parts that are kept; how many it were. Raises if a rule is broken or a pallet is left over."""
    done, part = 0, 0
    while done < steps:
        seed = first_seed + part * SEEDS_OF_A_PART
        figure = kept.of(
            f"{STEPS_OF_A_PART} random steps from seed {seed}, homes {homes}",
            lambda first=seed: {"steps": wandered(STEPS_OF_A_PART, first_seed=first, homes=homes)},
        )
        done, part = done + int(figure["steps"]), part + 1
    return done


def _given() -> argparse.Namespace:
    """What the command line asks for."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.routing", description=__doc__)
    parser.add_argument("--cells", type=int, default=50)
    parser.add_argument("--large", type=int, default=2)
    parser.add_argument(
        "--no-homes",
        action="store_true",
        help="drawn and large cells, and random steps, where pallets come in and never go back",
    )
    parser.add_argument(
        "--ahead",
        type=int,
        nargs="+",
        default=(0, 300),
        help="budgets of look-ahead in large cells",
    )
    parser.add_argument("--shops", type=int, default=10)
    parser.add_argument(
        "--keep", type=Path, help="a file of single figures: what stands there is not run again"
    )
    parser.add_argument(
        "--racks", type=int, nargs="+", help="so many rack places beside an infeed, each in turn"
    )
    parser.add_argument("--mixes", type=int, nargs=2, metavar=("STATIONS", "PALLETS"))
    parser.add_argument(
        "--steps", type=int, help="random steps with faults; --first is the first seed"
    )
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument(
        "--carries", type=int, default=CARRIES, help="the budget of the plan that is made once"
    )
    parser.add_argument(
        "--sizes", type=int, nargs="+", default=SIZES, help="of open shops; job shops are left out"
    )
    parser.add_argument(
        "--sets",
        type=int,
        nargs="*",
        choices=sorted(SETS),
        help="job sets with layouts, by number; all of them without a number",
    )
    parser.add_argument(
        "--plans",
        type=int,
        nargs="+",
        metavar="SEED",
        help="the plans for 200 pallets of slow cells",
    )
    parser.add_argument("--seconds", type=float, default=20, help="how long HiGHS plans")
    parser.add_argument(
        "--exchanges",
        type=int,
        nargs="+",
        metavar="SEED",
        help="slow cells without homes and handling; each of the values that follow, with each other one",
    )
    parser.add_argument("--pallets", type=int, default=200)
    for name, one in asdict(Setting()).items():
        option = "--" + name.replace("_", "-")
        parser.add_argument(option, type=type(one), nargs="+", default=(one,), help=HELPS[name])
    return parser.parse_args()


def _alone(given: argparse.Namespace, kept: Kept, homes: Homes) -> Iterable[str]:
    """What stands alone: every state, random steps, rack places, plans, exchanges or job sets; nothing if none of them is asked for."""
    if given.mixes:
        return mixes(*given.mixes)
    if given.steps:
        done = random_steps(given.steps, given.first, kept, homes=homes)
        return [f"{done} steps, nobody left over"]
    if given.racks:
        return rack_places(tuple(given.racks), kept)
    if given.plans:
        return plans(given.plans, PLAN_TRIES, given.seconds, kept)
    if given.exchanges:
        names = [each.name for each in fields(Setting)]
        settings = [Setting(*values) for values in product(*(getattr(given, n) for n in names))]
        return exchanges(settings, given.exchanges, given.pallets, kept)
    if given.sets is not None:
        return job_sets(tuple(given.sets or SETS), kept, given.carries)
    return []


def main() -> None:
    """Print the tables."""
    given = _given()
    kept = Kept(given.keep)
    homes: Homes = "none" if given.no_homes else "kept"
    alone = _alone(given, kept, homes)
    if alone:
        for line in alone:
            print(line, flush=True)
        return
    if given.cells:
        print(f"{given.cells} drawn cells, 3 stations, 8 to 20 pallets\n\n{HEAD}")
        print(
            *drawn_cells(given.cells, kept, carries=given.carries, homes=homes),
            sep="\n",
            flush=True,
        )
    if given.large:
        print()
        print(*large_cells(given.large, kept, given.ahead, homes=homes), sep="\n", flush=True)
    if given.shops:
        print()
        if given.sizes == SIZES:
            print(*job_shops(kept), sep="\n", end="\n\n", flush=True)
        sizes, budgets = tuple(given.sizes), (0, 1000)
        print(*open_shops(sizes, given.shops, kept, budgets, given.carries), sep="\n")


if __name__ == "__main__":
    main()

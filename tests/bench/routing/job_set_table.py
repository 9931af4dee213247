"""The job sets with layouts, line by line: published for two vehicles, the least that one handler takes, and what routing takes.

Rules of this file:
- The published value has to be within what the solver proves of the published problem, or data or solver are wrong.
- Nothing that routing does may end before the least of one handler; a whole run is judged by the checker besides.
- In a cell of each line stand layouts 1 to 4, in units of time.
"""

from collections.abc import Callable
from statistics import mean

from tests.bench.routing.checker import broken_rules
from tests.bench.routing.handler_states import least
from tests.bench.routing.job_sets import (
    LAYOUTS,
    PUBLISHED,
    SETS,
    case_of,
    decided,
    planned,
    visits_once,
)
from tests.bench.routing.keeping import Figure, Kept
from tests.bench.routing.recorded import run
from tests.bench.routing.transport_oracle import two_vehicles

STEPS = (1000, 4000)
LEAST, PLANNED = "least", "planned once"


def lines(sets: tuple[int, ...], kept: Kept, carries: int) -> list[str]:
    """A line for each set, and the ratios to the least over all of them."""
    head = ["set", "two vehicles, published", "proved"]
    head += [f"{_named(jaws)}: {name}" for jaws in (2, 1) for name in _columns(jaws)]
    table = [head, ["---"] * len(head)]
    pairs: dict[tuple[int, str], list[tuple[int, int]]] = {}
    for number in sets:
        proofs = [_proof(number, layout, kept) for layout in LAYOUTS]
        row = [str(number), " ".join(map(str, PUBLISHED[number])), " ".join(proofs)]
        for jaws in (2, 1):
            units = _one_handler(number, jaws, kept, carries)
            for name in _columns(jaws):
                row.append(" ".join(map(str, units.get(name, ["-"]))))
                both = zip(units.get(name, ()), units[LEAST], strict=False)
                pairs.setdefault((jaws, name), []).extend(both)
        table.append(row)
    return [*(f"| {' | '.join(row)} |" for row in table), "", *_ratios(pairs)]


def _named(jaws: int) -> str:
    return "one jaw" if jaws == 1 else f"{jaws} jaws"


def _columns(jaws: int) -> list[str]:
    """What is compared, the least first; orders are planned for two jaws only."""
    steps = [f"{steps} steps" for steps in STEPS]
    return [LEAST, "simple rule", *steps, *([PLANNED] if jaws > 1 else [])]


def _proof(number: int, layout: int, kept: Kept) -> str:
    """The published value if it is proved, else from where to where it is."""
    units, bound = (
        int(kept.of(f"job set {number}, layout {layout}: {what}", way)["units"])
        for what, way in _vehicles(number, layout).items()
    )
    published = PUBLISHED[number][layout - 1]
    assert bound <= published <= units, f"set {number}, layout {layout}: {bound} to {units}"
    return str(units) if units == bound else f"{bound} to {units}"


def _vehicles(number: int, layout: int) -> dict[str, Callable[[], Figure]]:
    """Both ends of one proof; the solver runs once."""
    known: list[tuple[int, int]] = []

    def solved(at: int) -> Figure:
        if not known:
            known.append(two_vehicles(SETS[number], LAYOUTS[layout]))
        return {"units": known[0][at]}

    return {"two vehicles": lambda: solved(0), "two vehicles, bound": lambda: solved(1)}


def _one_handler(number: int, jaws: int, kept: Kept, carries: int) -> dict[str, list[int]]:
    """By policy, for each layout: the makespan. Raises if it is quicker than possible or breaks a rule."""
    units: dict[str, list[int]] = {}
    for layout in LAYOUTS:
        ways = _policies(number, layout, jaws, carries)
        shortest = 0
        for name, way in ways.items():
            key = f"job set {number}, layout {layout}, {jaws} jaws: {name}"
            key += f", {carries} carries" if name == PLANNED else ""
            makespan = int(kept.of(key, lambda w=way: {"units": w()})["units"])
            shortest = shortest or makespan
            assert makespan >= shortest, f"{key}: quicker than the least"
            units.setdefault(name, []).append(makespan)
    return units


def _policies(number: int, layout: int, jaws: int, carries: int) -> dict[str, Callable[[], int]]:
    """The ways to the figures of the columns, the least first."""
    jobs, ways = SETS[number], LAYOUTS[layout]
    found: dict[str, Callable[[], int]] = {
        LEAST: lambda: _least(number, layout, jaws),
        "simple rule": lambda: _ran(number, layout, jaws),
    }
    if not visits_once(jobs):
        return found
    for steps in STEPS:
        found[f"{steps} steps"] = lambda n=steps: decided(jobs, ways, jaws, n)
    if jaws > 1:
        found[PLANNED] = lambda: planned(jobs, ways, carries)
    return found


def _least(number: int, layout: int, jaws: int) -> int:
    found = least(SETS[number], LAYOUTS[layout], jaws)
    assert found.end is not None, f"set {number}, layout {layout}: too many states"
    return found.end


def _ran(number: int, layout: int, jaws: int) -> int:
    """A whole run of the set as a cell, by the simple rule."""
    name = f"job set {number}, layout {layout}"
    log = run(case_of(name, SETS[number], LAYOUTS[layout], jaws).with_steps(0))
    broken = broken_rules(log)
    assert not broken, f"{name}: " + "; ".join(broken[:3])
    return log.makespan_ms // 1000


def _ratios(pairs: dict[tuple[int, str], list[tuple[int, int]]]) -> list[str]:
    """By policy: the ratio to the least of the same sets."""
    rows = ["| policy | / least, mean | greatest | reached |", "| --- | --- | --- | --- |"]
    for (jaws, name), both in pairs.items():
        if name != LEAST and both:
            ratios = [one / other for one, other in both]
            reached = f"{sum(ratio == 1 for ratio in ratios)} of {len(ratios)}"
            figures = f"{mean(ratios):.3f} | {max(ratios):.3f} | {reached}"
            rows.append(f"| {_named(jaws)}, {name} | {figures} |")
    return rows

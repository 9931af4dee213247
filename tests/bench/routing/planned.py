"""What the engine plans at the start of a case: one long look-ahead, if it had the time; and who decides what of many pallets.

Rules of this file:
- The end of a look-ahead is what the nominal model says; nobody has run it. Runs of the same model end where they were planned to.
- What a plan gives the stations to do is told from the declaration and the programs of each pallet alone, and compared with what a solver finds (``bounds.py``).
"""

from collections.abc import Iterable, Iterator

from supervisor.routing import upkeep
from supervisor.routing.choice import candidates
from supervisor.routing.lookahead import look_ahead, plan_ms
from supervisor.routing.plan import balanced
from supervisor.routing.router import Router
from tests.bench.routing.bounds import busiest_ms, planned_loads_ms
from tests.bench.routing.cells import Case, slow
from tests.bench.routing.keeping import Figure, Kept
from tests.bench.routing.recorded import Recorded


def planned_ms(case: Case, steps: int) -> int:
    """When the last pallet is out after the better of two plans: a look-ahead of a tenth of the steps, and an improved order with the rest."""
    simulation = Recorded(case)
    simulation.advance(0)
    picture = Router(case.cell).picture(simulation.situation())
    moves = candidates(picture)
    ahead_ms = look_ahead(picture, moves, [], steps // 10).end_ms
    ordered_ms = plan_ms(picture, moves, steps - steps // 10)
    return ahead_ms if ordered_ms is None else min(ahead_ms, ordered_ms)


def most_planned_ms(case: Case, decisions: int) -> int:
    """What the busiest station has to do by the plan that is kept, after so many decisions between which nothing happens."""
    simulation = Recorded(case)
    simulation.advance(0)
    situation = simulation.situation()
    outlooks = Router(case.cell).picture(situation).outlooks
    programs: dict[str, tuple[str, ...]] = {}
    for seed in range(decisions):
        plan = balanced(outlooks, [0] * len(case.cell.stations), kept=programs, seed=seed)
        programs = {pallet: cover.programs for pallet, cover in plan.covers.items()}
    return max(
        planned_loads_ms(case, ((v.part_type, programs[v.pallet]) for v in situation.pallets))
    )


def plans(seeds: Iterable[int], tries: Iterable[int], seconds: float, kept: Kept) -> Iterator[str]:
    """By slow cell of 200 pallets what the busiest station has to do, / linear programme: by the engine after so many tries, by HiGHS, and at least."""
    each_time = upkeep.TRIES * len(upkeep.SQUARINGS)
    decisions = [max(1, count // each_time) for count in tries]
    names = [f"{count * each_time} tries" for count in decisions]
    names += [f"HiGHS, {seconds:g} s", "its bound"]
    yield f"| cell | {' | '.join(names)} |"
    yield "| --- " * (len(names) + 1) + "|"
    for case in map(slow, seeds):
        least_ms = busiest_ms(case, "split").least_ms
        found = [
            float(kept.of(f"{case.name}: plan after {n}", lambda c=case, n=n: _most(c, n))["most"])
            for n in decisions
        ]
        solved = kept.of(f"{case.name}: HiGHS, {seconds:g} s", lambda c=case: _solved(c, seconds))
        found += [float(solved["found_ms"]), float(solved["least_ms"])]
        yield f"| {case.name} | {' | '.join(f'{ms / least_ms:.4f}' for ms in found)} |"


def _most(case: Case, decisions: int) -> Figure:
    return {"most": most_planned_ms(case, decisions)}


def _solved(case: Case, seconds: float) -> Figure:
    return dict(busiest_ms(case, "whole", seconds)._asdict())

"""The sweep over all points: which deaths, in which order, on which cells, and what came of them.

Rules of this file:
- The order of deaths is drawn from the seed; when exactly each one strikes depends on the machine, as with real processes.
- A cell serves as many deaths as its pallets allow; when its work is done before all deaths have struck, the rest goes to another cell.
"""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from random import Random

from simulators.bench.staging import Dialects, Stage, Wishes, prepare
from tests.system.kills.cell import DyingCell, dying_cell
from tests.system.kills.judge import Judgement, Machines, judge
from tests.system.kills.points import POINTS, RARE, Death, Point

CELL = Path(__file__).parents[3] / "deploy" / "cells" / "vane-pumps"
FROM_OUTSIDE = "at any moment"
"""``pointsman serve``, killed by another process: no point of the step, just any moment."""
POSITIONS = (*POINTS, FROM_OUTSIDE)

PALLETS_PER_DEATH = 0.7
"""About as many as a cell gets done while one death is waited for (measured)."""
PALLETS_MIN, PALLETS_MAX = 6, 120
SKIP_MAX = {"rare": 1, "often": 20}
"""How often a point may be passed before the death strikes there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What a sweep is asked for. ``repeats`` counts the deaths at each position, ``machines`` those of each kind of machine.

    ``address`` gives an empty database for each cell; None: each run folder has its own. ``dialects``: what the machines speak.
    ``points``: the service dies at these, and at any moment.
    """

    repeats: int
    machines: int
    seed: int
    speed: float
    folder: Path
    store: str
    defect: str
    dialects: Dialects
    points: tuple[Point, ...]
    address: Callable[[], str] | None


@dataclass(slots=True, kw_only=True)
class Tally:
    """What a sweep came to."""

    kills: Counter[str] = field(default_factory=Counter)
    failed: list[str] = field(default_factory=list)
    judgements: list[Judgement] = field(default_factory=list)
    starts: int = 0
    taken: int = 0
    parts: int = 0
    seconds: float = 0.0

    def findings(self) -> list[str]:
        """Everything that is wrong."""
        judged = [finding for each in self.judgements for finding in each.findings]
        return [*judged, *self.failed]

    def holds(self) -> Counter[str]:
        """What people were asked, by code."""
        return sum((Counter(dict(each.holds)) for each in self.judgements), Counter())

    def total(self, what: str) -> int:
        """A figure of all cells together."""
        return sum(getattr(each, what) for each in self.judgements)


Tell = Callable[[str], None]


def deaths(plan: Plan) -> list[Death | None]:
    """Every position as often as is asked for, shuffled; None is a death from outside."""
    draw = Random(f"kills {plan.seed}")
    wanted: list[Death | None] = [None] * plan.repeats
    for point in plan.points:
        skip_max = SKIP_MAX["rare" if point in RARE else "often"] if plan.repeats > 1 else 0
        wanted += [
            Death(point=point, skip=draw.randint(0, skip_max), share=draw.random())
            for _ in range(plan.repeats)
        ]
    draw.shuffle(wanted)
    return wanted


def sweep(plan: Plan, tally: Tally, tell: Tell) -> None:
    """Kill the service at every position; judge each cell when its parts are done."""
    left, number = deaths(plan), 0
    while left:
        number += 1
        stage = staged(plan, number, deaths=len(left))
        with dying_cell(stage, plan.speed) as cell:
            cell.defect = plan.defect
            left = _strike(cell, left, tally, Random(f"{plan.seed} {number}"), tell)
            cell.finish()
        conclude(cell, tally, machines="untouched")


def staged(plan: Plan, number: int, *, deaths: int) -> Stage:
    """A prepared cell with enough pallets for so many deaths."""
    pallets = round(min(PALLETS_MAX, max(PALLETS_MIN, deaths * PALLETS_PER_DEATH)))
    wishes = Wishes(
        cell=CELL,
        pallets=pallets,
        seed=plan.seed * 100 + number,
        speed=plan.speed,
        dialects=plan.dialects,
    )
    stage = prepare(wishes, plan.folder / f"{plan.store}-{number}")
    return stage if plan.address is None else replace(stage, database=plan.address())


def conclude(cell: DyingCell, tally: Tally, *, machines: Machines) -> None:
    """Judge a cell whose parts are done."""
    tally.judgements.append(judge(cell.stage, machines=machines))
    tally.parts += len(cell.stage.pallets)
    tally.starts += cell.waited.starts
    tally.taken += cell.waited.taken


def _strike(
    cell: DyingCell, wanted: list[Death | None], tally: Tally, draw: Random, tell: Tell
) -> list[Death | None]:
    """Let one death after the other strike; the deaths for which the cell's work did not last."""
    for number, death in enumerate(wanted):
        if death is None:
            cell.live_and_be_killed(draw)
        elif cell.live_until(death) == "finished":
            return wanted[number:]
        position = FROM_OUTSIDE if death is None else death.point
        tally.kills[position] += 1
        tell(position)
    return []

"""Charts of subgroups of a characteristic: the mean with the range or with the standard deviation (ISO 7870-2, from memory).

Rules of this file:
- A subgroup is so many parts one after the other, in the order of making. What does not fill one yet waits for the next part.
- Limits come from the base period, the first subgroups; what comes after is judged against them.
- Means are judged by the set of run rules. The spread is judged by its limits alone: run rules are made for a symmetric distribution.
"""

from collections.abc import Sequence
from typing import Literal

from supervisor.cell.value import value
from supervisor.process.series import Point
from supervisor.statistics.charts import (
    Chart,
    RuleSet,
    Signal,
    mean_by_deviation,
    mean_by_range,
    signals,
)
from supervisor.statistics.moments import moments

BASE_GROUPS = 20
"""Subgroups of the base period (common practice: 20 to 25)."""

SpreadBy = Literal["range", "deviation"]


@value
class Subgroup:
    """Parts one after the other: their serial numbers, the mean of their values, and the range or standard deviation."""

    serials: tuple[str, ...]
    mean: float
    spread: float


@value
class Subgroups:
    """Both charts of a characteristic. Without limits ``why`` says what is missing; ``waiting`` parts do not fill a subgroup yet.

    ``signals`` and ``spread_signals`` go by positions in ``groups``.
    """

    size: int
    by: SpreadBy
    groups: tuple[Subgroup, ...]
    waiting: int
    base: int
    means: Chart | None
    spreads: Chart | None
    signals: tuple[Signal, ...]
    spread_signals: tuple[Signal, ...]
    why: str


def subgroups(points: Sequence[Point], size: int, by: SpreadBy, rules: RuleSet) -> Subgroups:
    """Both charts of subgroups of ``size`` (2 to 10) parts; ``points`` in the order of making."""
    full = [points[at : at + size] for at in range(0, len(points) - size + 1, size)]
    groups = tuple(_subgroup(group, by) for group in full)
    means, spreads, why = _limits([[p.value for p in group] for group in full], by)
    return Subgroups(
        size=size,
        by=by,
        groups=groups,
        waiting=len(points) - size * len(full),
        base=min(BASE_GROUPS, len(groups)),
        means=means,
        spreads=spreads,
        signals=() if means is None else signals([g.mean for g in groups], means, rules),
        spread_signals=() if spreads is None else _beyond([g.spread for g in groups], spreads),
        why=why,
    )


def _subgroup(group: Sequence[Point], by: SpreadBy) -> Subgroup:
    values = [point.value for point in group]
    found = moments(values)
    spread = max(values) - min(values) if by == "range" else found.sd or 0.0
    return Subgroup(serials=tuple(p.serial for p in group), mean=found.mean, spread=spread)


def _limits(
    groups: Sequence[Sequence[float]], by: SpreadBy
) -> tuple[Chart | None, Chart | None, str]:
    if len(groups) < BASE_GROUPS:
        return (
            None,
            None,
            f"there are {len(groups)} of the {BASE_GROUPS} subgroups that limits need",
        )
    charts = (mean_by_range if by == "range" else mean_by_deviation)(groups[:BASE_GROUPS])
    if charts[0].sigma <= 0.0:
        why = "the values of the base period are all equal: there is no spread to make limits of"
        return None, None, why
    return *charts, ""


def _beyond(spreads: Sequence[float], chart: Chart) -> tuple[Signal, ...]:
    """What lies beyond a limit; the lower one is there only where it is above zero."""
    return tuple(
        Signal(
            at=at,
            count=1,
            rule="one above the upper limit" if over else "one below the lower limit",
        )
        for at, spread in enumerate(spreads)
        for over in [spread > chart.upper]
        if over or spread < chart.lower
    )

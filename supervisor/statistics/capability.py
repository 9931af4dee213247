"""Whether a process can keep its limits: performance and capability (ISO 22514-2:2017, clauses from memory).

Rules of this file:
- It is called capability only where the process was shown to be stable; otherwise performance. The caller says which spread he gives.
- An index without its count and confidence bound is half a statement, so it carries both.
- A quantity that cannot be negative has an upper limit only.
"""

import math
from collections.abc import Sequence
from typing import Literal

from supervisor.cell.value import value
from supervisor.statistics.charts import Chart, RuleSet, signals
from supervisor.statistics.conformance import Limits
from supervisor.statistics.distributions import chi_square_quantile, normal_cdf, normal_quantile
from supervisor.statistics.moments import moments

NORMALITY_COUNT_MIN = 8
LEAST_PROBABILITY = 1e-300
"""So that a value ever so far off still has a logarithm."""

BAND = 6.0
OUTER = 0.00135
"""The share outside of each end of the reference interval: that of 3 standard deviations."""

Name = Literal["capability", "performance"]


@value
class Spread:
    """The ends and the middle of the reference interval: the quantiles for 0.135 %, 50 % and 99.865 %."""

    low: float
    middle: float
    high: float


@value
class Index:
    """An index with its lower confidence bound; ``whole`` is None where one limit is open."""

    name: Name
    count: int
    whole: float | None
    least: float
    least_bound: float
    confidence: float
    beyond_ppm: float


def normal_spread(mean: float, sd: float) -> Spread:
    """The reference interval of a normal process."""
    return Spread(low=mean - BAND / 2 * sd, middle=mean, high=mean + BAND / 2 * sd)


def indices(spread: Spread, limits: Limits) -> tuple[float | None, float]:
    """The index of the whole interval (Cp, Pp) and the least of both sides (Cpk, Ppk), by quantiles.

    Raises:
        ValueError: both limits are open.
    """
    lower = None if limits.zero_below else limits.lower
    sides: list[float] = []
    if limits.upper is not None:
        sides.append((limits.upper - spread.middle) / (spread.high - spread.middle))
    if lower is not None:
        sides.append((spread.middle - lower) / (spread.middle - spread.low))
    if not sides:
        raise ValueError("an index needs a limit")
    whole = (
        (limits.upper - lower) / (spread.high - spread.low)
        if limits.upper is not None and lower is not None
        else None
    )
    return whole, min(sides)


def index(
    mean: float, sd: float, count: int, limits: Limits, *, name: Name, confidence: float = 0.95
) -> Index:
    """The indices of a normal process with the one-sided lower bound of the least one (Bissell 1990, an approximation)."""
    whole, least = indices(normal_spread(mean, sd), limits)
    return Index(
        name=name,
        count=count,
        whole=whole,
        least=least,
        least_bound=least - normal_quantile(confidence) * bissell_se(least, count),
        confidence=confidence,
        beyond_ppm=beyond_ppm(mean, sd, limits),
    )


def bissell_se(least: float, count: int) -> float:
    """The standard error of Cpk after Bissell 1990."""
    return math.sqrt(1.0 / (9.0 * count) + least**2 / (2.0 * (count - 1)))


def whole_interval(whole: float, count: int, confidence: float = 0.95) -> tuple[float, float]:
    """The exact two-sided confidence interval of Cp or Pp for normal values."""
    dof = count - 1
    tail = (1.0 - confidence) / 2.0
    return (
        whole * math.sqrt(chi_square_quantile(tail, dof) / dof),
        whole * math.sqrt(chi_square_quantile(1.0 - tail, dof) / dof),
    )


def target_index(mean: float, sd: float, limits: Limits, target: float) -> float:
    """Cpm: the whole index with the distance from the target counted as spread (NIST/SEMATECH e-Handbook 6.1.6).

    Raises:
        ValueError: a limit is open.
    """
    if limits.lower is None or limits.upper is None:
        raise ValueError("an index about a target needs both limits")
    return (limits.upper - limits.lower) / (BAND * math.hypot(sd, mean - target))


def beyond_ppm(mean: float, sd: float, limits: Limits) -> float:
    """Parts per million of a normal process beyond the limits."""
    above = 0.0 if limits.upper is None else normal_cdf((mean - limits.upper) / sd)
    below = 0.0 if limits.lower is None else normal_cdf((limits.lower - mean) / sd)
    return 1e6 * (above + below)


def empirical_spread(values: Sequence[float]) -> Spread:
    """The reference interval by order statistics, for a process that is not normal.

    Positions after Hazen, (n + 0.5) / count; beyond the outermost position the tail of the outer tenth is continued as straight on
    normal paper, which is a convention of ours and says little below some hundred values.
    """
    ordered = sorted(values)
    return Spread(low=_at(ordered, OUTER), middle=_at(ordered, 0.5), high=_at(ordered, 1.0 - OUTER))


def _at(ordered: Sequence[float], p: float) -> float:
    count = len(ordered)
    position = p * count - 0.5
    if 0.0 <= position <= count - 1:
        below = math.floor(position)
        share = position - below
        return ordered[below] + share * (ordered[min(below + 1, count - 1)] - ordered[below])
    depth = max(1, count // 10)
    outer, inner = (0, depth) if position < 0.0 else (count - 1, count - 1 - depth)
    z_outer, z_inner = (normal_quantile((n + 0.5) / count) for n in (outer, inner))
    slope = (ordered[outer] - ordered[inner]) / (z_outer - z_inner)
    return ordered[outer] + slope * (normal_quantile(p) - z_outer)


NOT_NORMAL_FROM = 1.035
"""The adjusted statistic of Anderson and Darling that one normal sample in 100 exceeds (D'Agostino and Stephens 1986, table 4.7, from memory;
checked against statsmodels)."""


def anderson_darling(values: Sequence[float]) -> float:
    """How far values are from normal with their own mean and deviation: A2 (1 + 0.75/n + 2.25/n2).

    Raises:
        ValueError: fewer than 8 values, or all of them equal.
    """
    found, count = moments(values), len(values)
    if count < NORMALITY_COUNT_MIN or not found.sd:
        raise ValueError(f"{count} values: expected {NORMALITY_COUNT_MIN} that are not all equal")
    z = [(each - found.mean) / found.sd for each in sorted(values)]
    tails = (
        (2 * at + 1) * (_log_below(low) + _log_below(-high))
        for at, (low, high) in enumerate(zip(z, reversed(z), strict=True))
    )
    return (-count - sum(tails) / count) * (1.0 + 0.75 / count + 2.25 / count**2)


def _log_below(z: float) -> float:
    return math.log(max(normal_cdf(z), LEAST_PROBABILITY))


def is_stable(values: Sequence[float], chart: Chart, rules: RuleSet) -> bool:
    """Whether no rule of the set fires: only then an index may be called capability."""
    return not signals(values, chart, rules)

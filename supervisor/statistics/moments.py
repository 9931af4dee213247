"""Mean, spread and neighbourhood of a series.

Rules of this file:
- Sums are exact (``math.fsum``) and deviations are taken from the mean first, so the digits that the input has are kept.
"""

import itertools
import math
from collections.abc import Sequence

from supervisor.cell.value import value


@value
class Moments:
    """Count, mean and standard deviation (n - 1) of values in one unit. ``sd`` is None for fewer than two values."""

    count: int
    mean: float
    sd: float | None


def moments(values: Sequence[float]) -> Moments:
    """Count, mean and standard deviation.

    Raises:
        ValueError: there are no values.
    """
    if not values:
        raise ValueError("the mean of no values: expected one at least")
    count, mean = len(values), _mean(values)
    if count == 1:
        return Moments(count=1, mean=mean, sd=None)
    rest = [x - mean for x in values]
    # The second term takes back what rounding of the mean put in (Chan, Golub and LeVeque 1983).
    squares = math.fsum(r * r for r in rest) - math.fsum(rest) ** 2 / count
    return Moments(count=count, mean=mean, sd=math.sqrt(squares / (count - 1)))


@value
class Spread:
    """A standard deviation with the degrees of freedom that it is worth."""

    sd: float
    dof: float


def successive_spread(runs: Sequence[Sequence[float]]) -> Spread | None:
    """The spread of neighbours within runs of values, which a slow drift or a step between two runs does not inflate.

    The root of half the mean square successive difference (von Neumann, Kent, Bellinson and Hart 1941). A run of n values has a
    variance of that estimate of (3n - 4)/(n - 1)^2 sigma^4 (same source, from memory; checked by simulation), which is that of
    2 (n - 1)^2/(3n - 4) degrees of freedom; runs add up. None where no run has two values.
    """
    squares, count, variance = 0.0, 0, 0.0
    for run in runs:
        steps = [b - a for a, b in itertools.pairwise(run)]
        squares += math.fsum(step * step for step in steps)
        count += len(steps)
        variance += max(0, 3 * len(steps) - 1)
    if not count:
        return None
    return Spread(sd=math.sqrt(squares / (2 * count)), dof=2 * count**2 / variance)


def lag_1(values: Sequence[float]) -> float:
    """The autocorrelation of neighbours, as NIST StRD defines r(1). 0 for a series that does not vary."""
    mean = _mean(values)
    rest = [x - mean for x in values]
    whole = math.fsum(r * r for r in rest)
    return math.fsum(a * b for a, b in itertools.pairwise(rest)) / whole if whole else 0.0


def moving_ranges(values: Sequence[float]) -> tuple[float, ...]:
    """The distance of each value from the one before."""
    return tuple(abs(b - a) for a, b in itertools.pairwise(values))


def _mean(values: Sequence[float]) -> float:
    return math.fsum(values) / len(values)

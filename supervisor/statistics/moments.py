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

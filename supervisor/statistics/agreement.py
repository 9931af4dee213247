"""Whether two or more measurements of one quantity agree, and what they say together.

Rules of this file:
- Disagreement is never averaged away: a mean of discordant values gets a larger uncertainty, and a small spread never a smaller one.
- The correlation coefficient is no agreement; differences are looked at (Bland and Altman 1986).
- One |En| above 1 is no alarm: with honest uncertainties one pair in 22 shows it. A run of differences is watched by an EWMA.
"""

import math
from collections.abc import Sequence

from supervisor.cell.value import value
from supervisor.statistics.distributions import chi_square_tail, student_quantile
from supervisor.statistics.moments import moments

COVERAGE = 2.0
"""The coverage factor of the expanded uncertainties in En; ISO 13528:2022 9.7 (from memory)."""


@value
class Measurement:
    """A value and its standard uncertainty, above zero, in one unit."""

    value: float
    u: float


@value
class WeightedMean:
    """The mean by inverse variance. ``u`` is what may be stated: the internal one, or larger where the values spread more.

    ``birge`` is the square root of chi-square by its degrees of freedom (Birge 1932), ``p`` the probability of a larger chi-square.
    """

    value: float
    u: float
    u_internal: float
    chi_square: float
    birge: float
    p: float


@value
class Differences:
    """Differences of pairs: their mean with a confidence interval, their spread, and limits that hold about 95 % of pairs."""

    count: int
    bias: float
    sd: float
    bias_low: float
    bias_high: float
    low: float
    high: float

    @property
    def significant(self) -> bool:
        """Whether zero lies outside the confidence interval of the mean difference."""
        return not self.bias_low <= 0.0 <= self.bias_high


def normalised_error(one: Measurement, other: Measurement, correlation: float = 0.0) -> float:
    """En of two measurements, with k = 2. ``correlation`` is that of their errors (a shared reference, a shared fixture)."""
    return (one.value - other.value) / (COVERAGE * difference_u(one, other, correlation))


def difference_u(one: Measurement, other: Measurement, correlation: float = 0.0) -> float:
    """The standard uncertainty of a difference.

    Raises:
        ValueError: nothing is left of it: the two are one measurement.
    """
    variance = one.u**2 + other.u**2 - 2.0 * correlation * one.u * other.u
    if variance <= 0.0:
        raise ValueError(
            "a correlation of 1 with equal uncertainties: these are not two measurements"
        )
    return math.sqrt(variance)


def weighted_mean(measurements: Sequence[Measurement]) -> WeightedMean:
    """The mean of two or more independent measurements with the Birge ratio.

    Raises:
        ValueError: fewer than two.
    """
    if len(measurements) < 2:  # noqa: PLR2004 - one value is its own mean
        raise ValueError("a weighted mean of fewer than two measurements")
    weights = [1.0 / each.u**2 for each in measurements]
    total = math.fsum(weights)
    mean = math.fsum(w * m.value for w, m in zip(weights, measurements, strict=True)) / total
    chi_square = math.fsum(((each.value - mean) / each.u) ** 2 for each in measurements)
    dof = len(measurements) - 1
    birge = math.sqrt(chi_square / dof)
    internal = 1.0 / math.sqrt(total)
    return WeightedMean(
        value=mean,
        u=internal * max(1.0, birge),
        u_internal=internal,
        chi_square=chi_square,
        birge=birge,
        p=chi_square_tail(chi_square, dof),
    )


def correlated_mean(one: Measurement, other: Measurement, correlation: float) -> Measurement:
    """The mean of two measurements whose errors are correlated, by generalised least squares.

    Raises:
        ValueError: the correlation reaches the ratio of the uncertainties: the poorer value would get a weight of zero or less, so
            the better one has to stand alone.
    """
    better, poorer = sorted((one, other), key=lambda each: each.u)
    if correlation >= better.u / poorer.u:
        raise ValueError(
            f"correlation {correlation:g} leaves the poorer measurement no weight: expected less than {better.u / poorer.u:.3g}"
        )
    shared = correlation * one.u * other.u
    spread = one.u**2 + other.u**2 - 2.0 * shared
    weight = (other.u**2 - shared) / spread
    variance = (one.u**2 * other.u**2 - shared**2) / spread
    return Measurement(
        value=weight * one.value + (1.0 - weight) * other.value, u=math.sqrt(variance)
    )


def differences(pairs: Sequence[tuple[float, float]], confidence: float = 0.95) -> Differences:
    """The analysis of differences ``first - second`` after Bland and Altman 1986, with limits of two standard deviations.

    Raises:
        ValueError: fewer than two pairs.
    """
    found = moments([first - second for first, second in pairs])
    if found.sd is None:
        raise ValueError("differences of fewer than two pairs")
    reach = (
        student_quantile(0.5 + confidence / 2.0, found.count - 1)
        * found.sd
        / math.sqrt(found.count)
    )
    return Differences(
        count=found.count,
        bias=found.mean,
        sd=found.sd,
        bias_low=found.mean - reach,
        bias_high=found.mean + reach,
        low=found.mean - 2.0 * found.sd,
        high=found.mean + 2.0 * found.sd,
    )

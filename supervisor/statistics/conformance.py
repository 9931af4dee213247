"""How probable it is that a requirement is kept, given one measured value (JCGM 106:2012).

Rules of this file:
- A probability is information beside a verdict. The verdict itself is made by exact comparison (``verdict/conformity.py``).
- Risks are joint probabilities, as JCGM 106 9.5 has them: "accepted and not conforming", not "not conforming, given accepted".

The clauses of JCGM 106 are from memory.
"""

import math
from collections.abc import Callable

from supervisor.cell.value import value
from supervisor.statistics.distributions import (
    normal_cdf,
    normal_quantile,
    student_cdf,
    student_quantile,
)

_STEPS = 4_000
_REACH_SD = 9.0


@value
class Limits:
    """The limits of a requirement in one unit; None = open. ``zero_below``: the quantity cannot be negative (form, position)."""

    lower: float | None = None
    upper: float | None = None
    zero_below: bool = False


@value
class Risks:
    """Joint probabilities over all parts of a process: a bad part accepted, a good part rejected."""

    false_accept: float
    false_reject: float


def probability_conforming(
    measured: float, u: float, limits: Limits, *, dof: float = math.inf
) -> float:
    """The probability that the true value keeps the limits (7.3, 7.4), ``u`` being the standard uncertainty, above zero.

    With ``zero_below`` the distribution is cut off at zero: what cannot be is taken out of both parts of the fraction.
    """

    def below(x: float) -> float:
        z = (x - measured) / u
        return normal_cdf(z) if math.isinf(dof) else student_cdf(z, dof)

    impossible = below(0.0) if limits.zero_below else 0.0
    upper = 1.0 if limits.upper is None else below(limits.upper)
    lower = 0.0 if limits.lower is None else below(limits.lower)
    return max(0.0, upper - max(lower, impossible)) / (1.0 - impossible)


def guard_factor(
    probability: float, *, width_per_u: float = math.inf, dof: float = math.inf
) -> float | None:
    """How many standard uncertainties a value must stay inside a limit to conform with ``probability``.

    For limits ``width_per_u`` standard uncertainties apart both tails count; None where no value could conform.
    """
    if math.isinf(width_per_u):
        return (
            normal_quantile(probability) if math.isinf(dof) else student_quantile(probability, dof)
        )
    limits = Limits(lower=0.0, upper=width_per_u)

    def short_of(factor: float) -> float:
        return probability - probability_conforming(width_per_u - factor, 1.0, limits, dof=dof)

    inside, outside = width_per_u / 2.0, 0.0
    if short_of(inside) > 0.0:
        return None
    while inside - outside > 1e-12:  # noqa: PLR2004 - far below what a micrometre in a kilometre asks for
        middle = 0.5 * (inside + outside)
        if short_of(middle) > 0.0:
            outside = middle
        else:
            inside = middle
    return inside


def risks(process: tuple[float, float], u: float, limits: Limits, accepted: Limits) -> Risks:
    """The global risks (9.5) of a normal process (mean, sd) measured with standard uncertainty ``u``."""
    mean, sd = process

    def accept(true: float) -> float:
        """The probability that this true value gives a measured value within what is accepted."""
        above = 1.0 if accepted.upper is None else normal_cdf((accepted.upper - true) / u)
        under = 0.0 if accepted.lower is None else normal_cdf((accepted.lower - true) / u)
        return above - under

    def density(true: float) -> float:
        z = (true - mean) / sd
        return math.exp(-0.5 * z * z) / (sd * math.sqrt(2.0 * math.pi))

    low, high = mean - _REACH_SD * sd, mean + _REACH_SD * sd
    lower = low if limits.lower is None else min(max(limits.lower, low), high)
    upper = high if limits.upper is None else min(max(limits.upper, low), high)

    def bad(true: float) -> float:
        return density(true) * accept(true)

    def good(true: float) -> float:
        return density(true) * (1.0 - accept(true))

    return Risks(
        false_accept=_integral(bad, low, lower) + _integral(bad, upper, high),
        false_reject=_integral(good, lower, upper),
    )


def _integral(f: Callable[[float], float], low: float, high: float) -> float:
    """Simpson's rule."""
    if high <= low:
        return 0.0
    step = (high - low) / _STEPS
    inner = math.fsum((4 if n % 2 else 2) * f(low + n * step) for n in range(1, _STEPS))
    return step / 3.0 * (f(low) + inner + f(high))

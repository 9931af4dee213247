"""Normal, Student, chi-square and F distributions: tails and quantiles to about 1e-12.

Rules of this file:
- Tails by ``erfc`` and by continued fractions: ``1 - cdf`` loses all digits where process capability is interesting.
- Quantiles by bisection between bounds that hold the answer: slower than a formula, and never wrong.

Incomplete gamma and beta functions: NIST Digital Library of Mathematical Functions, 8.7.1, 8.9.2, 8.17.22; evaluated by the modified
Lentz algorithm (Thompson and Barnett 1986).
"""

import math
from collections.abc import Callable
from statistics import NormalDist

_TINY = 1e-300
_CLOSE = 1e-15
_TERMS_MAX = 10_000
_NORMAL = NormalDist()


class NotConvergedError(ArithmeticError):
    """A series did not come to rest; the arguments are out of any use here."""


def normal_cdf(z: float) -> float:
    """P(Z <= z), also far in the lower tail, where ``statistics.NormalDist`` gives zero."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def normal_quantile(p: float) -> float:
    """The z with P(Z <= z) = p, for 0 < p < 1."""
    return _NORMAL.inv_cdf(p)


def chi_square_cdf(x: float, dof: float) -> float:
    """P(X <= x) with ``dof`` degrees of freedom."""
    return _gamma_p(dof / 2.0, x / 2.0) if x > 0.0 else 0.0


def chi_square_tail(x: float, dof: float) -> float:
    """P(X > x)."""
    return 1.0 - chi_square_cdf(x, dof) if x < dof + 1.0 else _gamma_q(dof / 2.0, x / 2.0)


def chi_square_quantile(p: float, dof: float) -> float:
    """The x with P(X <= x) = p, for 0 < p < 1."""
    return _bisect(lambda x: chi_square_cdf(x, dof) - p, 0.0, dof + 1.0)


def student_cdf(t: float, dof: float) -> float:
    """P(T <= t) with ``dof`` degrees of freedom, whole or not."""
    square = t * t
    if square < 1.0:  # near the middle: the share between 0 and t, which the tail would lose
        middle = math.copysign(0.5 * beta_i(0.5, dof / 2.0, square / (dof + square)), t)
        return 0.5 + middle
    tail = 0.5 * beta_i(dof / 2.0, 0.5, dof / (dof + square))
    return 1.0 - tail if t > 0.0 else tail


def student_quantile(p: float, dof: float) -> float:
    """The t with P(T <= t) = p, for 0 < p < 1."""
    if p < 0.5:  # noqa: PLR2004 - the middle of every symmetric distribution
        return -student_quantile(1.0 - p, dof)
    return _bisect(lambda t: student_cdf(t, dof) - p, 0.0, 2.0)


def f_tail(f: float, dof_above: float, dof_below: float) -> float:
    """P(F > f) for a ratio of mean squares with these degrees of freedom."""
    if f <= 0.0:
        return 1.0
    return beta_i(dof_below / 2.0, dof_above / 2.0, dof_below / (dof_below + dof_above * f))


def f_quantile(p: float, dof_above: float, dof_below: float) -> float:
    """The f with P(F <= f) = p, for 0 < p < 1."""
    return _bisect(lambda f: 1.0 - p - f_tail(f, dof_above, dof_below), 0.0, 2.0)


def binomial_cdf(successes: int, trials: int, probability: float) -> float:
    """P(X <= successes) in ``trials`` independent trials."""
    return math.fsum(
        math.comb(trials, k) * probability**k * (1.0 - probability) ** (trials - k)
        for k in range(successes + 1)
    )


def beta_i(a: float, b: float, x: float) -> float:
    """The regularised incomplete beta function I_x(a, b) (DLMF 8.17)."""
    if x <= 0.0:
        return 0.0
    if x >= 1.0:
        return 1.0
    front = math.exp(
        math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    )
    if x < (a + 1.0) / (a + b + 2.0):
        return front * _beta_fraction(a, b, x) / a
    return 1.0 - front * _beta_fraction(b, a, 1.0 - x) / b


def _beta_fraction(a: float, b: float, x: float) -> float:
    """DLMF 8.17.22."""

    def coefficient(n: int) -> float:
        m, odd = divmod(n, 2)
        if odd:
            return -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        return m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))

    return 1.0 / _lentz(1.0, coefficient, lambda _n: 1.0)


def _gamma_p(a: float, x: float) -> float:
    """The regularised lower incomplete gamma function (DLMF 8.7.1 as a series, 8.9.2 as a fraction)."""
    if x >= a + 1.0:
        return 1.0 - _gamma_q(a, x)
    term = total = 1.0 / a
    for n in range(1, _TERMS_MAX):
        term *= x / (a + n)
        total += term
        if term < total * _CLOSE:
            return total * math.exp(-x + a * math.log(x) - math.lgamma(a))
    raise NotConvergedError(f"incomplete gamma function of a = {a}, x = {x}")


def _gamma_q(a: float, x: float) -> float:
    """The upper one, for x beyond a."""
    fraction = _lentz(x + 1.0 - a, lambda n: -n * (n - a), lambda n: x + 2 * n + 1.0 - a)
    return math.exp(-x + a * math.log(x) - math.lgamma(a)) / fraction


def _lentz(first: float, above: Callable[[int], float], below: Callable[[int], float]) -> float:
    """The continued fraction first + above(1)/(below(1) + above(2)/(below(2) + ...))."""
    value = numerator = first or _TINY
    denominator = 0.0
    for n in range(1, _TERMS_MAX):
        denominator = 1.0 / ((below(n) + above(n) * denominator) or _TINY)
        numerator = (below(n) + above(n) / numerator) or _TINY
        step = numerator * denominator
        value *= step
        if abs(step - 1.0) < _CLOSE:
            return value
    raise NotConvergedError(f"continued fraction that begins with {first}")


def _bisect(rising: Callable[[float], float], low: float, high: float) -> float:
    """The root of a rising function; ``high`` is doubled until it lies above."""
    while rising(high) < 0.0:
        low, high = high, 2.0 * high
    while True:
        middle = 0.5 * (low + high)
        if middle in (low, high):
            return middle
        if rising(middle) < 0.0:
            low = middle
        else:
            high = middle

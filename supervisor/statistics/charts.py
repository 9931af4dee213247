"""Control charts: limits by the constants of ISO 7870-2, individuals, mean and range or deviation, EWMA, CUSUM, run rules.

Rules of this file:
- A chart is judged against limits that come from a base period or from agreement, never from the values being judged.
- Rule sets have names; a signal says which rule of which set fired, and on which values.

Constants: d2, d3 and c4 are the moments of range and deviation of normal samples; NIST/SEMATECH e-Handbook 6.3.2.1 and ISO 7870-2 print
them with three digits. Six digits here by quadrature, checked in the tests.
"""

import itertools
import math
from collections.abc import Callable, Sequence
from typing import Literal

from supervisor.cell.value import value
from supervisor.statistics.moments import moments, moving_ranges

D2 = (1.128379, 1.692569, 2.058751, 2.325929, 2.534413, 2.704357, 2.847201, 2.970026, 3.077505)
"""Mean range of n = 2 to 10 standard normal values."""
D3 = (0.852502, 0.888368, 0.879808, 0.864082, 0.848040, 0.833205, 0.819831, 0.807834, 0.797051)
"""Standard deviation of that range."""
SIZE_MIN, SIZE_MAX = 2, 10

RuleSet = Literal["limits only", "western electric", "nelson", "iso 7870-2"]


@value
class Chart:
    """A centre line with its limits. ``sigma`` is the standard deviation of what is plotted."""

    centre: float
    sigma: float
    lower: float
    upper: float


@value
class Signal:
    """A rule that fired: the last position that it looks at, how many values it took, and its name."""

    at: int
    count: int
    rule: str


@value
class Rule:
    """``fires`` looks at the last ``count`` standardised values."""

    name: str
    count: int
    fires: Callable[[Sequence[float]], bool]


def d2(size: int) -> float:
    """The mean range of ``size`` standard normal values."""
    return D2[_index(size)]


def d3(size: int) -> float:
    """The standard deviation of the range of ``size`` standard normal values."""
    return D3[_index(size)]


def c4(size: int) -> float:
    """The mean of the standard deviation of ``size`` standard normal values (closed form)."""
    _index(size)
    return math.sqrt(2.0 / (size - 1)) * math.exp(
        math.lgamma(size / 2) - math.lgamma((size - 1) / 2)
    )


def _index(size: int) -> int:
    if not SIZE_MIN <= size <= SIZE_MAX:
        raise ValueError(f"subgroups of {size}: expected {SIZE_MIN} to {SIZE_MAX}")
    return size - SIZE_MIN


def individuals(base: Sequence[float]) -> Chart:
    """The chart of single values, its spread from the moving range of two.

    Raises:
        ValueError: fewer than two values.
    """
    return _around(moments(base).mean, moments(moving_ranges(base)).mean / d2(2))


def mean_by_range(base: Sequence[Sequence[float]]) -> tuple[Chart, Chart]:
    """Charts of the mean and of the range of subgroups of equal size."""
    size = _size(base)
    spread = moments([max(group) - min(group) for group in base]).mean
    sigma = spread / d2(size)
    mean = _around(_grand_mean(base), sigma / math.sqrt(size))
    return mean, _above_zero(spread, sigma * d3(size))


def mean_by_deviation(base: Sequence[Sequence[float]]) -> tuple[Chart, Chart]:
    """Charts of the mean and of the standard deviation of subgroups of equal size."""
    size = _size(base)
    spread = moments([moments(group).sd or 0.0 for group in base]).mean
    sigma = spread / c4(size)
    mean = _around(_grand_mean(base), sigma / math.sqrt(size))
    return mean, _above_zero(spread, sigma * math.sqrt(1.0 - c4(size) ** 2))


def _around(centre: float, sigma: float) -> Chart:
    return Chart(centre=centre, sigma=sigma, lower=centre - 3.0 * sigma, upper=centre + 3.0 * sigma)


def _above_zero(centre: float, sigma: float) -> Chart:
    return Chart(
        centre=centre,
        sigma=sigma,
        lower=max(0.0, centre - 3.0 * sigma),
        upper=centre + 3.0 * sigma,
    )


def _size(base: Sequence[Sequence[float]]) -> int:
    sizes = sorted({len(group) for group in base})
    if len(sizes) != 1:
        raise ValueError(f"subgroups of {sizes} values: expected one size")
    return sizes[0]


def _grand_mean(base: Sequence[Sequence[float]]) -> float:
    return moments([moments(group).mean for group in base]).mean


@value
class Ewma:
    """An exponentially weighted moving average: weight of the newest value, reach of the limits in its own standard deviations.

    ``target`` and ``sigma`` are those of the single value; the limits are the ones of the steady state.
    """

    target: float
    sigma: float
    weight: float
    reach: float

    @property
    def limit(self) -> float:
        """How far the average may be from the target."""
        return self.reach * self.sigma * math.sqrt(self.weight / (2.0 - self.weight))

    def follow(self, values: Sequence[float], start: float | None = None) -> tuple[float, ...]:
        """The averages after each value."""
        level = self.target if start is None else start
        levels: list[float] = []
        for each in values:
            level += self.weight * (each - level)
            levels.append(level)
        return tuple(levels)

    def first_signal(self, values: Sequence[float]) -> int | None:
        """The position of the first average beyond a limit."""
        beyond = (
            at
            for at, level in enumerate(self.follow(values))
            if abs(level - self.target) > self.limit
        )
        return next(beyond, None)


@value
class Cusum:
    """Two cumulative sums of deviations beyond an allowance; all in the unit of the value (Page 1954)."""

    target: float
    allowance: float
    limit: float
    head_start: float = 0.0

    def follow(self, values: Sequence[float]) -> tuple[tuple[float, float], ...]:
        """The upper and the lower sum after each value."""
        upper = lower = self.head_start
        sums: list[tuple[float, float]] = []
        for each in values:
            upper = max(0.0, upper + each - self.target - self.allowance)
            lower = max(0.0, lower + self.target - each - self.allowance)
            sums.append((upper, lower))
        return tuple(sums)

    def first_signal(self, values: Sequence[float]) -> int | None:
        """The position of the first sum beyond the limit."""
        beyond = (at for at, sums in enumerate(self.follow(values)) if max(sums) > self.limit)
        return next(beyond, None)


def _share_beyond(reach: float, needed: int) -> Callable[[Sequence[float]], bool]:
    """``needed`` of the values lie more than ``reach`` from the centre, on one side; the last is one of them."""

    def fires(z: Sequence[float]) -> bool:
        side = math.copysign(1.0, z[-1])
        return side * z[-1] > reach and sum(side * each > reach for each in z) >= needed

    return fires


def _one_side(z: Sequence[float]) -> bool:
    return all(each > 0 for each in z) or all(each < 0 for each in z)


def _trend(z: Sequence[float]) -> bool:
    steps = [b - a for a, b in itertools.pairwise(z)]
    return all(s > 0 for s in steps) or all(s < 0 for s in steps)


def _alternating(z: Sequence[float]) -> bool:
    steps = [b - a for a, b in itertools.pairwise(z)]
    return all(a * b < 0 for a, b in itertools.pairwise(steps))


def _all_near(z: Sequence[float]) -> bool:
    return all(abs(each) < 1.0 for each in z)


def _all_far(z: Sequence[float]) -> bool:
    return all(abs(each) > 1.0 for each in z)


_BEYOND = Rule(name="one beyond 3 sigma", count=1, fires=_share_beyond(3.0, 1))
_TWO_OF_THREE = Rule(name="2 of 3 beyond 2 sigma", count=3, fires=_share_beyond(2.0, 2))
_FOUR_OF_FIVE = Rule(name="4 of 5 beyond 1 sigma", count=5, fires=_share_beyond(1.0, 4))


def _run(count: int) -> Rule:
    return Rule(name=f"{count} on one side", count=count, fires=_one_side)


def _steps(count: int) -> Rule:
    return Rule(name=f"{count} rising or falling", count=count, fires=_trend)


RULES: dict[RuleSet, tuple[Rule, ...]] = {
    "limits only": (_BEYOND,),
    "western electric": (_BEYOND, _TWO_OF_THREE, _FOUR_OF_FIVE, _run(8)),
    "nelson": (
        _BEYOND,
        _run(9),
        _steps(6),
        Rule(name="14 alternating", count=14, fires=_alternating),
        _TWO_OF_THREE,
        _FOUR_OF_FIVE,
        Rule(name="15 within 1 sigma", count=15, fires=_all_near),
        Rule(name="8 beyond 1 sigma", count=8, fires=_all_far),
    ),
    "iso 7870-2": (_BEYOND, _run(7), _steps(7)),
}
"""Western Electric 1956 and Nelson 1984; the list of ISO 7870-2:2013 is from memory and has to be checked before it is quoted."""


def signals(values: Sequence[float], chart: Chart, rules: RuleSet) -> tuple[Signal, ...]:
    """Every rule of a set that fires, by position and then in the order of the set.

    A rule whose values cannot all be there yet does not fire, with one exception: "2 of 3" and "4 of 5" fire on 2 and 4 already.
    """
    z = [(each - chart.centre) / chart.sigma for each in values]
    return tuple(
        Signal(at=at, count=min(rule.count, at + 1), rule=rule.name)
        for at in range(len(z))
        for rule in RULES[rules]
        if _may_fire(rule, at + 1) and rule.fires(z[max(0, at + 1 - rule.count) : at + 1])
    )


def _may_fire(rule: Rule, seen: int) -> bool:
    early = rule in (_TWO_OF_THREE, _FOUR_OF_FIVE)
    return seen >= (rule.count - 1 if early else rule.count)

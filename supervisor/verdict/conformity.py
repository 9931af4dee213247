"""Does one measured value prove that a requirement is kept? The decision rule of ISO 14253-1:2017.

Rules of this file:
- Limits, uncertainty and zones are exact decimals; a value is taken as the decimal that its shortest text shows, so that a value
  on a limit is on it. Nothing is ever compared after a float subtraction.
- Between the conformity zone and the nonconformity zone neither is proven, and that is a verdict of its own.
- Where rounding cannot be avoided it makes the guard band wider, never narrower.

The clauses of ISO 14253-1:2017 are from memory: default conformance probability 95 %, guard band 1.65 standard uncertainties.
"""

import math
from collections.abc import Callable
from decimal import ROUND_CEILING, Context, Decimal
from typing import Literal

from supervisor.cell.model import EXACT, Characteristic, NaturalLimit
from supervisor.cell.value import value
from supervisor.statistics.conformance import Limits, probability_conforming
from supervisor.statistics.distributions import normal_cdf, student_quantile

_UPWARD = Context(prec=12, rounding=ROUND_CEILING)
_ANY = Context(prec=700)
"""Any finite float with all its places: from 1.8e308 down to 5e-324."""
_READABLE = Context(prec=8)
"""A hundredth of a micrometre at 500 mm: finer than any uncertainty that a cell declares; the record keeps the whole value."""


@value
class Zones:
    """Bounds in the characteristic's unit; None = open on that side.

    Conforming from ``accept_lower`` to ``accept_upper``, both included; nonconforming below ``reject_lower`` and above
    ``reject_upper``, neither included; undecided otherwise.
    """

    accept_lower: Decimal | None
    accept_upper: Decimal | None
    reject_lower: Decimal | None
    reject_upper: Decimal | None

    @property
    def nothing_conforms(self) -> bool:
        """Whether the conformity zone is empty: the tolerance is narrower than two guard bands."""
        lower, upper = self.accept_lower, self.accept_upper
        return lower is not None and upper is not None and lower > upper


@value
class Judgement:
    """A verdict on one value, with its reason for people."""

    verdict: Literal["conforming", "nonconforming", "undecided"]
    why: str


def standard_uncertainty(expanded_u: Decimal, k: Decimal) -> Decimal:
    """``expanded_u / k``, rounded up at the twelfth digit. ``k`` is above zero."""
    return _UPWARD.divide(expanded_u, k)


def factor_for(guard_factor: Decimal, dof: int | None) -> Decimal:
    """The guard factor that keeps its probability when the uncertainty has few degrees of freedom; None = well known.

    The factor of a rule is a quantile of the normal distribution; with few degrees of freedom the same quantile of Student's
    distribution takes its place (1.65 becomes 1.82 with ten). Rounded up at the fourth digit; a factor of 0 stays 0.
    """
    if dof is None or guard_factor == 0:
        return guard_factor
    quantile = student_quantile(normal_cdf(float(guard_factor)), dof)
    return max(guard_factor, Decimal(quantile).quantize(Decimal("0.0001"), ROUND_CEILING))


def conformance_probability(
    measured: float, requirement: Characteristic, standard_u: Decimal, dof: int | None
) -> float:
    """The probability that the requirement is kept, given the value (JCGM 106:2012 7.3, 7.4, from memory): information only.

    Rounded to six digits, so that it is the same on every machine.
    """
    limits = Limits(
        lower=None if requirement.lower is None else float(requirement.lower),
        upper=None if requirement.upper is None else float(requirement.upper),
        zero_below=requirement.natural_limit == "zero",
    )
    degrees = math.inf if dof is None else dof
    return round(probability_conforming(measured, float(standard_u), limits, dof=degrees), 6)


def zones(
    lower: Decimal | None,
    upper: Decimal | None,
    natural_limit: NaturalLimit,
    standard_u: Decimal,
    guard_factor: Decimal,
) -> Zones:
    """The zones for limits and a standard uncertainty in the same unit.

    A lower limit at a natural limit zero is no requirement: no value can break it, so it gets no guard band and no zone.
    """
    guard = EXACT.multiply(guard_factor, standard_u)
    if natural_limit == "zero" and lower is not None and lower <= 0:
        lower = None
    return Zones(
        accept_lower=None if lower is None else EXACT.add(lower, guard),
        accept_upper=None if upper is None else EXACT.subtract(upper, guard),
        reject_lower=None if lower is None else EXACT.subtract(lower, guard),
        reject_upper=None if upper is None else EXACT.add(upper, guard),
    )


def verdict_on(
    exact: Decimal, bounds: Zones
) -> Literal["conforming", "nonconforming", "undecided"]:
    """The verdict on an exact value."""
    if bounds.reject_lower is not None and exact < bounds.reject_lower:
        return "nonconforming"
    if bounds.reject_upper is not None and exact > bounds.reject_upper:
        return "nonconforming"
    if bounds.accept_lower is not None and exact < bounds.accept_lower:
        return "undecided"
    if bounds.accept_upper is not None and exact > bounds.accept_upper:
        return "undecided"
    return "conforming"


def judge(measured: float, bounds: Zones, unit: str) -> Judgement:
    """The verdict on a finite value, with its reason; ``unit`` is only for the text."""
    exact = exact_value(measured)
    verdict = verdict_on(exact, bounds)
    seen = shown(_readable(exact, bounds, verdict))
    return Judgement(verdict=verdict, why=_sentence(exact, bounds, unit, seen, shown))


def rounded_reason(measured: float, bounds: Zones, unit: str, places: int) -> str:
    """The reason that ``judge`` gives, with value and bounds to equal places behind the point.

    These are ``places``, or more where fewer would hide on which side of a bound the value lies.
    """
    exact = exact_value(measured)
    verdict = verdict_on(exact, bounds)
    named = (bounds.accept_lower, bounds.accept_upper, bounds.reject_lower, bounds.reject_upper)
    most = max(_places(each) for each in (exact, *named) if each is not None)
    while places < most and _verdict_to(exact, bounds, places) != verdict:
        places += 1

    def show(number: Decimal) -> str:
        return f"{_rounded(number, places):f}"

    return _sentence(exact, bounds, unit, show(exact), show)


def _sentence(
    exact: Decimal, bounds: Zones, unit: str, seen: str, show: Callable[[Decimal], str]
) -> str:
    """Why a value has its verdict; it is told as ``seen``, and bounds as ``show`` gives them."""
    told = f"{seen} {unit}"
    match verdict_on(exact, bounds):
        case "conforming":
            return f"{told} is in the conformity zone, {_span(bounds, show)}"
        case "nonconforming":
            return f"{told} is in the nonconformity zone, {_rejecting_bound(exact, bounds, show)}"
        case "undecided" if bounds.nothing_conforms:
            return (
                f"{told}: the tolerance is too narrow for this uncertainty, no value could conform"
            )
        case "undecided":
            return f"{told} is in the uncertainty zone, outside the conformity zone {_span(bounds, show)}"


def exact_value(measured: float) -> Decimal:
    """The decimal that the float's shortest text shows: 20.021 is 20.021, not the binary number nearest to it."""
    return Decimal(repr(measured))


def shown(number: Decimal) -> str:
    """A decimal for people: no exponent, no trailing zeros."""
    return f"{EXACT.normalize(number):f}"


def _readable(exact: Decimal, bounds: Zones, verdict: str) -> Decimal:
    """The value for a sentence: rounded, but never across the bound that the sentence names."""
    rounded = _READABLE.plus(exact)
    return rounded if verdict_on(rounded, bounds) == verdict else exact


def _places(number: Decimal) -> int:
    """How many digits a number has behind the point."""
    exponent = number.normalize(EXACT).as_tuple().exponent
    assert isinstance(exponent, int)
    return max(0, -exponent)


def _rounded(number: Decimal, places: int) -> Decimal:
    """The number to so many places; never a negative zero."""
    return _ANY.plus(_ANY.quantize(number, Decimal(1).scaleb(-places)))


def _verdict_to(exact: Decimal, bounds: Zones, places: int) -> str:
    """The verdict that follows from value and bounds as they look to so many places."""

    def seen(bound: Decimal | None) -> Decimal | None:
        return None if bound is None else _rounded(bound, places)

    rounded = Zones(
        accept_lower=seen(bounds.accept_lower),
        accept_upper=seen(bounds.accept_upper),
        reject_lower=seen(bounds.reject_lower),
        reject_upper=seen(bounds.reject_upper),
    )
    return verdict_on(_rounded(exact, places), rounded)


def _rejecting_bound(exact: Decimal, bounds: Zones, show: Callable[[Decimal], str]) -> str:
    if bounds.reject_lower is not None and exact < bounds.reject_lower:
        return f"below {show(bounds.reject_lower)}"
    assert bounds.reject_upper is not None
    return f"above {show(bounds.reject_upper)}"


def _span(bounds: Zones, show: Callable[[Decimal], str]) -> str:
    lower, upper = bounds.accept_lower, bounds.accept_upper
    match lower, upper:
        case None, None:
            return "which has no bounds"
        case None, Decimal():
            return f"up to {show(upper)}"
        case Decimal(), None:
            return f"from {show(lower)}"
        case _:
            return f"{show(lower)} to {show(upper)}"

"""Geometrical characteristics from measured components.

Rules of this file:
- Exact decimals in, a decimal out; only a square root rounds, at the thirtieth digit.
- Every result is the width (or diameter) of the tolerance zone that is used up, so that it is compared with the drawn tolerance itself
  and never with half of it (ISO 1101, from memory).
- What a component's uncertainty may do to the result is bounded, whatever the values: ``cell.model.SENSITIVITY``.
"""

from collections.abc import Sequence
from decimal import Context, Decimal

from supervisor.cell.model import EXACT, Formula

_ROOT = Context(prec=30)


def derived_value(
    formula: Formula, values: Sequence[Decimal], nominals: Sequence[Decimal]
) -> Decimal:
    """What a formula makes of the measured components and their nominals, which have one unit and one order."""
    deviations = [EXACT.subtract(v, n) for v, n in zip(values, nominals, strict=True)]
    match formula:
        case "position":
            return position(deviations)
        case "profile":
            return profile(deviations)
        case "run-out":
            return run_out(values)
        case "form":
            return form(deviations)


def position(deviations: Sequence[Decimal]) -> Decimal:
    """Twice the distance of the actual place from the true one: the diameter of the zone that just holds it."""
    squares = [EXACT.multiply(each, each) for each in deviations]
    return _ROOT.multiply(Decimal(2), _ROOT.sqrt(sum(squares, Decimal(0))))


def profile(deviations: Sequence[Decimal]) -> Decimal:
    """Twice the largest deviation to either side: the width of the equal zone about the nominal. +31 and -12 need 62, not 43."""
    return 2 * max(abs(each) for each in deviations)


def run_out(indicated: Sequence[Decimal]) -> Decimal:
    """The highest less the lowest indication."""
    return EXACT.subtract(max(indicated), min(indicated))


def form(deviations: Sequence[Decimal]) -> Decimal:
    """The highest less the lowest deviation from the element that the station fitted: +3 and -2 need a zone of 5, neither 3 nor 6.

    Whatever was fitted, no zone can be narrower than the minimum zone of ISO 1101; a least-squares fit gives as much or more.
    """
    return EXACT.subtract(max(deviations), min(deviations))


def maximum_material_bonus(
    actual: Decimal, lower: Decimal, upper: Decimal, feature: str
) -> Decimal:
    """By how much the actual size lies away from the maximum-material size (ISO 2692, from memory).

    The maximum-material size of an internal feature (a hole) is its lower limit, of an external one (a shaft) its upper limit. A size
    beyond that limit gives no bonus; beyond the other one, no more than the whole tolerance of the size.
    """
    away = EXACT.subtract(actual, lower) if feature == "internal" else EXACT.subtract(upper, actual)
    return min(max(away, Decimal(0)), EXACT.subtract(upper, lower))

"""The picture of one characteristic: where the value lies between its limits, and how sure that is.

Rules of this file:
- Geometry only, in shares of the width; ``svg`` and ``sheet`` draw it.
- The tolerance takes the same share of every picture, so that pictures under each other can be compared at a glance.
- With one limit only, what has to be above or below it is measured from zero (form, position), from the nominal, or where that is the limit
  itself, in uncertainties: every requirement with a limit has a picture.
- What lies outside the picture stands at its edge and says so; it never disappears.
"""

from decimal import Decimal
from typing import Literal

from supervisor.cell.value import value
from supervisor.verdict.record import Evidence, Finding

TOLERANCE_SHARE = 0.6
"""The share of the width between two limits; the rest is half and half beyond them."""
ONE_SIDED_SHARE = 0.75
"""Where the only limit of a one-sided requirement stands; a lower one stands as far from the other edge."""
NOMINAL_SHARE = 0.375
"""How far from it the nominal then stands: in the middle of what is allowed."""
UNCERTAINTIES_SHOWN = 10
"""How many expanded uncertainties are shown of what is allowed where the nominal is the limit (our choice)."""

Beyond = Literal["", "left", "right"]


@value
class Mark:
    """A value with its uncertainty: the middle and both ends, as shares; ``beyond`` says that the middle lies outside."""

    at: float
    low: float
    high: float
    beyond: Beyond


@value
class Picture:
    """Shares of the width from 0 to 1; None where there is nothing to show.

    ``sure_from`` and ``sure_to`` bound the zone in which a value is proven to conform.
    """

    lower: float | None
    upper: float | None
    sure_from: float | None
    sure_to: float | None
    decided: Mark | None
    monitors: tuple[Mark, ...]


def picture(finding: Finding) -> Picture | None:
    """The picture of a finding; None where no limit gives it a scale."""
    scale = _scale(finding)
    if scale is None:
        return None
    start, width = scale

    def share(content: Decimal | None) -> float | None:
        return None if content is None else _inside((float(content) - start) / width)

    def mark(evidence: Evidence | None) -> Mark | None:
        if evidence is None or evidence.value is None:
            return None
        middle = (evidence.value - start) / width
        reach = float(evidence.expanded_u) / width
        return Mark(
            at=_inside(middle),
            low=_inside(middle - reach),
            high=_inside(middle + reach),
            beyond="left" if middle < 0.0 else "right" if middle > 1.0 else "",
        )

    marks = (mark(each) for each in finding.monitored_by)
    return Picture(
        lower=share(finding.lower),
        upper=share(finding.upper),
        sure_from=share(finding.accept_lower),
        sure_to=share(finding.accept_upper),
        decided=mark(finding.decided_by),
        monitors=tuple(each for each in marks if each is not None),
    )


def _scale(finding: Finding) -> tuple[float, float] | None:
    """The value at the left edge and the span to the right one."""
    lower, upper = finding.lower, finding.upper
    if lower is not None and upper is not None and upper > lower:
        width = float(upper - lower) / TOLERANCE_SHARE
        return float(lower) - width * (1.0 - TOLERANCE_SHARE) / 2.0, width
    if upper is not None and upper > 0 and finding.nominal == 0:  # form and position begin at zero
        return 0.0, float(upper) / ONE_SIDED_SHARE
    only = lower if upper is None else upper
    room = 0.0 if only is None else _room(finding, only)
    if only is None or room <= 0.0:
        return None
    before = ONE_SIDED_SHARE if upper is not None else 1.0 - ONE_SIDED_SHARE
    return float(only) - before * room, room


def _room(finding: Finding, only: Decimal) -> float:
    """The span of a picture with one limit that is not at a natural zero; 0 where nothing gives one."""
    away = float(abs(finding.nominal - only))
    if away > 0.0:
        return away / NOMINAL_SHARE
    by = finding.decided_by
    return 0.0 if by is None else UNCERTAINTIES_SHOWN * float(by.expanded_u) / (2.0 * NOMINAL_SHARE)


def _inside(share: float) -> float:
    return min(1.0, max(0.0, share))

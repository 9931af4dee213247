"""The picture of one characteristic: where the value lies between its limits, and how sure that is.

Rules of this file:
- Geometry only, in shares of the width; ``svg`` and ``sheet`` draw it.
- The tolerance takes the same share of every picture, so that pictures under each other can be compared at a glance.
- What lies outside the picture stands at its edge and says so; it never disappears.
"""

from decimal import Decimal
from typing import Literal

from supervisor.cell.value import value
from supervisor.verdict.record import Evidence, Finding

TOLERANCE_SHARE = 0.6
"""The share of the width between two limits; the rest is half and half beyond them."""
ONE_SIDED_SHARE = 0.75
"""Where the only limit of a one-sided requirement stands."""

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
    if upper is not None and upper > 0:  # form and position begin at zero
        return 0.0, float(upper) / ONE_SIDED_SHARE
    return None


def _inside(share: float) -> float:
    return min(1.0, max(0.0, share))

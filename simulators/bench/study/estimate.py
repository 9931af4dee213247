"""What several seeds say about a figure: mean and confidence interval.

Rules of this file: two-sided 95 % with Student's t, for a mean of independent, about normal values (ISO 16269-6 has the same form; any
textbook). One seed has no interval. Differences are taken seed by seed, because both sides had the same luck.
"""

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from supervisor.statistics.distributions import student_quantile

CONFIDENCE = 0.95
SAME = 1e-9
"""Relative; what adding up in another order makes of equal values."""
SEEDS_FEW = 4
"""Up to so many the interval is several times as wide as the spread, and several seeds may well give one number of parts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A mean with the half width of its confidence interval; None where one value gives none."""

    mean: float
    half_width: float | None

    def text(self, digits: int, *, factor: float = 1.0) -> str:
        """For people: "14.5 ± 0.2".

        One that was the same in every shift stands alone, for "± 0" would be read as a certainty that few shifts do not give; a
        half width that rounds to nothing keeps its first digit.
        """
        mean = f"{self.mean * factor:.{digits}f}"
        half_width = (self.half_width or 0.0) * factor
        if half_width < SAME * max(1.0, abs(self.mean * factor)):
            return mean
        shown = f"{half_width:.{digits}f}"
        if not float(shown):
            shown = f"{half_width:.{-math.floor(math.log10(half_width))}f}"
        return f"{mean} ± {shown}"

    def certain(self) -> bool:
        """Whether zero is outside the interval."""
        return self.half_width is not None and abs(self.mean) > self.half_width


def estimate(values: Sequence[float]) -> Estimate:
    """The mean of a figure over seeds; at least one value."""
    mean = math.fsum(values) / len(values)
    if len(values) == 1:
        return Estimate(mean=mean, half_width=None)
    quantile = student_quantile(0.5 + CONFIDENCE / 2.0, len(values) - 1)
    return Estimate(
        mean=mean, half_width=quantile * statistics.stdev(values) / math.sqrt(len(values))
    )

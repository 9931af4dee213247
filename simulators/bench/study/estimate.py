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


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A mean with the half width of its confidence interval; None where one value gives none."""

    mean: float
    half_width: float | None

    def text(self, digits: int, *, factor: float = 1.0) -> str:
        """For people: "14.5 ± 0.2"."""
        mean = f"{self.mean * factor:.{digits}f}"
        if self.half_width is None:
            return mean
        return f"{mean} ± {self.half_width * factor:.{digits}f}"

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

"""The uncertainty of what is calculated from several inputs, after the GUM (JCGM 100:2008).

Rules of this file:
- Correlation is part of the question; leaving it out is the caller's statement that there is none.
- Effective degrees of freedom are given for uncorrelated inputs only: Welch and Satterthwaite assume that (G.4.1).

The clauses of JCGM 100 are from memory; the values of its examples H.1 to H.3 are checked by tests.
"""

import math
from collections.abc import Mapping, Sequence

from supervisor.cell.value import value
from supervisor.statistics.distributions import student_quantile

RECTANGULAR = 1.0 / math.sqrt(3.0)
"""Standard uncertainty of a rectangular distribution of half-width 1; GUM 4.3.7."""
TRIANGULAR = 1.0 / math.sqrt(6.0)
ARCSINE = 1.0 / math.sqrt(2.0)
RESOLUTION = 1.0 / math.sqrt(12.0)
"""Standard uncertainty of one step of an indication; GUM F.2.2.1."""


@value
class Component:
    """One input: how much the outcome moves with it, its standard uncertainty, its degrees of freedom (infinite if well known)."""

    sensitivity: float
    u: float
    dof: float = math.inf

    @property
    def share(self) -> float:
        """What the input contributes, with its sign."""
        return self.sensitivity * self.u


@value
class Combined:
    """A combined standard uncertainty; ``dof`` is None where inputs are correlated."""

    u: float
    dof: float | None

    def coverage_factor(self, probability: float) -> float:
        """The k of a symmetric interval that holds the value with ``probability``, by the degrees of freedom truncated (G.6.4).

        Raises:
            ValueError: the degrees of freedom are unknown.
        """
        if self.dof is None:
            raise ValueError("no degrees of freedom with correlated inputs: state k by agreement")
        dof = self.dof if math.isinf(self.dof) else math.floor(self.dof)
        return coverage_factor(probability, dof)


def coverage_factor(probability: float, dof: float) -> float:
    """The two-sided factor of Student's distribution; of the normal one for infinite degrees of freedom."""
    return student_quantile(0.5 + probability / 2.0, min(dof, 1e9))


def combine(
    components: Sequence[Component], correlation: Mapping[tuple[int, int], float] | None = None
) -> Combined:
    """The combined standard uncertainty (5.1.2, 5.2.2) and its degrees of freedom (G.4.1).

    ``correlation`` holds r for pairs of positions (i < j); a pair that is missing is uncorrelated.

    Raises:
        ValueError: a correlation is beyond -1 to 1, or together they make a negative variance.
    """
    variance = math.fsum(each.share**2 for each in components)
    for (i, j), r in sorted((correlation or {}).items()):
        if not -1.0 <= r <= 1.0:
            raise ValueError(f"correlation of inputs {i} and {j} is {r}: expected -1 to 1")
        variance += 2.0 * r * components[i].share * components[j].share
    if variance < 0.0:
        raise ValueError(
            "these correlations cannot hold at the same time: the variance is negative"
        )
    if correlation:
        return Combined(u=math.sqrt(variance), dof=None)
    spread = math.fsum(each.share**4 / each.dof for each in components)
    return Combined(u=math.sqrt(variance), dof=variance**2 / spread if spread else math.inf)

"""How long a chart takes to signal: the average run length that belongs to a choice of chart.

Rules of this file:
- Normal independent values with standard deviation 1; ``shift`` is the distance of their mean from the target.
- The run-length equation is an integral equation of the second kind; it is solved at Gauss-Legendre nodes (Nystrom's method), as
  Crowder 1987 (EWMA) and Goel and Wu 1971 (CUSUM) do.
"""

import math
from collections.abc import Callable, Sequence

from supervisor.statistics.distributions import normal_cdf
from supervisor.statistics.linear import solve

NODES = 60


def shewhart(shift: float, reach: float = 3.0) -> float:
    """The average number of values until one lies beyond ``reach`` standard deviations."""
    return 1.0 / (normal_cdf(-reach - shift) + normal_cdf(shift - reach))


def ewma(shift: float, *, weight: float, reach: float) -> float:
    """The same for an EWMA that starts at the target, with steady-state limits."""
    limit = reach * math.sqrt(weight / (2.0 - weight))
    nodes, weights = gauss_legendre(-limit, limit)

    def step(start: float, level: float) -> float:
        return _density((level - (1.0 - weight) * start) / weight - shift) / weight

    lengths = _lengths(nodes, weights, step)
    return _from(0.0, nodes, weights, lengths, step)


def cusum(shift: float, *, allowance: float, limit: float, head_start: float = 0.0) -> float:
    """The same for both sums of a CUSUM.

    From the one-sided ones: exact without a head start (Van Dobben de Bruyn 1968), and with one by Lucas and Crosier 1982.
    """
    upper = _Sum(shift, allowance, limit)
    lower = _Sum(-shift, allowance, limit)
    cold = upper.length(0.0) + lower.length(0.0)
    warm = upper.length(head_start) * lower.length(0.0) + lower.length(head_start) * upper.length(
        0.0
    )
    return (warm - upper.length(0.0) * lower.length(0.0)) / cold


def cusum_one_sided(shift: float, *, allowance: float, limit: float) -> float:
    """The same for the upper sum alone."""
    return _Sum(shift, allowance, limit).length(0.0)


class _Sum:
    """One sum. It has a probability of its own at zero, so zero is one more unknown beside the nodes."""

    def __init__(self, shift: float, allowance: float, limit: float) -> None:
        self._drift = shift - allowance
        nodes, weights = gauss_legendre(0.0, limit)
        self._nodes = [0.0, *nodes]
        self._weights = weights
        rows = [self._row(start) for start in self._nodes]
        matrix = [
            [float(i == j) - cell for j, cell in enumerate(row)] for i, row in enumerate(rows)
        ]
        self._lengths = solve(matrix, [1.0] * len(rows))

    def _row(self, start: float) -> list[float]:
        centre = start + self._drift
        inner = (
            weight * _density(node - centre)
            for node, weight in zip(self._nodes[1:], self._weights, strict=True)
        )
        return [normal_cdf(-centre), *inner]

    def length(self, start: float) -> float:
        """The average run length from a sum of ``start``."""
        return 1.0 + math.fsum(a * b for a, b in zip(self._row(start), self._lengths, strict=True))


def _lengths(
    nodes: Sequence[float], weights: Sequence[float], step: Callable[[float, float], float]
) -> list[float]:
    matrix = [
        [
            float(i == j) - weight * step(start, level)
            for j, (level, weight) in enumerate(zip(nodes, weights, strict=True))
        ]
        for i, start in enumerate(nodes)
    ]
    return solve(matrix, [1.0] * len(nodes))


def _from(
    start: float,
    nodes: Sequence[float],
    weights: Sequence[float],
    lengths: Sequence[float],
    step: Callable[[float, float], float],
) -> float:
    return 1.0 + math.fsum(
        weight * step(start, level) * length
        for level, weight, length in zip(nodes, weights, lengths, strict=True)
    )


def _density(z: float) -> float:
    return math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)


def gauss_legendre(low: float, high: float, count: int = NODES) -> tuple[list[float], list[float]]:
    """Nodes and weights on an interval; the roots of the Legendre polynomial by Newton's method (DLMF 3.5.20)."""
    half, middle = 0.5 * (high - low), 0.5 * (high + low)
    nodes: list[float] = []
    weights: list[float] = []
    for n in range(count):
        x = math.cos(math.pi * (n + 0.75) / (count + 0.5))
        slope = 1.0
        for _ in range(20):  # it converges quadratically; five are enough
            p, below = 1.0, 0.0
            for k in range(count):
                p, below = ((2 * k + 1) * x * p - k * below) / (k + 1), p
            slope = count * (x * p - below) / (x * x - 1.0)
            x -= p / slope
        nodes.append(middle - half * x)
        weights.append(2.0 * half / ((1.0 - x * x) * slope * slope))
    return nodes, weights

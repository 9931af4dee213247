"""When and by how much to correct a process.

Rules of this file:
- Correcting a stable process part by part makes it worse; so there is a deadband, and a gain below what dead time allows.
- All in one unit, deviations from the target. A correction has the opposite sign.

Sources: the funnel experiment and integral control, Box and Luceno 1997; set-up, Grubbs 1954; bounded adjustment, Box and Kramer 1992.
"""

import math

from supervisor.cell.value import value
from supervisor.statistics.distributions import normal_cdf
from supervisor.statistics.linear import solve
from supervisor.statistics.run_length import gauss_legendre


@value
class Bounded:
    """What a policy of adjusting only beyond a limit costs: mean parts between adjustments, and the added variance.

    ``added`` is in units of (the noise of the drift)^2, that is (lambda sigma)^2.
    """

    interval: float
    added: float


def inflation(gain: float) -> float:
    """By which factor a gain multiplies the variance of a stable process, without dead time: 2 / (2 - gain)."""
    return 2.0 / (2.0 - gain)


def gain_limit(dead_time: int) -> float:
    """The gain at which correction begins to swing, with ``dead_time`` parts between machine and measurement."""
    return 2.0 * math.sin(math.pi / (2.0 * (2 * dead_time + 1)))


def set_up_share(number: int, noise_to_set_up: float = 0.0) -> float:
    """Which share of the deviation of the ``number``-th part (from 1) to take back after a set-up.

    1/n is Grubbs' harmonic rule; with the ratio of the variances of process noise and set-up known it is the extended one.
    """
    return 1.0 / (number + noise_to_set_up)


def deadband(sd: float, count: int, expanded_u: float, increment: float, k: float = 2.0) -> float:
    """Below which mean deviation of ``count`` parts nothing is corrected: chance, uncertainty, or what the machine can set.

    The rule is common practice; k of 1.645, 2 and 3 lets a false correction through in 10, 4.55 and 0.27 % of cases.
    """
    return max(k * sd / math.sqrt(count), expanded_u, increment)


def bounded(limit: float) -> Bounded:
    """The policy "adjust when the forecast is beyond ``limit``" for a drifting process.

    ``limit`` is in units of lambda sigma. The forecast is a random walk with steps of one unit; the mean time until it leaves the
    band, and the mean square while it is inside, are integral equations, solved at Gauss-Legendre nodes.
    """
    nodes, weights = gauss_legendre(-limit, limit)

    def step(start: float, level: float) -> float:
        z = level - start
        return math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)

    matrix = [
        [
            float(i == j) - w * step(a, b)
            for j, (b, w) in enumerate(zip(nodes, weights, strict=True))
        ]
        for i, a in enumerate(nodes)
    ]
    lengths = solve(matrix, [1.0] * len(nodes))
    squares = solve(matrix, [a * a for a in nodes])
    interval = 1.0 + math.fsum(
        w * step(0.0, b) * x for b, w, x in zip(nodes, weights, lengths, strict=True)
    )
    total = math.fsum(w * step(0.0, b) * x for b, w, x in zip(nodes, weights, squares, strict=True))
    return Bounded(interval=interval, added=total / interval)


def false_correction(k: float) -> float:
    """The probability that a deadband of ``k`` standard errors lets a correction through when nothing is wrong."""
    return 2.0 * normal_cdf(-k)

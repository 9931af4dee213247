"""Whether a measuring process is good enough: studies with one part, with many, with a reference.

Rules of this file:
- Every convention that flips an outcome is a named argument: study width, share of the tolerance, whether interaction is pooled.
- In an automated cell nobody holds a gauge: what a handbook calls the operator is the loading (jaw, nest, station).
- A negative variance component is reported as zero.
"""

import math
from collections.abc import Sequence
from typing import Literal

from supervisor.cell.value import value
from supervisor.statistics.charts import D2, D3
from supervisor.statistics.distributions import f_tail, student_quantile
from supervisor.statistics.linear import least_squares
from supervisor.statistics.moments import moments

Values = Sequence[Sequence[Sequence[float]]]
"""Parts x loadings x repeats."""

STUDY_SD = 6.0
DISTINCT = 1.41
"""The factor of the number of distinct categories (square root of 2, as handbooks truncate it)."""


@value
class TypeOne:
    """A study of type 1: repeats on one reference part."""

    count: int
    mean: float
    sd: float
    bias: float
    cg: float
    cgk: float
    t: float
    bias_significant: bool


@value
class Bias:
    """A mean against a reference: Student's t and the confidence interval of the mean."""

    t: float
    low: float
    high: float
    significant: bool


@value
class Components:
    """Standard deviations of a repeatability and reproducibility study, and what follows from them. Percentages of total variation."""

    method: Literal["anova", "range"]
    repeatability: float
    reproducibility: float
    gauge: float
    part: float
    total: float
    interaction: float
    interaction_p: float | None
    interaction_pooled: bool
    gauge_percent: float
    distinct_categories: int

    def tolerance_percent(self, tolerance: float) -> float:
        """Six standard deviations of the gauge in percent of a tolerance in the same unit."""
        return 100.0 * STUDY_SD * self.gauge / tolerance


def type_one(
    values: Sequence[float],
    reference: float,
    tolerance: float,
    *,
    share: float = 0.2,
    width_sd: Literal[4, 6] = 6,
) -> TypeOne:
    """Cg and Cgk: ``share`` of the tolerance over a study width of 4 or 6 standard deviations. Both are in use, and differ.

    Raises:
        ValueError: fewer than two values, or values that do not vary.
    """
    found = moments(values)
    if not found.sd:
        raise ValueError("a study of type 1 needs values that vary: is the resolution too coarse?")
    against = bias(found.mean, found.sd, found.count, reference)
    width = width_sd * found.sd
    return TypeOne(
        count=found.count,
        mean=found.mean,
        sd=found.sd,
        bias=found.mean - reference,
        cg=share * tolerance / width,
        cgk=(share * tolerance / 2.0 - abs(found.mean - reference)) / (width / 2.0),
        t=against.t,
        bias_significant=against.significant,
    )


def bias(mean: float, sd: float, count: int, reference: float, confidence: float = 0.95) -> Bias:
    """Whether a mean differs from its reference."""
    error = sd / math.sqrt(count)
    reach = student_quantile(0.5 + confidence / 2.0, count - 1)
    t = (mean - reference) / error
    return Bias(
        t=t, low=mean - reach * error, high=mean + reach * error, significant=abs(t) > reach
    )


def linearity(references: Sequence[float], biases: Sequence[float]) -> tuple[float, float]:
    """Slope and intercept of the bias over the range of references."""
    fit = least_squares([[x, 1.0] for x in references], biases, [1.0] * len(biases))
    return fit.x[0], fit.x[1]


def system_capability(tolerance: float, u: float) -> tuple[float, float]:
    """Q_MS = 4u/T (at most 0.15) and C_MS = 0.3 T / 6u (at least 1.33) of a measuring system; ISO 22514-7:2021, from memory."""
    return 4.0 * u / tolerance, 0.3 * tolerance / (6.0 * u)


def process_capability(tolerance: float, u: float) -> tuple[float, float]:
    """Q_MP = 4u/T (at most 0.30) and C_MP = 0.3 T / 3u (at least 1.33) of a measuring process; ISO 22514-7:2021, from memory."""
    return 4.0 * u / tolerance, 0.3 * tolerance / (3.0 * u)


def by_anova(values: Values, *, pool_above_p: float = 0.25) -> Components:
    """Components of variance of a crossed study; interaction is pooled with repeatability where its p is above ``pool_above_p``.

    ``pool_above_p`` of 0.25 is the automotive handbook's, 0.05 is used elsewhere; a value of 1 never pools.

    Raises:
        ValueError: the study is not complete, or too small for an analysis.
    """
    parts, loadings, repeats = _shape(values)
    squares = _squares(values)
    dof_interaction = (parts - 1) * (loadings - 1)
    dof_error = parts * loadings * (repeats - 1)
    error = squares.error / dof_error
    interaction = squares.interaction / dof_interaction
    p = f_tail(interaction / error, dof_interaction, dof_error) if error else 0.0
    pooled = p > pool_above_p
    if pooled:
        error = (squares.error + squares.interaction) / (dof_error + dof_interaction)
        interaction = error
    by_part = squares.part / (parts - 1)
    by_loading = squares.loading / (loadings - 1)
    return _components(
        method="anova",
        repeatability=error,
        interaction=0.0 if pooled else max(0.0, (interaction - error) / repeats),
        loading=max(0.0, (by_loading - interaction) / (parts * repeats)),
        part=max(0.0, (by_part - interaction) / (loadings * repeats)),
        p=p,
        pooled=pooled,
    )


def within_parts(values: Sequence[Sequence[float]]) -> Components:
    """Repeatability of a study without operators, ``values`` parts x repeats: analysis of variance by one factor, the part.

    Where a part was loaded anew for each value, clamping is within it. Handbooks call it a study of type 3.

    Raises:
        ValueError: the parts have unequal numbers of values, or fewer than two; or there are fewer than two parts.
    """
    sizes = sorted({len(part) for part in values})
    if len(values) < 2 or len(sizes) != 1 or sizes[0] < 2:  # noqa: PLR2004 - one of anything tells nothing of its spread
        raise ValueError(
            f"a study of {len(values)} parts with {sizes} values: expected two of each at least, and equally many"
        )
    means = [moments(part).mean for part in values]
    grand, repeats = moments(means).mean, sizes[0]
    squares = math.fsum(
        (x - mean) ** 2 for part, mean in zip(values, means, strict=True) for x in part
    )
    error = squares / (len(values) * (repeats - 1))
    by_part = repeats * math.fsum((mean - grand) ** 2 for mean in means) / (len(values) - 1)
    return _components(
        method="anova",
        repeatability=error,
        interaction=0.0,
        loading=0.0,
        part=max(0.0, (by_part - error) / repeats),
        p=None,
        pooled=False,
    )


def within_parts_by_range(values: Sequence[Sequence[float]]) -> Components:
    """The same from the mean range, with d2 for repeats and 1/d2* for the one range of part means.

    Raises:
        ValueError: as ``within_parts``, or more than ten values of a part, or more than ten parts.
    """
    known = within_parts(values)  # the same shape is asked for
    if max(len(values), len(values[0])) > len(D2) + 1:
        raise ValueError(
            f"a study of {len(values)} parts with {len(values[0])} values: constants of ranges reach to {len(D2) + 1}"
        )
    mean_range = moments([max(part) - min(part) for part in values]).mean
    part_means = [moments(part).mean for part in values]
    return _components(
        method="range",
        repeatability=(mean_range / D2[len(values[0]) - 2]) ** 2,
        interaction=0.0,
        loading=0.0,
        part=((max(part_means) - min(part_means)) / _d2_of_one(len(values))) ** 2,
        p=known.interaction_p,
        pooled=False,
    )


def by_range(values: Values) -> Components:
    """The same from mean ranges with the constants 1/d2* of one range (no interaction can be told apart).

    Raises:
        ValueError: the study is not complete, or has more than ten of something.
    """
    parts, loadings, repeats = _shape(values)
    mean_range = moments([max(cell) - min(cell) for part in values for cell in part]).mean
    # The mean of many ranges has the constant d2; one range alone has d2* (the tables of the automotive handbook mix them so).
    repeatability = mean_range / D2[repeats - 2]
    loading_means = [
        moments([each for part in values for each in part[at]]).mean for at in range(loadings)
    ]
    part_means = [moments([each for cell in part for each in cell]).mean for part in values]
    spread = (max(loading_means) - min(loading_means)) / _d2_of_one(loadings)
    return _components(
        method="range",
        repeatability=repeatability**2,
        interaction=0.0,
        loading=max(0.0, spread**2 - repeatability**2 / (parts * repeats)),
        part=((max(part_means) - min(part_means)) / _d2_of_one(parts)) ** 2,
        p=None,
        pooled=False,
    )


def _d2_of_one(size: int) -> float:
    """d2* for one range of ``size`` values: the square root of d2 squared plus d3 squared."""
    return math.hypot(D2[size - 2], D3[size - 2])


@value
class _Squares:
    part: float
    loading: float
    interaction: float
    error: float


def _squares(values: Values) -> _Squares:
    """Sums of squares of deviations, each from means and never from sums."""
    parts, loadings, repeats = _shape(values)
    cell = [[moments(each).mean for each in part] for part in values]
    part_means = [moments(row).mean for row in cell]
    loading_means = [moments([row[at] for row in cell]).mean for at in range(loadings)]
    grand = moments(part_means).mean
    return _Squares(
        part=loadings * repeats * math.fsum((each - grand) ** 2 for each in part_means),
        loading=parts * repeats * math.fsum((each - grand) ** 2 for each in loading_means),
        interaction=repeats
        * math.fsum(
            (cell[i][j] - part_means[i] - loading_means[j] + grand) ** 2
            for i in range(parts)
            for j in range(loadings)
        ),
        error=math.fsum(
            (each - cell[i][j]) ** 2
            for i, part in enumerate(values)
            for j, repeats_of in enumerate(part)
            for each in repeats_of
        ),
    )


def _shape(values: Values) -> tuple[int, int, int]:
    loadings = sorted({len(part) for part in values})
    repeats = sorted({len(cell) for part in values for cell in part})
    if len(loadings) != 1 or len(repeats) != 1:
        raise ValueError(
            f"a study with {loadings} loadings and {repeats} repeats: expected the same of each part"
        )
    shape = (len(values), loadings[0], repeats[0])
    if min(shape) < 2:  # noqa: PLR2004 - one of anything tells nothing of its spread
        raise ValueError(
            f"a study of {shape[0]} parts, {shape[1]} loadings, {shape[2]} repeats: expected two of each at least"
        )
    return shape


def _components(  # noqa: PLR0913 - one per component
    *,
    method: Literal["anova", "range"],
    repeatability: float,
    interaction: float,
    loading: float,
    part: float,
    p: float | None,
    pooled: bool,
) -> Components:
    gauge = repeatability + loading + interaction
    total = gauge + part
    return Components(
        method=method,
        repeatability=math.sqrt(repeatability),
        reproducibility=math.sqrt(loading + interaction),
        gauge=math.sqrt(gauge),
        part=math.sqrt(part),
        total=math.sqrt(total),
        interaction=math.sqrt(interaction),
        interaction_p=p,
        interaction_pooled=pooled,
        gauge_percent=100.0 * math.sqrt(gauge / total) if total else 0.0,
        distinct_categories=max(1, math.floor(DISTINCT * math.sqrt(part / gauge))) if gauge else 0,
    )

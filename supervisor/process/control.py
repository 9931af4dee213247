"""The control chart of one characteristic and what it says about the process.

Rules of this file:
- Limits come from a base period, the first values asked for; what comes after is judged against them.
- It is called capability only where no rule fires; otherwise performance, and the reason stands beside it.
- A figure that too few values carry is not given; the reason is.
- EWMA and CUSUM look for small lasting shifts, and have nearly the same rate of false alarms: one finds what the other may find later.
"""

from collections.abc import Sequence
from typing import Literal

from supervisor.cell.model import Characteristic, PartType
from supervisor.cell.value import value
from supervisor.process.series import LeftOut, Point, series
from supervisor.process.subgroups import SpreadBy, Subgroups, subgroups
from supervisor.statistics import capability
from supervisor.statistics.capability import Name
from supervisor.statistics.charts import (
    Chart,
    Cusum,
    Ewma,
    RuleSet,
    Signal,
    individuals,
    signals,
)
from supervisor.statistics.conformance import Limits
from supervisor.statistics.moments import moments
from supervisor.verdict.record import Record

BASE = 25
"""Values of the base period (common practice: 20 to 25)."""
INDEX_COUNT_MIN = 50
"""Below it no index is given: its confidence interval would be wider than half of it (ISO 22514 asks for 100 to 125; from memory)."""
EWMA_WEIGHT, EWMA_REACH = 0.2, 2.962
"""A mean run length of 500 without a shift (Lucas and Saccucci 1990; checked in the tests of ``run_length``)."""
CUSUM_ALLOWANCE, CUSUM_LIMIT = 0.5, 5.0
"""In standard deviations: tuned to a shift of one, a mean run length of 465 without a shift (Page 1954; Lucas and Crosier 1982, from memory,
checked in the tests)."""

Stable = Literal["yes", "no", "not known"]


@value
class Grouping:
    """That charts of subgroups are wanted: so many parts in each (2 to 10), and what tells their spread."""

    size: int
    by: SpreadBy


@value
class Capability:
    """An index of the process over all values: ``whole`` and ``least`` with the lower bound of the least one.

    ``how`` is "normal" or "quantiles", for what cannot be negative or is not normal (Anderson and Darling, 1 %); by quantiles there is no bound (None) and no ``whole`` with one open limit.
    """

    name: Name
    how: Literal["normal", "quantiles"]
    count: int
    whole: float | None
    least: float
    least_bound: float | None
    confidence: float
    beyond_ppm: float | None


@value
class ControlChart:
    """One characteristic over the parts of one part type. Without limits ``why`` says what is missing.

    ``signals``, ``ewma`` and ``cusum`` go by positions in ``points``; ``ewma_limit`` is the reach of the average about the centre.
    ``cusum`` are the upper and the lower sum, in the unit of the value, above ``cusum_allowance``; beyond ``cusum_limit`` they signal.
    ``subgroups`` is there where it was asked for.
    """

    part_type: str
    characteristic: Characteristic
    points: tuple[Point, ...]
    left_out: tuple[LeftOut, ...]
    base: int
    rules: RuleSet
    chart: Chart | None
    signals: tuple[Signal, ...]
    ewma: tuple[float, ...]
    ewma_weight: float
    ewma_limit: float | None
    ewma_signal: int | None
    cusum: tuple[tuple[float, float], ...]
    cusum_allowance: float | None
    cusum_limit: float | None
    cusum_signal: int | None
    subgroups: Subgroups | None
    stable: Stable
    capability: Capability | None
    why: str


def control_chart(
    part_type: PartType,
    characteristic: Characteristic,
    records: Sequence[Record],
    rules: RuleSet = "western electric",
    grouping: Grouping | None = None,
) -> ControlChart:
    """The chart of a characteristic; ``records`` as ``one_per_part`` gives them. With ``grouping`` it has charts of subgroups, too."""
    found = series(part_type, characteristic, records)
    values = [point.value for point in found.points]
    chart = individuals(values[:BASE]) if len(values) >= BASE else None
    if chart is not None and chart.sigma <= 0.0:
        chart = None
    fired = () if chart is None else signals(values, chart, rules)
    ewma = None if chart is None else _ewma(chart)
    cusum = None if chart is None else _cusum(chart)
    stable: Stable = "not known" if chart is None else "no" if fired else "yes"
    return ControlChart(
        part_type=part_type.part_type,
        characteristic=characteristic,
        points=found.points,
        left_out=found.left_out,
        base=min(BASE, len(values)),
        rules=rules,
        chart=chart,
        signals=fired,
        ewma=() if ewma is None else ewma.follow(values),
        ewma_weight=EWMA_WEIGHT,
        ewma_limit=None if ewma is None else ewma.limit,
        ewma_signal=None if ewma is None else ewma.first_signal(values),
        cusum=() if cusum is None else cusum.follow(values),
        cusum_allowance=None if cusum is None else cusum.allowance,
        cusum_limit=None if cusum is None else cusum.limit,
        cusum_signal=None if cusum is None else cusum.first_signal(values),
        subgroups=None
        if grouping is None
        else subgroups(found.points, grouping.size, grouping.by, rules),
        stable=stable,
        capability=_capability(characteristic, values, chart, stable),
        why=_why(values, chart),
    )


def _ewma(chart: Chart) -> Ewma:
    return Ewma(target=chart.centre, sigma=chart.sigma, weight=EWMA_WEIGHT, reach=EWMA_REACH)


def _cusum(chart: Chart) -> Cusum:
    return Cusum(
        target=chart.centre,
        allowance=CUSUM_ALLOWANCE * chart.sigma,
        limit=CUSUM_LIMIT * chart.sigma,
    )


def _why(values: Sequence[float], chart: Chart | None) -> str:
    if len(values) < BASE:
        return f"there are {len(values)} of the {BASE} values that limits need"
    if chart is None:
        return "the values of the base period are all equal: there is no spread to make limits of"
    if len(values) < INDEX_COUNT_MIN:
        return f"there are {len(values)} of the {INDEX_COUNT_MIN} values that an index needs"
    return ""


def _limits(characteristic: Characteristic) -> Limits:
    lower, upper = characteristic.lower, characteristic.upper
    return Limits(
        lower=None if lower is None else float(lower),
        upper=None if upper is None else float(upper),
        zero_below=characteristic.natural_limit == "zero",
    )


def _capability(
    characteristic: Characteristic, values: Sequence[float], chart: Chart | None, stable: Stable
) -> Capability | None:
    limits = _limits(characteristic)
    if (
        chart is None
        or len(values) < INDEX_COUNT_MIN
        or (limits.lower, limits.upper) == (None, None)
    ):
        return None
    name: Name = "capability" if stable == "yes" else "performance"
    if limits.zero_below or capability.anderson_darling(values) > capability.NOT_NORMAL_FROM:
        spread = capability.empirical_spread(values)
        whole, least = capability.indices(spread, limits)
        return Capability(
            name=name, how="quantiles", count=len(values), whole=whole, least=least,
            least_bound=None, confidence=0.95, beyond_ppm=None,
        )  # fmt: skip
    found = moments(values)
    assert found.sd is not None
    # Short-term spread for capability, the whole spread for performance (ISO 22514-2).
    sd = individuals(values).sigma if name == "capability" else found.sd
    index = capability.index(found.mean, sd, found.count, limits, name=name)
    return Capability(
        name=name, how="normal", count=index.count, whole=index.whole, least=index.least,
        least_bound=index.least_bound, confidence=index.confidence, beyond_ppm=index.beyond_ppm,
    )  # fmt: skip

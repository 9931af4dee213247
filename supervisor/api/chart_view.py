"""A control chart as other programs see it: the values, the limits, what fired, and the indices with their confidence."""

from collections.abc import Sequence
from typing import Literal

from supervisor.api.advice_view import LeftOutView, PointView, point_view
from supervisor.api.schema import Example, Schema, shown_by
from supervisor.cell.model import Characteristic, PartType
from supervisor.process.control import Capability, ControlChart, Stable
from supervisor.process.subgroups import SpreadBy, Subgroups
from supervisor.statistics.capability import Name
from supervisor.statistics.charts import Chart, RuleSet, Signal

CHART_EXAMPLE: Example = {
    "part_type": "pump-body",
    "number": "1",
    "name": "Rotor bore",
    "kind": "diameter",
    "unit": "mm",
    "lower": 62.0,
    "upper": 62.03,
    "target": 62.015,
    "values": [
        {
            "serial": "49817",
            "value": 62.0153,
            "u": 0.0008,
            "station": "touch-1",
            "made_at": "2025-11-25T09:10:00.000Z",
            "made_known": "yes",
        }
    ],
    "left_out": [],
    "base": 25,
    "rules": "western electric",
    "limits": {"centre": 62.0149, "sigma": 0.0021, "lower": 62.0086, "upper": 62.0212},
    "signals": [{"serial": "49817", "count": 1, "rule": "one beyond 3 sigma"}],
    "ewma": {"weight": 0.2, "reach": 0.0021, "levels": [62.015], "first_signal": None},
    "cusum": {
        "allowance": 0.00105,
        "limit": 0.0105,
        "upper": [0.0],
        "lower": [0.0],
        "first_signal": None,
    },
    "subgroups": {
        "size": 5,
        "spread": "range",
        "groups": [{"serials": ["49817"], "mean": 62.0151, "spread": 0.0049}],
        "waiting": 0,
        "base": 20,
        "mean_limits": {"centre": 62.0149, "sigma": 0.0009, "lower": 62.0122, "upper": 62.0176},
        "spread_limits": {"centre": 0.0049, "sigma": 0.0018, "lower": 0.0, "upper": 0.0104},
        "signals": [],
        "spread_signals": [],
        "why": "",
    },
    "stable": "no",
    "index": {
        "name": "performance",
        "how": "normal",
        "count": 120,
        "whole": 2.31,
        "least": 2.2,
        "least_bound": 1.96,
        "confidence": 0.95,
        "beyond_ppm": 0.0,
    },
    "why": "",
}


class LimitsView(Schema):
    """Centre line and limits of single values, from the base period."""

    centre: float
    sigma: float
    lower: float
    upper: float


class SignalView(Schema):
    """A run rule that fired at a part, on so many values."""

    serial: str
    count: int
    rule: str


class EwmaView(Schema):
    """The exponentially weighted moving average about the centre."""

    weight: float
    reach: float
    """How far it may be from the centre."""
    levels: list[float]
    first_signal: str | None
    """The first part at which it was beyond."""


class CusumView(Schema):
    """Both cumulative sums of what goes beyond the allowance about the centre, in the unit of the value."""

    allowance: float
    limit: float
    upper: list[float]
    lower: list[float]
    first_signal: str | None
    """The first part at which a sum was beyond the limit."""


class SubgroupView(Schema):
    """Parts one after the other, in the order of making."""

    serials: list[str]
    mean: float
    spread: float


class SubgroupsView(Schema):
    """Charts of the mean and of the spread of subgroups."""

    size: int
    spread: SpreadBy
    groups: list[SubgroupView]
    waiting: int
    """Newest parts that do not fill a subgroup yet."""
    base: int
    """How many of the first subgroups the limits come from."""
    mean_limits: LimitsView | None
    spread_limits: LimitsView | None
    signals: list[SignalView]
    """Run rules that fired on means; each at the last part of its subgroup."""
    spread_signals: list[SignalView]
    why: str
    """What is missing for limits."""


class IndexView(Schema):
    """Capability where the process is stable, performance otherwise."""

    name: Name
    how: Literal["normal", "quantiles"]
    count: int
    whole: float | None
    least: float
    least_bound: float | None
    """One-sided lower confidence bound of ``least``."""
    confidence: float
    beyond_ppm: float | None


class ControlChartView(Schema):
    """One characteristic over the newest parts of a part type, in the order of making."""

    model_config = shown_by(CHART_EXAMPLE)

    part_type: str
    number: str
    name: str
    kind: str
    unit: str
    lower: float | None
    upper: float | None
    target: float | None
    values: list[PointView]
    left_out: list[LeftOutView]
    base: int
    """How many of the first values the limits come from."""
    rules: RuleSet
    limits: LimitsView | None
    signals: list[SignalView]
    ewma: EwmaView | None
    cusum: CusumView | None
    subgroups: SubgroupsView | None
    """Null unless subgroups of two parts or more were asked for."""
    stable: Stable
    index: IndexView | None
    why: str
    """What is missing for limits or for an index."""


class ChartLine(Schema):
    """A characteristic of which a chart can be asked for."""

    model_config = shown_by(
        {"part_type": "pump-body", "number": "1", "name": "Rotor bore", "kind": "diameter"}
    )

    part_type: str
    number: str
    name: str
    kind: str


def chart_line(part_type: PartType, characteristic: Characteristic) -> ChartLine:
    """One line of the list."""
    return ChartLine(
        part_type=part_type.part_type,
        number=characteristic.number,
        name=characteristic.name,
        kind=characteristic.kind,
    )


def chart_view(chart: ControlChart) -> ControlChartView:
    """A chart as it leaves."""
    about = chart.characteristic
    return ControlChartView(
        part_type=chart.part_type,
        number=about.number,
        name=about.name,
        kind=about.kind,
        unit=about.unit,
        lower=None if about.lower is None else float(about.lower),
        upper=None if about.upper is None else float(about.upper),
        target=None if about.target is None else float(about.target),
        values=[point_view(point) for point in chart.points],
        left_out=[LeftOutView(serial=each.serial, why=each.why) for each in chart.left_out],
        base=chart.base,
        rules=chart.rules,
        limits=_limits(chart.chart),
        signals=[
            SignalView(serial=chart.points[s.at].serial, count=s.count, rule=s.rule)
            for s in chart.signals
        ],
        ewma=_ewma(chart),
        cusum=_cusum(chart),
        subgroups=None if chart.subgroups is None else _subgroups(chart.subgroups),
        stable=chart.stable,
        index=None if chart.capability is None else _index(chart.capability),
        why=chart.why,
    )


def _limits(found: Chart | None) -> LimitsView | None:
    if found is None:
        return None
    return LimitsView(centre=found.centre, sigma=found.sigma, lower=found.lower, upper=found.upper)


def _ewma(chart: ControlChart) -> EwmaView | None:
    if chart.ewma_limit is None:
        return None
    at = chart.ewma_signal
    return EwmaView(
        weight=chart.ewma_weight,
        reach=chart.ewma_limit,
        levels=list(chart.ewma),
        first_signal=None if at is None else chart.points[at].serial,
    )


def _cusum(chart: ControlChart) -> CusumView | None:
    if chart.cusum_allowance is None or chart.cusum_limit is None:
        return None
    at = chart.cusum_signal
    return CusumView(
        allowance=chart.cusum_allowance,
        limit=chart.cusum_limit,
        upper=[upper for upper, _ in chart.cusum],
        lower=[lower for _, lower in chart.cusum],
        first_signal=None if at is None else chart.points[at].serial,
    )


def _subgroups(found: Subgroups) -> SubgroupsView:
    def told(signals: Sequence[Signal]) -> list[SignalView]:
        return [
            SignalView(serial=found.groups[s.at].serials[-1], count=s.count, rule=s.rule)
            for s in signals
        ]

    return SubgroupsView(
        size=found.size,
        spread=found.by,
        groups=[
            SubgroupView(serials=list(g.serials), mean=g.mean, spread=g.spread)
            for g in found.groups
        ],
        waiting=found.waiting,
        base=found.base,
        mean_limits=_limits(found.means),
        spread_limits=_limits(found.spreads),
        signals=told(found.signals),
        spread_signals=told(found.spread_signals),
        why=found.why,
    )


def _index(found: Capability) -> IndexView:
    return IndexView(
        name=found.name,
        how=found.how,
        count=found.count,
        whole=found.whole,
        least=found.least,
        least_bound=found.least_bound,
        confidence=found.confidence,
        beyond_ppm=found.beyond_ppm,
    )

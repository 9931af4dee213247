"""Control charts over the kept records."""

from typing import Annotated

from fastapi import APIRouter, Depends, Query
from starlette.concurrency import run_in_threadpool

from supervisor.api.chart_view import ChartLine, ControlChartView, chart_line, chart_view
from supervisor.api.inside import Inside
from supervisor.api.process import chart_of
from supervisor.cell.value import value
from supervisor.process.control import Grouping
from supervisor.process.subgroups import SpreadBy
from supervisor.statistics.charts import SIZE_MAX, RuleSet

router = APIRouter(prefix="/charts", tags=["charts"])

Rules = Annotated[RuleSet, Query(description="The set of run rules.")]
Size = Annotated[
    int,
    Query(
        ge=1,
        le=SIZE_MAX,
        description="Parts in a subgroup; from 2 on charts of subgroups come beside the single values.",
    ),
]
Spread = Annotated[
    SpreadBy,
    Query(description="What tells the spread within subgroups: range or standard deviation."),
]


@value
class ChartWishes:
    """How somebody wants a chart: the set of run rules, and subgroups if any."""

    rules: RuleSet
    grouping: Grouping | None


def wishes_of(
    rules: Rules = "western electric", subgroup: Size = 1, spread: Spread = "range"
) -> ChartWishes:
    """What the parameters ask for; a subgroup of one part is none."""
    grouping = None if subgroup == 1 else Grouping(size=subgroup, by=spread)
    return ChartWishes(rules=rules, grouping=grouping)


Wishes = Annotated[ChartWishes, Depends(wishes_of)]


@router.get("")
async def list_charts(inside: Inside) -> list[ChartLine]:
    """Every characteristic of every declared plan."""
    return [
        chart_line(part_type, characteristic)
        for part_type in inside.core.tables.cell.part_types
        for characteristic in part_type.plan
    ]


@router.get("/{part_type}/{number}")
async def read_chart(
    part_type: str, number: str, inside: Inside, wishes: Wishes
) -> ControlChartView:
    """One characteristic over the newest 500 records: limits from its first 25 values, run rules, EWMA, CUSUM, subgroups, indices."""
    chart = await run_in_threadpool(
        chart_of, inside, part_type, number, wishes.rules, wishes.grouping
    )
    return chart_view(chart)

"""Control charts over the kept records."""

from typing import Annotated

from fastapi import APIRouter, Query
from starlette.concurrency import run_in_threadpool

from supervisor.api.chart_view import ChartLine, ControlChartView, chart_line, chart_view
from supervisor.api.inside import Inside
from supervisor.api.process import chart_of
from supervisor.statistics.charts import RuleSet

router = APIRouter(prefix="/charts", tags=["charts"])

Rules = Annotated[RuleSet, Query(description="The set of run rules.")]


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
    part_type: str, number: str, inside: Inside, rules: Rules = "western electric"
) -> ControlChartView:
    """One characteristic over the newest 500 records: limits from its first 25 values, run rules, EWMA, indices with confidence."""
    return chart_view(await run_in_threadpool(chart_of, inside, part_type, number, rules))

"""Whether the stations agree."""

from typing import Annotated

from fastapi import APIRouter, Query
from starlette.concurrency import run_in_threadpool

from supervisor.api.agreement_view import (
    AgreementView,
    ChartView,
    Settled,
    Settlement,
    agreement_view,
    chart_view,
)
from supervisor.api.inside import CellNow, Inside, OncePerKey, known, now_of, tell
from supervisor.api.ports import RecordQuestion
from supervisor.api.problems import MAY_BE_MISSING
from supervisor.api.schema import TEXT_MAX
from supervisor.core.events import AgreementSettled
from supervisor.verdict.agreement import Pair, marked

router = APIRouter(prefix="/agreement", tags=["agreement"])

Name = Annotated[str, Query(max_length=TEXT_MAX)]


@router.get("")
async def read_agreement(now: CellNow) -> AgreementView:
    """Every pair of stations that measured the same characteristic, and which stations want a check."""
    standings = now.state.agreement
    return agreement_view(standings, marked(standings.values()))


@router.get("/differences")
async def read_differences(
    inside: Inside,
    *,
    part_type: Name,
    number: Name,
    one: Name,
    other: Name,
    limit: Annotated[
        int, Query(ge=1, le=500, description="How many newest records to look at.")
    ] = 200,
) -> ChartView:
    """The differences between two stations over the newest records of a part type, the oldest first."""
    first, second = sorted((one, other))
    pair = Pair(part_type=part_type, number=number, one=first, other=second)
    page = await run_in_threadpool(
        inside.records.page, RecordQuestion(part_type=part_type), limit=limit, after=""
    )
    return chart_view(pair, [kept.record for kept in reversed(page.records)])


@router.post("/settle", openapi_extra=MAY_BE_MISSING)
async def settle_agreement(settlement: Settlement, inside: Inside, once: OncePerKey) -> Settled:
    """Say that both stations of a pair were checked: the watch on them begins anew."""

    async def act() -> Settled:
        return await _settle(inside, settlement)

    return await once.answer(settlement, settlement.request_id, act)


async def _settle(inside: Inside, settlement: Settlement) -> Settled:
    pair = Pair(
        part_type=settlement.part_type,
        number=settlement.number,
        one=settlement.one,
        other=settlement.other,
    )
    known(pair.title, now_of(inside).state.agreement, "pair of stations")
    fact = AgreementSettled(
        part_type=pair.part_type,
        number=pair.number,
        one=pair.one,
        other=pair.other,
        by=settlement.by,
        note=settlement.note,
    )
    seq, at = await tell(inside, fact)
    return Settled(by=settlement.by, seq=seq, at=at)

"""What failed checks with reference parts cast doubt on."""

from fastapi import APIRouter
from starlette.concurrency import run_in_threadpool

from supervisor.api.inside import Inside
from supervisor.api.trust_view import SuspicionView, suspicion_view

router = APIRouter(prefix="/suspicions", tags=["records"])


@router.get("")
async def list_suspicions(inside: Inside) -> list[SuspicionView]:
    """Every failed check with what it casts doubt on, the oldest first; the records: `/records?suspect=yes`."""
    found = await run_in_threadpool(inside.records.suspicions)
    return [suspicion_view(each.seq, each.suspicion) for each in found]

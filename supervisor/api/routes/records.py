"""Records across parts."""

from typing import Annotated, Literal

from fastapi import APIRouter, Query
from fastapi.exceptions import RequestValidationError
from starlette.concurrency import run_in_threadpool

from supervisor.api.inside import Inside
from supervisor.api.ports import RecordQuestion
from supervisor.api.record_view import RecordsPage, records_page
from supervisor.api.schema import TEXT_MAX, milliseconds
from supervisor.verdict.record import Verdict

router = APIRouter(prefix="/records", tags=["records"])

Text = Annotated[str, Query(max_length=TEXT_MAX)]


@router.get("")
async def list_records(  # noqa: PLR0913 - each parameter of the address is one of the function
    inside: Inside,
    *,
    part_type: Text = "",
    batch: Text = "",
    serial: Text = "",
    verdict: Verdict | None = None,
    station: Annotated[
        str, Query(max_length=TEXT_MAX, description="A station that decided a characteristic.")
    ] = "",
    decided_from: Annotated[str, Query(max_length=40, description="RFC 3339, inclusive.")] = "",
    decided_to: Annotated[str, Query(max_length=40, description="RFC 3339, exclusive.")] = "",
    revisions: Literal["latest", "all"] = "latest",
    limit: Annotated[int, Query(ge=1, le=500)] = 50,
    after: Annotated[
        str, Query(pattern=r"^(-?\d{1,19}-\d{1,19})?$", description="`next` of the page before.")
    ] = "",
) -> RecordsPage:
    """Records in one line each, the newest first."""
    question = RecordQuestion(
        part_type=part_type,
        batch=batch,
        serial=serial,
        verdict=verdict or "",
        station=station,
        from_ms=_ms("decided_from", decided_from),
        to_ms=_ms("decided_to", decided_to),
        revisions=revisions,
    )
    page = await run_in_threadpool(inside.records.page, question, limit=limit, after=after)
    return records_page(page)


def _ms(name: str, text: str) -> int | None:
    if not text:
        return None
    try:
        return milliseconds(text)
    except ValueError:
        seen = "is no RFC 3339 time such as 2025-11-25T09:00:00Z (a + is written %2B in an address)"
        raise RequestValidationError([{"loc": ("query", name), "msg": seen}]) from None

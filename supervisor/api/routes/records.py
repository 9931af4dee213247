"""Records across parts."""

from collections.abc import Iterator
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Query
from fastapi.exceptions import RequestValidationError
from fastapi.responses import StreamingResponse
from starlette.concurrency import run_in_threadpool

from supervisor.api.inside import Inside
from supervisor.api.ports import Kept, RecordQuestion, Sources
from supervisor.api.record_view import RecordsPage, records_page
from supervisor.api.schema import TEXT_MAX, milliseconds
from supervisor.report.table import table
from supervisor.verdict.record import Verdict

router = APIRouter(prefix="/records", tags=["records"])

PAGE = 200
TABLE_EXAMPLE = "serial,part_type,...\r\n100017,pump-body,...\r\n"

Text = Annotated[str, Query(max_length=TEXT_MAX)]


def question_of(  # noqa: PLR0913 - each parameter of the address is one of the function
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
    suspect: Annotated[
        Literal["", "yes"],
        Query(description="`yes`: only records that a failed check has cast doubt on since."),
    ] = "",
) -> RecordQuestion:
    """Which records the address asks for."""
    return RecordQuestion(
        part_type=part_type,
        batch=batch,
        serial=serial,
        verdict=verdict or "",
        station=station,
        from_ms=ms_of("decided_from", decided_from),
        to_ms=ms_of("decided_to", decided_to),
        revisions=revisions,
        suspect=suspect,
    )


Question = Annotated[RecordQuestion, Depends(question_of)]


@router.get("")
async def list_records(
    inside: Inside,
    question: Question,
    limit: Annotated[int, Query(ge=1, le=500)] = 50,
    after: Annotated[
        str, Query(pattern=r"^(-?\d{1,19}-\d{1,19})?$", description="`next` of the page before.")
    ] = "",
) -> RecordsPage:
    """Records in one line each, the newest first."""
    page = await run_in_threadpool(inside.records.page, question, limit=limit, after=after)
    return records_page(page)


@router.get(
    "/table",
    response_class=StreamingResponse,
    responses={200: {"content": {"text/csv": {"example": TABLE_EXAMPLE}}}},
)
def export_records(inside: Inside, question: Question) -> StreamingResponse:
    """Records as a table for spreadsheets (RFC 4180): one line per characteristic, every digit, the newest record first."""
    records = ((kept.record, kept.suspect) for kept in every_record(inside, question))
    return StreamingResponse(
        table(records),
        media_type="text/csv; charset=utf-8; header=present",
        headers={"Content-Disposition": 'attachment; filename="records.csv"'},
    )


def every_record(inside: Sources, question: RecordQuestion) -> Iterator[Kept]:
    """Every record, page by page, so that a year of them needs no more memory than a page."""
    after = ""
    while True:
        page = inside.records.page(question, limit=PAGE, after=after)
        yield from page.records
        if not page.after:
            return
        after = page.after


def ms_of(name: str, text: str) -> int | None:
    """The time of a parameter in ms; None where it is empty.

    Raises:
        RequestValidationError: it is no time.
    """
    if not text:
        return None
    try:
        return milliseconds(text)
    except ValueError:
        seen = "is no RFC 3339 time such as 2025-11-25T09:00:00Z (a + is written %2B in an address)"
        raise RequestValidationError([{"loc": ("query", name), "msg": seen}]) from None

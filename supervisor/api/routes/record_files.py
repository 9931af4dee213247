"""Records across parts as summaries and as one archive; what a station measured."""

from collections.abc import Iterator
from typing import Annotated, Any

import msgspec
from fastapi import APIRouter, Query, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import StreamingResponse
from starlette.concurrency import run_in_threadpool

from supervisor.api.inside import Inside
from supervisor.api.measured_view import MeasuredView, measured_view
from supervisor.api.papers_view import papers_view
from supervisor.api.ports import Kept, MeasuredQuestion, RecordQuestion, Sources
from supervisor.api.routes.parts import file_name, proof_of, qif_of, sheet_of
from supervisor.api.routes.records import Question, every_record, ms_of
from supervisor.api.schema import TEXT_MAX
from supervisor.api.summary_view import SummaryView, summary_view
from supervisor.api.trust_view import suspicion_view
from supervisor.cell.value import replace
from supervisor.report.archive import zipped
from supervisor.report.summary import GroupSummary, summarised, summary_table
from supervisor.report.summary_sheet import summary_sheet
from supervisor.report.table import formula_free, line_of, table

router = APIRouter(prefix="/records", tags=["records"])

INDEX = (
    "file",
    "serial",
    "part_type",
    "batch",
    "revision",
    "verdict",
    "record_sha256",
    "journal_entry",
    "journal_entry_sha256",
    "suspect",
)


def _binary(example: str) -> dict[str, Any]:
    return {"schema": {"type": "string", "format": "binary"}, "example": example}


@router.get("/summary")
async def summarise_records(inside: Inside, question: Question) -> SummaryView:
    """What records say together, for example those of one batch: parts by verdict, and each characteristic's figures."""
    return summary_view(await run_in_threadpool(_groups, inside, question))


@router.get(
    "/summary/table",
    response_class=StreamingResponse,
    responses={200: {"content": {"text/csv": {"example": "part_type,plan_revision,parts,..."}}}},
)
async def tabulate_summary(inside: Inside, question: Question) -> StreamingResponse:
    """The same summary as a table for spreadsheets (RFC 4180)."""
    groups = await run_in_threadpool(_groups, inside, question)
    return StreamingResponse(
        summary_table(groups),
        media_type="text/csv; charset=utf-8; header=present",
        headers={"Content-Disposition": 'attachment; filename="summary.csv"'},
    )


@router.get(
    "/summary/sheet",
    response_class=Response,
    responses={200: {"content": {"application/pdf": _binary("%PDF-1.4 ...")}}},
)
async def print_summary(inside: Inside, question: Question) -> Response:
    """The same summary as a PDF."""
    content = await run_in_threadpool(_printed, inside, question)
    return Response(
        content,
        media_type="application/pdf",
        headers={"Content-Disposition": 'inline; filename="summary.pdf"'},
    )


@router.get(
    "/archive",
    response_class=StreamingResponse,
    responses={200: {"content": {"application/zip": _binary("PK...")}}},
)
def archive_records(inside: Inside, question: Question) -> StreamingResponse:
    """Records, for example a batch, as one archive: each as JSON, PDF and QIF, tables, summary, checksums and the journal's head."""
    return StreamingResponse(
        zipped(_files(inside, question)),
        media_type="application/zip",
        headers={"Content-Disposition": 'attachment; filename="records.zip"'},
    )


@router.get("/measured")
async def list_measured(
    inside: Inside,
    station: Annotated[str, Query(min_length=1, max_length=TEXT_MAX)],
    measured_from: Annotated[str, Query(max_length=40, description="RFC 3339, inclusive.")],
    measured_to: Annotated[str, Query(max_length=40, description="RFC 3339, exclusive.")],
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
    after: Annotated[
        str,
        Query(
            pattern=r"^(-?\d{1,18}\.\d{1,18}\.-?\d{1,9}\..{1,200})?$",
            description="`next` of the page before.",
        ),
    ] = "",
) -> MeasuredView:
    """Everything that a station measured between two times and that stands in a record in force, the oldest first."""
    from_ms, to_ms = ms_of("measured_from", measured_from), ms_of("measured_to", measured_to)
    for name, found in (("measured_from", from_ms), ("measured_to", to_ms)):
        if found is None:
            raise RequestValidationError([{"loc": ("query", name), "msg": "is needed"}])
    assert from_ms is not None
    assert to_ms is not None
    question = MeasuredQuestion(station=station, from_ms=from_ms, to_ms=to_ms)
    page = await run_in_threadpool(inside.records.measured, question, limit=limit, after=after)
    return measured_view(page)


def _groups(sources: Sources, question: RecordQuestion) -> tuple[GroupSummary, ...]:
    found = every_record(sources, question)
    return summarised((kept.record, kept.suspect) for kept in found)


def _printed(sources: Sources, question: RecordQuestion) -> bytes:
    groups = _groups(sources, question)
    return summary_sheet(groups, cell=sources.core.tables.cell.title, chosen=chosen(question))


def chosen(question: RecordQuestion) -> str:
    """Which records were asked for, in words."""
    asked = (
        ("batch", question.batch),
        ("part type", question.part_type),
        ("serial number", question.serial),
        ("verdict", question.verdict),
        ("station", question.station),
    )
    words = [f"{name} {content}" for name, content in asked if content]
    if question.from_ms is not None or question.to_ms is not None:
        words.append("a period")
    return ", ".join(words) or "all records"


# --- the archive ---------------------------------------------------------------------------------------------------------------


def _files(sources: Sources, question: RecordQuestion) -> Iterator[tuple[str, bytes]]:
    """Every file of the archive by its name; the tables last, when all records have gone by."""
    head = sources.entries.head()
    until_ms = head.at_ms + 1  # what is decided while we send is left out, from every file alike
    question = replace(question, to_ms=min(until_ms, question.to_ms or until_ms))
    yield "head.json", f"{sources.head_note(head).text()}\n".encode()
    index = [line_of(INDEX)]
    for kept in every_record(sources, question):
        name = f"records/{file_name(kept)}"
        yield f"{name}.json", kept.body.encode()
        yield f"{name}.pdf", sheet_of(sources, kept)
        yield f"{name}.qif", qif_of(sources, kept)
        yield from _papers(sources, kept, name)
        index.append(_indexed(sources, kept, name))
    yield "suspicions.json", _suspicions(sources)
    yield "index.csv", "".join(index).encode()
    yield "records.csv", _table(sources, question)
    groups = _groups(sources, question)
    yield "summary.csv", "".join(summary_table(groups)).encode()
    title = sources.core.tables.cell.title
    yield "summary.pdf", summary_sheet(groups, cell=title, chosen=chosen(question))


def _table(sources: Sources, question: RecordQuestion) -> bytes:
    found = every_record(sources, question)
    return "".join(table((kept.record, kept.suspect) for kept in found)).encode()


def _suspicions(sources: Sources) -> bytes:
    """What failed checks cast doubt on, of the whole cell: the records themselves say nothing of it, for they stay as they were kept."""
    found = sources.records.suspicions()
    views = [suspicion_view(each.seq, each.suspicion).model_dump() for each in found]
    return msgspec.json.encode(views)


def _papers(sources: Sources, kept: Kept, name: str) -> Iterator[tuple[str, bytes]]:
    record = kept.record
    entries = sources.records.papers(record.serial, part_type=record.part_type)
    if entries:
        view = papers_view(entries)
        yield f"{name}.papers.json", msgspec.json.encode(view.model_dump())


def _indexed(sources: Sources, kept: Kept, name: str) -> str:
    record = kept.record
    proof = proof_of(sources, kept)
    return line_of(
        (
            f"{name}.json",
            *map(formula_free, (record.serial, record.part_type, record.batch)),
            str(record.revision),
            record.verdict,
            kept.sha256,
            str(proof.seq),
            proof.entry_hash,
            formula_free(", ".join(each.number for each in kept.suspect)),
        )
    )

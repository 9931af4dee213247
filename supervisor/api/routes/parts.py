"""Parts, by serial number: the record in force and those before it."""

from collections.abc import Sequence
from typing import Annotated, Any, Literal
from urllib.parse import quote

from fastapi import APIRouter, Depends, Query, Request, Response
from starlette.concurrency import run_in_threadpool

from supervisor.api.first_article_view import FirstArticleView, first_article_view
from supervisor.api.genealogy import GenealogyView, genealogy
from supervisor.api.inside import Inside, OncePerKey
from supervisor.api.papers import PaperDesk
from supervisor.api.papers_view import (
    Amend,
    AmendmentView,
    PapersView,
    Sign,
    SignatureView,
    papers_of,
    papers_view,
)
from supervisor.api.ports import Kept, Sources
from supervisor.api.problems import NAME_UNKNOWN, SEVERAL_PARTS, Refusal
from supervisor.api.record_view import RecordView, RevisionsView, record_view
from supervisor.api.schema import TEXT_MAX
from supervisor.report.first_article import FirstArticle, first_article, first_article_table
from supervisor.report.first_article_forms import FormField, form_1, form_2, form_table
from supervisor.report.qif import qif
from supervisor.report.sheet import Proof, sheet

router = APIRouter(prefix="/parts", tags=["parts"])

SHEET_SHAPE: dict[str, Any] = {
    "schema": {"type": "string", "format": "binary"},
    "example": "%PDF-1.4 ...",
}

QIF_SHAPE: dict[str, Any] = {
    "schema": {"type": "string", "format": "binary"},
    "example": '<?xml version="1.0"?><QIFDocument versionQIF="3.0.0" ...',
}

PartType = Annotated[
    str,
    Query(
        max_length=TEXT_MAX,
        description="Needed where parts of several types share the serial number.",
    ),
]

FormNumber = Annotated[
    Literal["1", "2", "3"], Query(description="Which form: 3 accounts for the characteristics.")
]

EntrySeq = Annotated[
    int | None,
    Query(
        alias="entry",
        ge=1,
        le=2**63 - 1,
        description="The journal entry of an earlier record of the part; without it the record in force is given.",
    ),
]


@router.get("/{serial}")
async def read_part(
    serial: str, inside: Inside, part_type: PartType = "", entry: EntrySeq = None
) -> RecordView:
    """The record in force of a part: of its last visit to the cell, the last revision."""
    return record_view(await record_of(inside, serial, part_type, entry))


@router.get("/{serial}/revisions")
async def list_revisions(serial: str, inside: Inside, part_type: PartType = "") -> RevisionsView:
    """Every record of a part, the newest first."""
    found = await revisions_of(inside, serial, part_type)
    return RevisionsView(records=[record_view(kept) for kept in found])


@router.get(
    "/{serial}/sheet",
    response_class=Response,
    responses={200: {"content": {"application/pdf": SHEET_SHAPE}}},
)
async def print_part(
    serial: str, inside: Inside, part_type: PartType = "", entry: EntrySeq = None
) -> Response:
    """The record in force as a PDF for the file: the same record gives the same bytes."""
    kept = await record_of(inside, serial, part_type, entry)
    content = await run_in_threadpool(sheet_of, inside, kept)
    return _file(content, "application/pdf", f"inline; {named(kept, 'pdf')}")


@router.get(
    "/{serial}/qif",
    response_class=Response,
    responses={200: {"content": {"application/xml": QIF_SHAPE}}},
)
async def export_part(
    serial: str, inside: Inside, part_type: PartType = "", entry: EntrySeq = None
) -> Response:
    """The record in force as QIF 3.0 results (ISO 23952): the same record gives the same bytes."""
    kept = await record_of(inside, serial, part_type, entry)
    content = await run_in_threadpool(qif_of, inside, kept)
    return _file(content, "application/xml", f"attachment; {named(kept, 'qif')}")


@router.get("/{serial}/first-article")
async def account_part(
    serial: str, inside: Inside, part_type: PartType = "", entry: EntrySeq = None
) -> FirstArticleView:
    """The record in force as first-article forms in the terms of AS9102: characteristics (form 3), and the fields of forms 1 and 2."""
    kept = await record_of(inside, serial, part_type, entry)
    one = await run_in_threadpool(_form_1, inside, kept)
    return first_article_view(_form(inside, kept), one, _form_2(inside, kept))


@router.get(
    "/{serial}/first-article/table",
    response_class=Response,
    responses={200: {"content": {"text/csv": {"example": "1 part number,2 part name,..."}}}},
)
async def tabulate_first_article(
    serial: str,
    inside: Inside,
    part_type: PartType = "",
    entry: EntrySeq = None,
    form: FormNumber = "3",
) -> Response:
    """One of the forms as a table for spreadsheets (RFC 4180), its fields with their numbers."""
    kept = await record_of(inside, serial, part_type, entry)
    if form == "3":
        lines = first_article_table(_form(inside, kept))
    elif form == "2":
        lines = form_table(_form_2(inside, kept))
    else:
        lines = form_table(await run_in_threadpool(_form_1, inside, kept))
    content = "".join(lines).encode()
    media_type = "text/csv; charset=utf-8; header=present"
    return _file(content, media_type, f"attachment; {named(kept, 'csv')}")


@router.get("/{serial}/genealogy")
async def trace_part(
    serial: str, inside: Inside, part_type: PartType = "", entry: EntrySeq = None
) -> GenealogyView:
    """The part's way from its tag to its record: moves, runs, results, each with its journal entry."""
    kept = await record_of(inside, serial, part_type, entry)
    return await run_in_threadpool(genealogy, inside.entries, inside.records, kept)


def _form(sources: Sources, kept: Kept) -> FirstArticle:
    name = _part_name(sources, kept)
    return first_article(kept.record, part_name=name, suspect=kept.suspect)


def _form_1(sources: Sources, kept: Kept) -> tuple[FormField, ...]:
    """With the signatures on this revision."""
    record = kept.record
    entries = sources.records.papers(record.serial, part_type=record.part_type)
    papers = papers_of(kept, record.revision, entries)
    name = _part_name(sources, kept)
    return form_1(record, part_name=name, signatures=papers.signatures)


def _form_2(sources: Sources, kept: Kept) -> tuple[FormField, ...]:
    return form_2(kept.record, part_name=_part_name(sources, kept))


def _part_name(sources: Sources, kept: Kept) -> str:
    part_type = kept.record.part_type
    declared = sources.core.tables.part_types.get(part_type)
    return declared.title if declared else part_type


def _paper_desk(request: Request) -> PaperDesk:
    return request.app.state.paper_desk


Desk = Annotated[PaperDesk, Depends(_paper_desk)]


@router.get("/{serial}/papers")
async def list_papers(serial: str, inside: Inside, part_type: PartType = "") -> PapersView:
    """What people did with a part's records: amendments with reason, signatures with meaning."""
    record = (await record_of(inside, serial, part_type)).record
    entries = await run_in_threadpool(inside.records.papers, serial, part_type=record.part_type)
    return papers_view(entries)


@router.post("/{serial}/amendments")
async def amend_part(
    serial: str,
    amend: Amend,
    inside: Inside,
    once: OncePerKey,
    desk: Desk,
    part_type: PartType = "",
) -> AmendmentView:
    """Make a later revision of a closed record, under a name and for a reason. The one before stays as it is."""

    async def act() -> AmendmentView:
        return await desk.amend(inside, lambda: record_of(inside, serial, part_type), amend)

    return await once.answer(amend, amend.request_id, act)


@router.post("/{serial}/signatures")
async def sign_part(
    serial: str,
    sign: Sign,
    inside: Inside,
    once: OncePerKey,
    desk: Desk,
    part_type: PartType = "",
) -> SignatureView:
    """Sign the record in force with a meaning. There is no sign-in yet: the name is the one that is stated."""

    async def act() -> SignatureView:
        return await desk.sign(inside, lambda: record_of(inside, serial, part_type), sign)

    return await once.answer(sign, sign.request_id, act)


def _file(content: bytes, media_type: str, disposition: str) -> Response:
    return Response(content, media_type=media_type, headers={"Content-Disposition": disposition})


def file_name(kept: Kept) -> str:
    """The name of a record's file without its ending: type, serial number, journal entry, revision; "/" and the like are escaped."""
    record = kept.record
    return quote(f"{record.part_type}-{record.serial}-{kept.seq}-{record.revision}", safe="")


def named(kept: Kept, ending: str) -> str:
    """The parameter of Content-Disposition (RFC 6266) that names a record's file."""
    name = f"{kept.record.part_type}-{kept.record.serial}-{kept.record.revision}.{ending}"
    return f"filename*=UTF-8''{quote(name, safe='')}"


def sheet_of(sources: Sources, kept: Kept) -> bytes:
    """The sheet of a record."""
    record = kept.record
    of_visit = [
        each.record.revision
        for each in sources.records.revisions(record.serial, part_type=record.part_type)
        if each.record.entered_ms == record.entered_ms
    ]
    entries = sources.records.papers(record.serial, part_type=record.part_type)
    papers = papers_of(kept, max(of_visit), entries)
    cell = sources.core.tables.cell.title
    return sheet(record, proof_of(sources, kept), cell=cell, papers=papers, suspect=kept.suspect)


def qif_of(sources: Sources, kept: Kept) -> bytes:
    """The QIF document of a record."""
    proof, cell = proof_of(sources, kept), sources.core.tables.cell.title
    return qif(kept.record, proof, cell=cell, suspect=kept.suspect)


def proof_of(sources: Sources, kept: Kept) -> Proof:
    """Where a record stands in the journal."""
    entry_hash = sources.entries.hash_at(kept.seq)
    assert entry_hash is not None, "a record is kept together with its entry"
    return Proof(seq=kept.seq, entry_hash=entry_hash.hex())


async def record_of(
    sources: Sources, serial: str, part_type: str, entry: int | None = None
) -> Kept:
    """The record in force of a part, or the one of a journal entry.

    Raises:
        Refusal: there is none, or the serial number belongs to parts of several types.
    """
    found = await revisions_of(sources, serial, part_type)
    if entry is None:
        return found[0]
    for kept in found:
        if kept.seq == entry:
            return kept
    raise Refusal(NAME_UNKNOWN, f"journal entry {entry} kept no record of part {serial}")


async def revisions_of(sources: Sources, serial: str, part_type: str) -> Sequence[Kept]:
    """Every record of one part, the newest first; at least one.

    Raises:
        Refusal: there is none, or the serial number belongs to parts of several types.
    """
    found = await run_in_threadpool(sources.records.revisions, serial, part_type=part_type)
    if not found:
        of_type = f" of type {part_type}" if part_type else ""
        raise Refusal(NAME_UNKNOWN, f"there is no record of part {serial}{of_type}")
    part_types = sorted({kept.record.part_type for kept in found})
    if len(part_types) > 1:
        raise Refusal(
            SEVERAL_PARTS, f"{serial} is a part of type {' and of type '.join(part_types)}"
        )
    return found

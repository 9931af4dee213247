"""Parts, by serial number: the record in force and those before it."""

from collections.abc import Sequence
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Query, Response
from starlette.concurrency import run_in_threadpool

from supervisor.api.inside import Inside
from supervisor.api.ports import Kept, Sources
from supervisor.api.problems import NAME_UNKNOWN, SEVERAL_PARTS, Refusal
from supervisor.api.record_view import RecordView, RevisionsView, record_view
from supervisor.api.schema import TEXT_MAX
from supervisor.report.sheet import Proof, sheet

router = APIRouter(prefix="/parts", tags=["parts"])

SHEET_SHAPE: dict[str, Any] = {
    "schema": {"type": "string", "format": "binary"},
    "example": "%PDF-1.4 ...",
}

PartType = Annotated[
    str,
    Query(
        max_length=TEXT_MAX,
        description="Needed where parts of several types share the serial number.",
    ),
]


@router.get("/{serial}")
async def read_part(serial: str, inside: Inside, part_type: PartType = "") -> RecordView:
    """The record in force of a part: of its last visit to the cell, the last revision."""
    return record_view((await revisions_of(inside, serial, part_type))[0])


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
async def print_part(serial: str, inside: Inside, part_type: PartType = "") -> Response:
    """The record in force as a PDF for the file: the same record gives the same bytes."""
    kept = (await revisions_of(inside, serial, part_type))[0]
    content = await run_in_threadpool(_sheet_of, inside, kept)
    name = f"{kept.record.part_type}-{serial}-{kept.record.revision}.pdf"
    return Response(
        content,
        media_type="application/pdf",
        headers={"Content-Disposition": f"inline; filename*=UTF-8''{quote(name, safe='')}"},
    )


def _sheet_of(sources: Sources, kept: Kept) -> bytes:
    entry_hash = sources.entries.hash_at(kept.seq)
    assert entry_hash is not None, "a record is kept together with its entry"
    proof = Proof(seq=kept.seq, entry_hash=entry_hash.hex())
    return sheet(kept.record, proof, cell=sources.core.tables.cell.title)


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

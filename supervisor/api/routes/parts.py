"""Parts, by serial number: the record in force and those before it."""

from collections.abc import Sequence
from typing import Annotated

from fastapi import APIRouter, Query
from starlette.concurrency import run_in_threadpool

from supervisor.api.inside import Inside
from supervisor.api.ports import Kept, Sources
from supervisor.api.problems import NAME_UNKNOWN, SEVERAL_PARTS, Refusal
from supervisor.api.record_view import RecordView, RevisionsView, record_view
from supervisor.api.schema import TEXT_MAX

router = APIRouter(prefix="/parts", tags=["parts"])

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

"""The journal, for reading."""

import itertools
from typing import Annotated

from fastapi import APIRouter, Query
from starlette.concurrency import run_in_threadpool

from supervisor.api.inside import Inside
from supervisor.api.journal_view import (
    EntriesPage,
    HeadNoteView,
    HeadView,
    entry_view,
    head_note_view,
    head_view,
)
from supervisor.api.ports import Sources

router = APIRouter(prefix="/journal", tags=["journal"])

SEQ_MAX = 2**63 - 1


@router.get("")
async def read_journal(
    inside: Inside,
    from_seq: Annotated[int, Query(alias="from", ge=1, le=SEQ_MAX)] = 1,
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
) -> EntriesPage:
    """Entries in order, from a number on."""
    return await run_in_threadpool(_page, inside, from_seq, limit)


def _page(sources: Sources, from_seq: int, limit: int) -> EntriesPage:
    found = list(itertools.islice(sources.entries.read(from_seq), limit + 1))
    return EntriesPage(
        entries=[entry_view(entry) for entry in found[:limit]],
        next=found[limit].seq if len(found) > limit else None,
    )


@router.get("/head")
async def read_head(inside: Inside) -> HeadView:
    """The end of the journal with the hash that covers all of it."""
    return head_view(await run_in_threadpool(inside.entries.head))


@router.get("/head/note")
async def read_head_note(inside: Inside) -> HeadNoteView:
    """The end of the journal as it is to be kept on another machine, signed where the supervisor has a key."""
    head = await run_in_threadpool(inside.entries.head)
    return head_note_view(inside.head_note(head))

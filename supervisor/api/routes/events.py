"""Journal entries as they become durable, as server-sent events.

Rules of this file:
- The id of an event is the entry's number. A client that comes back with ``Last-Event-ID`` gets what it missed, from the journal.
- A watcher has no queue here: it is given what comes after the last entry that it was given, as fast as it takes it.
- Silence is filled with an event "beat" without an id, so that a client can tell silence from a dead connection.
"""

import itertools
from collections.abc import AsyncIterator, Sequence
from typing import Annotated

from fastapi import APIRouter, Depends, Header, Query, Request
from fastapi.sse import EventSourceResponse, ServerSentEvent
from starlette.concurrency import run_in_threadpool

from supervisor.api.inside import Inside
from supervisor.api.journal_view import entry_view, head_view
from supervisor.api.ports import Sources
from supervisor.api.problems import TOO_MANY_WATCHERS, Refusal
from supervisor.api.routes.journal import SEQ_MAX
from supervisor.api.watchers import BEAT_S, WATCHERS_MAX, Watchers
from supervisor.shell.ports import JournalEntry

router = APIRouter(prefix="/events", tags=["events"])

PAGE = 500


def watchers_of(request: Request) -> Watchers:
    """The open streams, if there is room for one more.

    Raises:
        Refusal: there is none.
    """
    watchers: Watchers = request.app.state.watchers
    if watchers.full():
        raise Refusal(TOO_MANY_WATCHERS, f"{WATCHERS_MAX} streams are open")
    return watchers


Seats = Annotated[Watchers, Depends(watchers_of)]


@router.get("", response_class=EventSourceResponse)
async def watch_events(
    inside: Inside,
    watchers: Seats,
    last_event_id: Annotated[
        str,
        Header(pattern=r"^\d{0,18}$", description="The last entry seen; what follows it is sent."),
    ] = "",
    after: Annotated[
        int | None,
        Query(ge=0, le=SEQ_MAX, description="The same for clients that cannot set a header."),
    ] = None,
) -> AsyncIterator[ServerSentEvent]:
    """Journal entries from now on, or after the last one seen. The id is the entry's number, the data an entry of the journal."""
    head = inside.lookout.head().seq
    seen = int(last_event_id) if last_event_id else head if after is None else after
    with watchers.watching():
        async for event in _events(inside, min(seen, head)):
            yield event


async def _events(sources: Sources, seen: int) -> AsyncIterator[ServerSentEvent]:
    while sources.lookout.watch == "open":
        entries = await _after(sources, seen)
        for entry in entries:
            seen = entry.seq
            yield ServerSentEvent(id=str(seen), data=entry_view(entry))
        if not entries:
            yield ServerSentEvent(event="beat", data=head_view(sources.lookout.head()))
        await sources.lookout.wait_after(seen, BEAT_S)


async def _after(sources: Sources, seen: int) -> Sequence[JournalEntry]:
    tail = sources.lookout.entries_after(seen)
    if tail is not None:
        return tail
    return await run_in_threadpool(
        lambda: list(itertools.islice(sources.entries.read(seen + 1), PAGE))
    )

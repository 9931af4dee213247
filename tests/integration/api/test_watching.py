"""Server-sent events: nothing is missed over a break.

The routes' generators are read directly where a stream has no end: an in-process transport would collect it whole first.
"""

import asyncio
import re
from contextlib import aclosing

import pytest

from supervisor.api.ports import Sources
from supervisor.api.routes.events import _events
from supervisor.api.watchers import Watchers
from supervisor.core.events import CellOrdered
from supervisor.web.pages import _live


def sources_of(cell) -> Sources:
    return cell.client._transport.app.state.sources


async def first(count, stream):
    found = []
    async with asyncio.timeout(10), aclosing(stream) as events:
        async for event in events:
            found.append(event)
            if len(found) == count:
                return found
    return found


async def ended(cell, address, headers=None):
    """A whole stream, of a process that is ending."""
    request = asyncio.create_task(cell.client.get(address, headers=headers or {}))
    watchers = cell.client._transport.app.state.watchers
    async with asyncio.timeout(10):
        while not watchers._watching:  # noqa: ASYNC110 - the code under test has no such event
            await asyncio.sleep(0.01)
    cell.lookout.close()
    return await request


def parsed(text):
    """The events of a stream as dictionaries of their fields."""
    blocks = [block for block in text.split("\n\n") if block]
    return [dict(line.split(": ", 1) for line in block.split("\n")) for block in blocks]


async def test_a_watcher_sees_each_entry_with_its_number(cell):
    head = cell.lookout.head().seq
    stream = _events(sources_of(cell), head)
    watching = asyncio.create_task(first(3, stream))
    await asyncio.sleep(0)
    for want in ("pause", "run"):
        await cell.tell(CellOrdered(want=want, by="test"))
    beat, *events = await watching
    assert beat.event == "beat"
    assert [event.id for event in events] == [str(head + 1), str(head + 2)]
    assert [event.data.fact.content["want"] for event in events] == ["pause", "run"]


async def test_who_comes_back_gets_what_was_missed(cell):
    seen = cell.lookout.head().seq
    for want in ("pause", "run", "pause"):
        await cell.tell(CellOrdered(want=want, by="test"))
    answer = await ended(cell, "/api/v1/events", {"Last-Event-ID": str(seen)})
    assert answer.headers["content-type"].startswith("text/event-stream")
    ids = [int(event["id"]) for event in parsed(answer.text) if "id" in event]
    assert ids == [seen + 1, seen + 2, seen + 3]


async def test_a_long_break_is_made_good_from_the_journal(cell):
    """The lookout's tail begins at this process's start; older entries come from the store."""
    head = cell.lookout.head().seq
    assert cell.lookout.entries_after(0) is None
    events = await first(head, _events(sources_of(cell), 0))
    assert [int(event.id) for event in events] == list(range(1, head + 1))
    assert events[0].data.fact.kind == "SupervisorStarted"


async def test_a_watcher_of_another_journal_is_shown_this_one_from_now_on(cell):
    stream = _events(sources_of(cell), min(10**9, cell.lookout.head().seq))
    watching = asyncio.create_task(first(2, stream))
    await asyncio.sleep(0)
    await cell.tell(CellOrdered(want="pause", by="test"))
    assert (await watching)[1].id == str(cell.lookout.head().seq)


async def test_silence_is_filled_with_beats_without_a_number(cell, monkeypatch):
    monkeypatch.setattr("supervisor.api.routes.events.BEAT_S", 0.01)
    events = await first(3, _events(sources_of(cell), cell.lookout.head().seq))
    assert [(event.event, event.id) for event in events] == [("beat", None)] * 3


async def test_there_is_a_limit_to_watchers_that_is_said(cell):
    cell.client._transport.app.state.watchers = Watchers(limit=0)
    answer = await cell.client.get("/api/v1/events")
    assert (answer.status_code, answer.json()["code"]) == (503, 33)


async def test_a_watcher_that_left_makes_room(cell):
    watchers = Watchers(limit=1)
    cell.client._transport.app.state.watchers = watchers
    await ended(cell, "/api/v1/events")
    assert not watchers.full()


@pytest.mark.parametrize("seen", ["x", "-1", "1" * 19])
async def test_a_last_event_id_that_is_no_number_is_refused(cell, seen):
    answer = await cell.client.get("/api/v1/events", headers={"Last-Event-ID": seen})
    assert answer.status_code == 422


async def test_the_pages_stream_brings_the_cell_and_its_time(connected):
    screen = connected.client._transport.app.state.screen
    now, at = await first(2, _live(sources_of(connected), screen))
    assert (now.event, at.event) == ("now", "at")
    assert 'id="station-scan-1"' in now.raw_data
    assert re.fullmatch(r"\d\d:\d\d:\d\d", at.raw_data)


async def test_the_pages_stream_sends_a_picture_again_only_when_it_changed(cell, monkeypatch):
    monkeypatch.setattr("supervisor.web.pages.LIVE_S_MIN", 0.01)
    monkeypatch.setattr("supervisor.web.pages.BEAT_S", 0.02)
    screen = cell.client._transport.app.state.screen
    events = await first(5, _live(sources_of(cell), screen))
    assert [event.event for event in events].count("at") >= 3

"""The inbox: bounded, and taken in a fixed order."""

import asyncio

import pytest
from hypothesis import given
from hypothesis import strategies as st

from supervisor.core.events import CellOrdered, OrderAnswered, TagRead, TimerFired
from supervisor.shell.inbox import (
    LOSS_OR_STOP,
    Fact,
    Inbox,
    InboxClosed,
    Overflow,
    in_order,
    rank,
)

pytestmark = pytest.mark.asyncio

TAG = TagRead(order=1, reader="rack", place="rack-01", status="read", payload="", why="")
TIMER = TimerFired(timer="door")
PAUSE = CellOrdered(want="pause", by="somebody")
ANSWER = OrderAnswered(order=1, outcome="refused", why="")


def facts(*pairs):
    return [Fact(source=source, event=event, settled=None) for source, event in pairs]


def events(taken):
    return [fact.event for fact in taken]


async def test_losses_and_stops_come_first_then_observations_results_arrivals_and_timers(the):
    lost = the.door("unknown", link="down")
    mixed = [TIMER, TAG, the.result("1"), the.door("open"), ANSWER, lost, PAUSE]
    taken = in_order(facts(*((f"source {n}", event) for n, event in enumerate(mixed))))
    assert events(taken) == [lost, PAUSE, the.door("open"), ANSWER, the.result("1"), TAG, TIMER]


async def test_a_loss_takes_the_earlier_facts_of_its_source_along(the):
    lost = the.door("unknown", link="down")
    pairs = facts(
        ("b", the.result("1")), ("a", the.result("2")), ("a", the.door("open")), ("a", lost)
    )
    assert events(in_order(pairs)) == [the.result("2"), the.door("open"), lost, the.result("1")]


SOURCES = ["scan-1", "touch-1", "handler", "timers"]


@given(data=st.data())
async def test_the_order_loses_nothing_and_never_turns_one_source_around(the, data):
    kinds = [
        TIMER,
        TAG,
        PAUSE,
        ANSWER,
        the.result("1"),
        the.door("open"),
        the.door("unknown", link="down"),
    ]
    drawn = data.draw(
        st.lists(st.tuples(st.sampled_from(SOURCES), st.sampled_from(kinds)), max_size=30)
    )
    arrived = facts(*drawn)
    taken = in_order(arrived)
    assert sorted(map(id, taken)) == sorted(map(id, arrived))
    for source in SOURCES:
        assert [f for f in taken if f.source == source] == [
            f for f in arrived if f.source == source
        ]
    # Behind the last loss or stop nothing stands that could have stood before it: only its own source's past is ahead.
    urgent = [n for n, f in enumerate(taken) if rank(f.event) == LOSS_OR_STOP]
    sources = {taken[n].source for n in urgent}
    assert all(fact.source in sources for fact in taken[: urgent[-1] if urgent else 0])


async def test_take_waits_for_a_fact_and_gives_all_that_are_there(the):
    inbox = Inbox()
    waiting = asyncio.ensure_future(inbox.take())
    await asyncio.sleep(0)
    assert not waiting.done()
    inbox.put(TIMER, source="timers")
    inbox.put(the.door("open"), source="scan-1")
    assert events(await waiting) == [the.door("open"), TIMER]
    assert len(inbox) == 0


async def test_a_batch_is_bounded_and_the_rest_stays(the):
    inbox = Inbox()
    for _ in range(5):
        inbox.put(TAG, source="rack")
    inbox.put(the.door("open"), source="scan-1")
    assert events(await inbox.take(limit=2)) == [the.door("open"), TAG]
    assert len(await inbox.take()) == 4


async def test_a_full_inbox_refuses_and_says_how_often():
    inbox = Inbox(limit=2)
    answers = [inbox.put(TAG, source="rack") for _ in range(4)]
    assert answers == ["taken", "taken", "full", "full"]
    assert inbox.overflow() == Overflow(replaced=0, refused=2)


async def test_when_it_is_full_images_that_a_newer_one_replaced_make_room(the):
    inbox = Inbox(limit=4)
    lost = the.door("unknown", link="down")
    for event in (the.door("closed"), lost, the.door("moving"), the.door("open")):
        inbox.put(event, source="scan-1")
    assert inbox.put(the.result("1"), source="scan-1") == "taken"
    assert events(await inbox.take()) == [lost, the.door("open"), the.result("1")]
    assert inbox.overflow() == Overflow(replaced=2, refused=0)


async def test_a_closed_inbox_takes_nothing_and_tells_those_who_wait():
    inbox = Inbox()
    settled = asyncio.get_running_loop().create_future()
    inbox.put(TAG, source="api", settled=settled)
    inbox.close("the supervisor has stopped")
    with pytest.raises(InboxClosed, match="stopped"):
        await settled
    assert inbox.put(TAG, source="api") == "closed"


async def test_an_emitter_only_enqueues(the):
    inbox = Inbox()
    emit = inbox.emitter("scan-1")
    assert emit(the.door("open")) is None
    assert [(fact.source, fact.event) for fact in await inbox.take()] == [
        ("scan-1", the.door("open"))
    ]

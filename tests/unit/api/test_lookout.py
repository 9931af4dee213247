"""The lookout: the newest durable state, and a tail that nobody has to queue."""

import asyncio

import pytest

from supervisor.api.lookout import ENTRIES_MAX, Lookout
from supervisor.core.events import CellOrdered
from supervisor.shell.ports import Head, JournalEntry, Published


def entry(seq):
    event = CellOrdered(want="pause", by="test")
    return JournalEntry(seq=seq, at_ms=seq * 10, schema=1, event=event, commands=())


@pytest.fixture
def publish(world):
    """Publishes the entries of a range of numbers."""

    def make(lookout, first, last):
        head = Head(seq=last, at_ms=last * 10, digest="")
        entries = tuple(entry(seq) for seq in range(first, last + 1))
        lookout.publish(Published(state=world.state, head=head, entries=entries, choices=()))

    return make


async def test_what_came_after_a_number_is_given_in_order(publish):
    lookout = Lookout()
    publish(lookout, 5, 7)
    publish(lookout, 8, 9)
    assert [e.seq for e in lookout.entries_after(6)] == [7, 8, 9]
    assert lookout.entries_after(9) == ()
    assert lookout.entries_after(100) == ()


async def test_what_is_older_than_the_tail_is_said_to_be_elsewhere(publish):
    lookout = Lookout()
    publish(lookout, 5, 7)
    assert lookout.entries_after(3) is None
    assert [e.seq for e in lookout.entries_after(4)] == [5, 6, 7]


async def test_the_tail_is_bounded(publish):
    lookout = Lookout()
    publish(lookout, 1, ENTRIES_MAX + 10)
    assert lookout.entries_after(9) is None
    assert len(lookout.entries_after(10)) == ENTRIES_MAX


async def test_a_reader_is_woken_by_what_comes(publish):
    lookout = Lookout()
    publish(lookout, 1, 1)
    waiting = asyncio.create_task(lookout.wait_after(1, limit_s=30))
    await asyncio.sleep(0)
    assert not waiting.done()
    publish(lookout, 2, 2)
    async with asyncio.timeout(5):
        await waiting


async def test_a_reader_that_is_behind_does_not_wait(publish):
    lookout = Lookout()
    publish(lookout, 1, 3)
    async with asyncio.timeout(5):
        await lookout.wait_after(2, limit_s=30)


async def test_closing_wakes_everybody(publish):
    lookout = Lookout()
    publish(lookout, 1, 1)
    waiting = [asyncio.create_task(lookout.wait_after(1, limit_s=30)) for _ in range(3)]
    await asyncio.sleep(0)
    lookout.close()
    async with asyncio.timeout(5):
        await asyncio.gather(*waiting)


async def test_the_beginning_stays_the_first_state(publish):
    lookout = Lookout()
    publish(lookout, 1, 2)
    publish(lookout, 3, 4)
    assert lookout.beginning.at_ms == 20

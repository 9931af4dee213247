"""Timers on the event loop."""

import asyncio
import time

import pytest

from supervisor.core.commands import CancelTimer, SetTimer
from supervisor.core.events import TimerFired
from supervisor.shell.clock import CellClock
from supervisor.shell.inbox import Inbox
from supervisor.shell.timers import Timers

pytestmark = pytest.mark.asyncio


def hasty(limit: int = 10) -> tuple[Inbox, Timers, CellClock]:
    """A second of the cell takes a millisecond."""
    inbox = Inbox(limit=limit)
    clock = CellClock(base_ms=0, speed=1_000, monotonic=time.monotonic)
    return inbox, Timers(clock=clock, put=lambda event: inbox.put(event, source="timers")), clock


def timer(name: str, due_ms: int) -> SetTimer:
    return SetTimer(timer=name, due_ms=due_ms, why="test")


async def fired(inbox: Inbox) -> list[str]:
    async with asyncio.timeout(5):
        return [fact.event.timer for fact in await inbox.take()]


async def test_a_timer_fires_when_it_is_due_and_not_before():
    inbox, timers, clock = hasty()
    timers.set(timer("door", clock.now_ms() + 20_000))
    due_ms = clock.now_ms() + 20_000
    assert await fired(inbox) == ["door"]
    assert clock.now_ms() >= due_ms - 1_000
    assert len(timers) == 0


async def test_a_timer_set_anew_fires_once_at_its_new_time():
    inbox, timers, clock = hasty()
    timers.set(timer("door", clock.now_ms() + 5_000))
    due_ms = clock.now_ms() + 30_000
    timers.set(timer("door", due_ms))
    timers.set(timer("other", clock.now_ms() + 15_000))
    names = await fired(inbox)
    if len(names) < 2:  # both at once, where the loop stood still for as long as lies between them
        names += await fired(inbox)
    assert sorted(names) == ["door", "other"]
    assert clock.now_ms() >= due_ms - 1_000
    assert len(timers) == 0


async def test_a_cancelled_timer_does_not_fire():
    inbox, timers, clock = hasty()
    timers.set(timer("door", clock.now_ms() + 5_000))
    timers.set(timer("other", clock.now_ms() + 15_000))
    timers.cancel(CancelTimer(timer="door"))
    timers.cancel(CancelTimer(timer="never set"))
    assert await fired(inbox) == ["other"]


async def test_restoring_sets_exactly_the_timers_of_the_state():
    inbox, timers, clock = hasty()
    timers.set(timer("old", clock.now_ms() + 5_000))
    timers.restore({"door": timer("door", clock.now_ms() - 1), "late": timer("late", 10**12)})
    assert await fired(inbox) == ["door"]
    assert len(timers) == 1
    timers.stop()
    assert len(timers) == 0


async def test_a_timer_that_the_inbox_has_no_room_for_fires_later(the):
    inbox, timers, clock = hasty(limit=1)
    inbox.put(TimerFired(timer="in the way"), source="test")
    timers.set(timer("door", clock.now_ms()))
    await the.until(lambda: inbox.overflow().refused > 0)
    assert await fired(inbox) == ["in the way"]
    assert await fired(inbox) == ["door"]

"""The step, live: order, group commit, crashes, refusals, broken invariants."""

import asyncio
import threading
from contextlib import asynccontextmanager

import pytest

from supervisor.core.commands import ClearFault, SetDoor
from supervisor.core.events import SupervisorStarted, TimerFired
from supervisor.shell import runtime
from supervisor.shell.inbox import InboxClosed
from supervisor.shell.replay import fingerprint

pytestmark = pytest.mark.asyncio


@asynccontextmanager
async def running(cell, declared="d1"):
    """A cell whose runtime steps, cancelled at the end."""
    started = SupervisorStarted(declaration=declared, version="1", fence=1)
    task = asyncio.create_task(cell.runtime.run(started))
    try:
        yield task
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def settled(cell, *events):
    """Put facts in and wait until each is decided."""
    async with asyncio.timeout(5):
        return [await cell.runtime.submit(event, source="scan-1") for event in events]


async def test_a_process_begins_with_its_start_whatever_waits_already(the):
    cell = the.Cell()
    cell.runtime.inbox.put(the.door("closed"), source="scan-1")
    async with running(cell):
        await settled(cell, the.door("closed"))
    kinds = [type(entry.event).__name__ for entry in cell.journal.entries]
    assert kinds == ["SupervisorStarted", "StationObserved", "StationObserved"]


async def test_an_entry_is_durable_then_published_then_its_goal_is_given(the):
    cell = the.Cell()
    async with running(cell):
        await settled(cell, the.door("closed"))
    assert cell.log == [
        "appended 1..1",
        "published 1",
        "appended 2..2",
        "published 2",
        "given SetDoor 1",
    ]


async def test_whoever_submits_a_fact_learns_its_number_once_it_is_durable(the):
    cell = the.Cell()
    async with running(cell):
        assert await settled(cell, the.door("closed"), the.door("open")) == [2, 3]
    assert cell.state.opened == 1


class GatedJournal:
    """Mixed into a journal: appends wait until the test opens the gate."""

    def append(self, entries):
        self.entered.set()
        assert self.gate.wait(timeout=5)
        return super().append(entries)


@pytest.fixture
def gated(the):
    class Journal(GatedJournal, the.LoggingJournal):
        def __init__(self):
            super().__init__([])
            self.gate = threading.Event()
            self.entered = threading.Event()

    journal = Journal()
    cell = the.Cell(journal=journal, writer="thread")
    yield cell
    journal.gate.set()


async def test_what_arrives_while_a_batch_becomes_durable_is_committed_as_one(the, gated):
    async with running(gated):
        await the.until(gated.journal.entered.is_set)
        for _ in range(10):
            gated.runtime.inbox.put(the.door("closed"), source="scan-1")
        gated.journal.gate.set()
        await settled(gated, the.door("open"))
    assert gated.log[:3] == ["appended 1..1", "published 1", "appended 2..12"]


async def test_nothing_is_published_or_given_before_its_entry_is_durable(the, gated):
    gated.journal.gate.set()
    async with running(gated):
        await settled(gated, the.door("unknown"))
        gated.journal.gate.clear()
        gated.journal.entered.clear()
        waiting = asyncio.create_task(settled(gated, the.door("closed")))
        await the.until(gated.journal.entered.is_set)
        for _ in range(100):  # turns of the loop enough for anything out of order to happen
            await asyncio.sleep(0)
        assert gated.station.given == []
        assert gated.viewer.seen[-1].head.seq == 2
        gated.journal.gate.set()
        await waiting
    assert gated.station.given == [SetDoor(order=1, station="scan-1", door="open")]


async def test_a_crash_inside_dispatch_loses_nothing(the):
    cell = the.Cell(dies="power cut")
    async with running(cell) as task:
        cell.runtime.inbox.put(the.door("closed"), source="scan-1")
        with pytest.raises(RuntimeError, match="power cut"):
            await task
    cell.boot()
    async with running(cell):
        await settled(cell, the.door("unknown"))
    assert cell.station.given == [SetDoor(order=1, station="scan-1", door="open")]


async def test_a_crash_before_the_append_leaves_the_cell_as_if_the_fact_had_never_come(the):
    cell = the.Cell()
    async with running(cell):
        await settled(cell, the.door("unknown"))
    before = fingerprint(cell.state)

    def power_cut(_entries):
        raise OSError("power cut")

    cell.boot()
    cell.journal.append = power_cut
    async with running(cell) as task:
        with pytest.raises(OSError, match="power cut"):
            await task
    del cell.journal.append
    cell.boot()
    assert fingerprint(cell.recovered.fold.state) == before
    assert cell.station.given == []


@pytest.mark.hazard(16)
async def test_commands_lost_in_the_outbox_are_repeated_with_the_same_number_by_every_restart(the):
    cell = the.Cell()
    async with running(cell):
        await settled(cell, the.door("closed"))
    for _ in range(3):
        cell.boot()
        async with running(cell):
            await settled(cell, the.door("closed"))
        assert cell.station.given == [SetDoor(order=1, station="scan-1", door="open")]


async def test_a_timer_of_the_state_waits_again_after_a_restart(the):
    cell = the.Cell()
    async with running(cell):
        await settled(cell, the.door("closed"))
    cell.boot()
    cell.clock.at_ms += 2_000
    async with running(cell):
        await the.until(lambda: any(isinstance(e.event, TimerFired) for e in cell.journal.entries))
        await settled(cell, the.door("unknown"))
    assert cell.station.given[-1] == ClearFault(order=1, station="scan-1")


@pytest.mark.hazard(20)
async def test_the_cells_time_never_goes_back_even_if_the_clock_does(the):
    cell = the.Cell()
    async with running(cell):
        await settled(cell, the.door("closed"))
        cell.clock.at_ms -= 60_000
        await settled(cell, the.door("open"))
    times = [entry.at_ms for entry in cell.journal.entries]
    assert times == sorted(times)


async def test_after_a_broken_invariant_nothing_is_sent_and_the_state_stays_readable(the):
    cell = the.Cell()
    async with running(cell) as task:
        await settled(cell, the.poison)
        await task
    assert cell.station.given == []
    assert cell.journal.entries[-1].event == the.poison
    assert cell.state.poisoned == "somebody"
    status = cell.runtime.status()
    assert (status.phase, status.why) == ("broken", "the cell was poisoned by somebody")
    with pytest.raises(InboxClosed, match="poisoned"):
        await settled(cell, the.door("closed"))


async def test_facts_behind_a_broken_one_are_not_decided_and_their_senders_are_told(the):
    cell = the.Cell()
    behind = [
        asyncio.create_task(cell.runtime.submit(event, source="api"))
        for event in (the.poison, the.door("closed"))
    ]
    await asyncio.sleep(0)
    async with running(cell) as task:
        await task
    poisoned, refused = await asyncio.gather(*behind, return_exceptions=True)
    assert isinstance(refused, InboxClosed) != isinstance(poisoned, InboxClosed)
    assert cell.station.given == []


async def test_a_restart_does_not_drive_a_broken_cell(the):
    cell = the.Cell()
    async with running(cell) as task:
        await settled(cell, the.poison)
        await task
    length = len(cell.journal.entries)
    cell.boot()
    async with running(cell) as task:
        await task
    assert cell.runtime.status().phase == "broken"
    assert len(cell.journal.entries) == length


async def test_a_defect_of_the_core_comes_to_rest_like_a_broken_invariant_also_after_a_restart(the):
    cell = the.Cell()
    for _ in range(2):
        async with running(cell) as task:
            cell.runtime.inbox.put(the.raiser, source="api")
            await task
        assert cell.runtime.status().why == "deciding HoldReleased raised LookupError('h1')"
        cell.boot()


@pytest.mark.hazard(32)
async def test_a_journal_that_refuses_is_tried_again_and_nothing_is_sent_meanwhile(
    the, monkeypatch
):
    monkeypatch.setattr(runtime, "APPEND_AGAIN_S", 0.001)
    cell = the.Cell()
    async with running(cell):
        await settled(cell, the.door("unknown"))
        cell.journal.refusals = 3
        waiting = asyncio.create_task(settled(cell, the.door("closed")))
        await the.until(lambda: cell.journal.refusals < 3)
        assert cell.runtime.status().phase == "journal refused"
        assert cell.runtime.status().why == "no space left on the disk"
        assert cell.station.given == []
        await waiting
        await settled(cell, the.door("open"))
        assert cell.runtime.status().phase == "running"
        assert cell.runtime.status().why == ""
    assert cell.state.opened == 1
    assert [entry.seq for entry in cell.journal.entries] == [1, 2, 3, 4]


@pytest.mark.hazard(32)
async def test_a_limit_begins_when_its_order_goes_out_however_long_the_journal_held_both_up(
    the, monkeypatch
):
    monkeypatch.setattr(runtime, "APPEND_AGAIN_S", 0.001)
    cell = the.Cell()

    def fired():
        return [e for e in cell.journal.entries if isinstance(e.event, TimerFired)]

    async with running(cell):
        await settled(cell, the.door("unknown"))
        cell.journal.refusals = 3
        waiting = asyncio.create_task(settled(cell, the.door("closed")))
        await the.until(lambda: cell.journal.refusals < 3)
        cell.clock.at_ms += 5_000  # the limit is 1,000 ms
        await waiting
        for _ in range(3):
            await settled(cell, the.door("unknown"))
        assert fired() == []
        cell.clock.at_ms += 1_000
        await the.until(fired)


@pytest.mark.hazard(32)
async def test_the_log_has_one_line_when_the_journal_refuses_and_one_when_it_takes_again(
    the, monkeypatch, caplog
):
    caplog.set_level("INFO", logger="supervisor")
    monkeypatch.setattr(runtime, "APPEND_AGAIN_S", 0.001)
    cell = the.Cell()
    async with running(cell):
        cell.journal.refusals = 7
        await settled(cell, the.door("closed"))
        await settled(cell, the.door("open"))
    lines = [record.getMessage() for record in caplog.records]
    assert lines[0].endswith("nothing is decided or sent: no space left on the disk")
    assert lines[1].startswith("the journal takes entries again, after ")
    assert len(lines) == 2


@pytest.mark.hazard(32)
async def test_a_journal_that_does_not_answer_is_shown_and_waited_for(the, gated, monkeypatch):
    monkeypatch.setattr(runtime, "ANSWER_S_MAX", 0.01)
    async with running(gated):
        await the.until(lambda: gated.runtime.status().phase == "journal refused")
        assert gated.runtime.status().why == "the database has not answered for 0.01 s"
        gated.journal.gate.set()
        monkeypatch.setattr(runtime, "ANSWER_S_MAX", 5.0)
        await settled(gated, the.door("unknown"))
        await settled(gated, the.door("unknown"))
        assert gated.runtime.status().phase == "running"


async def test_a_snapshot_that_took_long_is_no_refusal_once_it_is_kept(
    the, gated, monkeypatch, caplog
):
    caplog.set_level("INFO", logger="supervisor.shell.runtime")
    gated.journal.gate.set()
    monkeypatch.setattr(runtime, "SNAPSHOT_EVERY", 1)
    keep, release = gated.snapshots.keep, threading.Event()

    def slowly(snapshot):
        release.wait(5)
        keep(snapshot)

    monkeypatch.setattr(gated.snapshots, "keep", slowly)
    monkeypatch.setattr(runtime, "ANSWER_S_MAX", 0.01)
    async with running(gated):
        await the.until(lambda: gated.runtime.status().phase == "journal refused")
        release.set()
        await the.until(lambda: gated.runtime.status().phase == "running")
    went, back = (record.getMessage() for record in caplog.records)
    assert went.endswith("the database has not answered for 0.01 s")
    assert back.startswith("the journal takes entries again, after ")


async def test_a_journal_that_refuses_for_too_long_ends_the_process(the, monkeypatch):
    monkeypatch.setattr(runtime, "APPEND_AGAIN_S", 0)
    monkeypatch.setattr(runtime, "APPEND_TRIES_MAX", 5)
    cell = the.Cell(journal=the.LoggingJournal([], refusals=9))
    async with running(cell) as task:
        with pytest.raises(runtime.JournalRefused, match="given up after 5 tries"):
            await task


async def test_snapshots_are_kept_and_lead_to_the_same_state_as_the_whole_journal(the, monkeypatch):
    monkeypatch.setattr(runtime, "SNAPSHOT_EVERY", 10)
    cell = the.Cell()
    async with running(cell):
        for _ in range(12):
            await settled(cell, the.door("closed"), the.door("open"))
    kept = cell.snapshots.latest()
    assert kept is not None
    assert kept.seq == 20
    ended = fingerprint(cell.state)
    cell.boot()
    assert cell.recovered.folded == len(cell.journal.entries) - 20
    assert fingerprint(cell.recovered.fold.state) == ended


async def test_a_sender_who_went_away_holds_nothing_up(the):
    cell = the.Cell()
    gone = asyncio.create_task(cell.runtime.submit(the.door("closed"), source="api"))
    await asyncio.sleep(0)
    gone.cancel()
    async with running(cell):
        assert await settled(cell, the.door("open")) == [3]


async def test_stopping_tells_those_who_still_wait(the, gated):
    async with running(gated):
        await the.until(gated.journal.entered.is_set)
        waiting = asyncio.create_task(settled(gated, the.door("closed")))
        await asyncio.sleep(0)
        gated.journal.gate.set()
    with pytest.raises(InboxClosed, match="stopped"):
        await waiting

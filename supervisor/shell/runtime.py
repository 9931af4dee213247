"""The step (S2), live: take, stamp, decide, check, append durably, publish, then dispatch. In no other order.

Rules of this file:
- One step at a time. What arrives while a batch becomes durable is the next batch: that is the group commit, and there is no other.
- Nothing is published or sent before its entry is durable; a crash at any line loses nothing that went out.
- While the journal refuses, the same batch waits and is tried again up to a limit (S11); nothing is decided meanwhile.
  A journal that does not answer is waited for, and shown as one that refuses. Both are logged once, and once when it is over.
- After a broken invariant nothing is decided or sent any more (S10): ``run`` returns, the last published state stays readable.
- The step renews the permit to send, and nobody else does: a step that stands still for long loses it (hazard 34).
- Everything here runs on the event loop's thread, except ``Journal.append`` and ``Snapshots.keep`` with the writer "thread".
"""

import asyncio
import logging
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from typing import Generic, Literal, Protocol, TypeVar

from supervisor.cell.value import value
from supervisor.core.commands import CancelTimer, MarkSuspect, SetTimer, StoreRecord
from supervisor.core.events import Event, SupervisorStarted
from supervisor.shell.inbox import Fact, Inbox, InboxClosed, Overflow, Put, refuse
from supervisor.shell.outbox import Outbox
from supervisor.shell.ports import (
    Clock,
    Head,
    Journal,
    JournalEntry,
    JournalRefused,
    Published,
    Publisher,
    S,
    Snapshot,
    Snapshots,
)
from supervisor.shell.recovery import Recovered
from supervisor.shell.step import Batch, decide_batch
from supervisor.shell.timers import Timers

SNAPSHOT_EVERY = 1_000
APPEND_AGAIN_S = 0.5
APPEND_TRIES_MAX = (
    1_200  # ten minutes; after that the process ends and whoever supervises it starts it again
)

ANSWER_S_MAX = 5.0
"""A journal that takes longer than this is shown as one that refuses; nothing is given up by that."""

log = logging.getLogger(__name__)

Phase = Literal["waiting", "running", "journal refused", "broken"]
Writer = Literal["inline", "thread"]
T = TypeVar("T")


class Pulse(Protocol):
    """Who wants to know that the step goes on: the permit. Called on the loop, between two steps."""

    @property
    def turn_s(self) -> float | None:
        """How often the step should turn at least; None: only when there is something to decide."""
        ...

    def turned(self) -> None:
        """A step is done, or there was nothing to do."""
        ...

    def stalled(self) -> None:
        """The journal refuses; nothing is decided."""
        ...


class Quiet:
    """Nobody wants to know."""

    turn_s = None

    def turned(self) -> None:
        """Nothing."""

    def stalled(self) -> None:
        """Nothing."""


QUIET = Quiet()


@value
class RuntimeStatus:
    """How the step is doing. ``why`` is what the journal said, or the broken invariants, one per line ("" = all is well)."""

    phase: Phase
    why: str
    seq: int
    waiting: int
    overflow: Overflow


@value
class Wiring(Generic[S]):
    """The neighbours of one runtime. ``writer`` says where the journal is written: on the loop's thread or on one of its own."""

    journal: Journal
    snapshots: Snapshots[S]
    clock: Clock
    outbox: Outbox
    publisher: Publisher[S]
    writer: Writer
    pulse: Pulse = QUIET


class Runtime(Generic[S]):
    """Drives one cell from its inbox to its outbox."""

    def __init__(self, recovered: Recovered[S], wiring: Wiring[S]) -> None:
        """Continue where the journal ended."""
        self.inbox = Inbox()
        self._fold = recovered.fold
        self._head = recovered.head
        self._snapshot_seq = recovered.head.seq - recovered.folded
        self._wiring = wiring
        self._taken: list[Fact] = []
        self._timers = Timers(clock=wiring.clock, put=self._put_timer)
        self._phase: Phase = "broken" if recovered.broken else "waiting"
        self._why = "\n".join(recovered.broken)

    def status(self) -> RuntimeStatus:
        """How the step is doing."""
        return RuntimeStatus(
            phase=self._phase,
            why=self._why,
            seq=self._head.seq,
            waiting=len(self.inbox),
            overflow=self.inbox.overflow(),
        )

    async def submit(self, event: Event, *, source: str) -> int:
        """Put a fact in and wait until it is durable and published; its sequence number.

        Raises:
            InboxClosed: the runtime has stopped or stops before the fact is decided, or the inbox is full.
        """
        settled: asyncio.Future[int] = asyncio.get_running_loop().create_future()
        taken = self.inbox.put(event, source=source, settled=settled)
        if taken != "taken":
            raise InboxClosed(self._why or f"the inbox is {taken}")
        return await settled

    async def run(self, started: SupervisorStarted) -> None:
        """Step until cancelled. Returns only after a broken invariant."""
        with ThreadPoolExecutor(max_workers=1, thread_name_prefix="journal") as writer:
            try:
                await self._run(started, writer)
            finally:
                self._timers.stop()
                why = self._why or "the supervisor has stopped"
                refuse(self._taken, why)
                self.inbox.close(why)

    async def _run(self, started: SupervisorStarted, writer: ThreadPoolExecutor) -> None:
        if self._phase == "broken":
            return
        batch = await self._durable([started], writer)
        self._timers.restore(self._fold.state.timers)
        while not batch.broken:
            self._phase, self._why = "running", ""
            self._dispatch(batch.entries)
            await self._keep_snapshot_when_due(writer)
            self._taken = await self._next()
            batch = await self._durable([fact.event for fact in self._taken], writer)
            self._settle(batch.entries)
        self._phase = "broken"
        self._why = "\n".join(batch.broken)

    async def _next(self) -> list[Fact]:
        """The next facts. While there are none the step turns in place, which is what renews the permit."""
        pulse = self._wiring.pulse
        pulse.turned()
        while pulse.turn_s is not None and not len(self.inbox):
            await self.inbox.wait(pulse.turn_s)
            if not len(self.inbox):  # what has come is decided first
                pulse.turned()
        return await self.inbox.take()

    async def _durable(self, events: Sequence[Event], writer: ThreadPoolExecutor) -> Batch[S]:
        """Decide events and append and publish what follows."""
        at_ms = max(self._wiring.clock.now_ms(), self._head.at_ms)
        batch = decide_batch(self._fold, events, after_seq=self._head.seq, at_ms=at_ms)
        self._head = await self._append(batch.entries, writer)
        self._wiring.publisher.publish(
            Published(
                state=batch.state, head=self._head, entries=batch.entries, choices=batch.choices
            )
        )
        return batch

    async def _append(self, entries: tuple[JournalEntry, ...], writer: ThreadPoolExecutor) -> Head:
        begun_s = asyncio.get_running_loop().time()
        for _ in range(APPEND_TRIES_MAX):
            try:
                head = await self._written(lambda: self._wiring.journal.append(entries), writer)
            except JournalRefused as refusal:
                self._refused(str(refusal))
                self._wiring.pulse.stalled()
                await asyncio.sleep(APPEND_AGAIN_S)
            else:
                self._log_that_it_takes(begun_s)
                return head
        raise JournalRefused(f"given up after {APPEND_TRIES_MAX} tries: {self._why}")

    def _refused(self, why: str) -> None:
        """Show that the journal takes nothing; the log has it once."""
        if self._phase != "journal refused":
            log.warning("the journal takes nothing, so nothing is decided or sent: %s", why)
        self._phase, self._why = "journal refused", why

    def _log_that_it_takes(self, begun_s: float) -> None:
        """Log once that a refusal is over."""
        if self._phase == "journal refused":
            waited_s = asyncio.get_running_loop().time() - begun_s
            log.info("the journal takes entries again, after %.1f s", waited_s)

    def _unanswered(self) -> None:
        self._refused(f"the database has not answered for {ANSWER_S_MAX:g} s")

    async def _written(self, write: Callable[[], T], writer: ThreadPoolExecutor) -> T:
        if self._wiring.writer == "inline":
            return write()
        loop = asyncio.get_running_loop()
        late = loop.call_later(ANSWER_S_MAX, self._unanswered)
        try:
            return await loop.run_in_executor(writer, write)
        finally:
            late.cancel()

    def _dispatch(self, entries: tuple[JournalEntry, ...]) -> None:
        late_ms = max(0, self._wiring.clock.now_ms() - self._head.at_ms)
        for entry in entries:
            for command in entry.commands:
                match command:
                    case SetTimer():
                        self._timers.set(command, late_ms=late_ms)
                    case CancelTimer():
                        self._timers.cancel(command)
                    case StoreRecord() | MarkSuspect():
                        pass  # kept by the journal together with its entry
                    case _:
                        self._wiring.outbox.give(command)

    def _settle(self, entries: Sequence[JournalEntry]) -> None:
        """Tell whoever waits for a fact its number; the entries of a broken batch may be fewer than the facts."""
        for fact, entry in zip(self._taken, entries, strict=False):
            if fact.settled is not None and not fact.settled.done():
                fact.settled.set_result(entry.seq)

    async def _keep_snapshot_when_due(self, writer: ThreadPoolExecutor) -> None:
        if self._head.seq - self._snapshot_seq < SNAPSHOT_EVERY:
            return
        self._snapshot_seq = self._head.seq
        snapshot = Snapshot(
            seq=self._head.seq,
            at_ms=self._head.at_ms,
            declaration=self._fold.declaration,
            state=self._fold.state,
        )
        begun_s = asyncio.get_running_loop().time()
        with suppress(JournalRefused):  # the next one is as good
            await self._written(lambda: self._wiring.snapshots.keep(snapshot), writer)
        # One that took long was shown as a refusal, and that is over.
        self._log_that_it_takes(begun_s)
        self._phase, self._why = "running", ""

    def _put_timer(self, event: Event) -> Put:
        return self.inbox.put(event, source="timers")

"""Amending and signing a closed record.

Rules of this file:
- A person acts on the revision that they have seen, or is refused.
- One at a time: whoever amends holds the turn until the journal has it, even where the answer came too late for the one who asked.
  Two amendments under one revision number would be two records of one identity.
"""

import asyncio
from collections.abc import Awaitable, Callable
from typing import TypeVar

from starlette.concurrency import run_in_threadpool

from supervisor.api.inside import CONFIRM_S_MAX, SOURCE, now_of
from supervisor.api.papers_view import (
    Amend,
    AmendmentView,
    ChangeView,
    Sign,
    SignatureView,
)
from supervisor.api.ports import Kept, Sources
from supervisor.api.problems import (
    NOT_AMENDED,
    NOT_CONFIRMED,
    PART_INSIDE,
    RECORD_MOVED,
    Refusal,
)
from supervisor.api.schema import instant
from supervisor.core.events import RecordAmended, RecordSigned
from supervisor.core.state import CellState
from supervisor.verdict.amendment import AmendmentRefused, Wanted, amended
from supervisor.verdict.record import Record

T = TypeVar("T")
Find = Callable[[], Awaitable[Kept]]


class PaperDesk:
    """Where records are amended and signed, one person after the other."""

    def __init__(self) -> None:
        self._turn = asyncio.Lock()
        self._going: set[asyncio.Task[object]] = set()

    async def amend(self, sources: Sources, find: Find, asked: Amend) -> AmendmentView:
        """Make the next revision of the record in force.

        Raises:
            Refusal: another revision is in force, the part is in the cell, nothing would change, or it was not confirmed in time.
        """
        return await self._in_turn(lambda: _amend(sources, find, asked))

    async def sign(self, sources: Sources, find: Find, asked: Sign) -> SignatureView:
        """Sign the record in force.

        Raises:
            Refusal: another record is in force than the person has seen, or it was not confirmed in time.
        """
        return await self._in_turn(lambda: _sign(sources, find, asked))

    async def _in_turn(self, act: Callable[[], Awaitable[T]]) -> T:
        async def acting() -> T:
            async with self._turn:
                return await act()

        task = asyncio.ensure_future(acting())
        self._going.add(task)
        task.add_done_callback(self._settled)
        try:
            async with asyncio.timeout(CONFIRM_S_MAX):
                return await asyncio.shield(task)
        except TimeoutError:
            raise Refusal(NOT_CONFIRMED, f"no confirmation within {CONFIRM_S_MAX:g} s") from None

    def _settled(self, task: "asyncio.Task[object]") -> None:
        self._going.discard(task)
        if not task.cancelled():
            task.exception()  # taken note of: whoever asked may be gone


async def _amend(sources: Sources, find: Find, asked: Amend) -> AmendmentView:
    kept = await find()
    _check_seen(kept, asked.revision)
    _check_outside(now_of(sources).state, kept.record)
    wanted = Wanted(
        batch=asked.batch,
        produced=asked.produced,
        withdrawn=tuple(asked.withdraw),
        why=asked.why.strip(),
    )
    try:
        record, changes = amended(kept.record, wanted)
    except AmendmentRefused as refused:
        raise Refusal(NOT_AMENDED, str(refused)) from None
    event = RecordAmended(by=asked.by.strip(), why=wanted.why, changes=changes, record=record)
    seq = await sources.orders.submit(event, source=SOURCE)
    entry = await run_in_threadpool(lambda: next(sources.entries.read(seq)))
    if not entry.commands:
        raise Refusal(PART_INSIDE, f"part {record.serial} came into the cell meanwhile")
    return AmendmentView(
        seq=seq,
        at=instant(entry.at_ms),
        revision=record.revision,
        by=event.by,
        why=event.why,
        changes=[ChangeView(field=c.field, before=c.before, after=c.after) for c in changes],
    )


async def _sign(sources: Sources, find: Find, asked: Sign) -> SignatureView:
    kept = await find()
    _check_seen(kept, asked.revision)
    if kept.sha256 != asked.record_sha256:
        raise Refusal(RECORD_MOVED, f"the record in force has the hash {kept.sha256}")
    record = kept.record
    event = RecordSigned(
        serial=record.serial,
        part_type=record.part_type,
        entered_ms=record.entered_ms,
        revision=record.revision,
        record_sha256=kept.sha256,
        by=asked.by.strip(),
        meaning=asked.meaning,
    )
    seq = await sources.orders.submit(event, source=SOURCE)
    entry = await run_in_threadpool(lambda: next(sources.entries.read(seq)))
    return SignatureView(
        seq=seq,
        at=instant(entry.at_ms),
        revision=record.revision,
        by=event.by,
        meaning=event.meaning,
        record_sha256=kept.sha256,
        name_proven="no",
    )


def _check_seen(kept: Kept, revision: int) -> None:
    in_force = kept.record.revision
    if in_force != revision:
        raise Refusal(RECORD_MOVED, f"revision {in_force} is in force, not {revision}")


def _check_outside(state: CellState, record: Record) -> None:
    for pallet in state.pallets.values():
        if (pallet.serial, pallet.part_type) == (record.serial, record.part_type):
            raise Refusal(PART_INSIDE, f"part {record.serial} is at {pallet.place}")

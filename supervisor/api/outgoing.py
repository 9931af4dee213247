"""Messages to receivers outside: every record once it is kept, what a failed check casts doubt on, and advice when it is offered.

Rules of this file:
- A reference part is nobody's product: the record of a check is told as what it is, and only to whoever asks for checks.
- The journal is the outbox. How far a receiver was told stands in the state, by a fact of its own (``MessagesDelivered``): a supervisor that
  died, or another that took over, goes on from there. So each message arrives at least once, in order; a repetition has the same id.
- A receiver that does not take a message is asked again, later and later, for as long as it takes. Nothing is dropped, nobody else waits.
- Who is declared for the first time is told what happens from then on, not the past.
- Of advice only what is in force is sent: what was advised while the receiver was down helps nobody.
- Nothing here may stop the cell: whatever goes wrong is noted and tried again.
"""

import asyncio
import hashlib
import json
import logging
import time
import urllib.error
import urllib.request
from collections.abc import Awaitable, Callable
from http.client import HTTPException
from typing import Any, Literal, Never

from starlette.concurrency import run_in_threadpool

from supervisor.api.advice_view import advice_view
from supervisor.api.inside import tell
from supervisor.api.ports import Sources, Told
from supervisor.api.problems import Refusal
from supervisor.api.process import Standing, all_advice, standing_of
from supervisor.api.record_view import line_of
from supervisor.api.schema import instant
from supervisor.api.signature import signature
from supervisor.api.trust_view import suspicion_view
from supervisor.cell.receivers import About
from supervisor.cell.value import value
from supervisor.core.commands import MarkSuspect, StoreRecord
from supervisor.core.events import (
    AdviceDeclined,
    AgreementSettled,
    MessagesDelivered,
    ProcessCorrected,
)
from supervisor.shell.inbox import InboxClosed
from supervisor.shell.ports import JournalEntry, JournalRefused
from supervisor.verdict.record import Record
from supervisor.verdict.reference_check import is_check
from supervisor.verdict.suspicion import Suspicion, suspect_values

POST_S_MAX = 10.0
PAUSE_S_MIN, PAUSE_S_MAX = 1.0, 300.0
LOOK_S = 1.0
BATCH = 50
"""So many messages are read from the journal at a time (S11)."""
CONCERNING_ADVICE = (ProcessCorrected, AdviceDeclined, AgreementSettled)
WORDS = ("StoreRecord", "MarkSuspect")
KINDS = tuple(each.__name__ for each in CONCERNING_ADVICE)

_log = logging.getLogger(__name__)


@value
class Receiver:
    """Whom to tell about what, and the key that messages are signed with."""

    receiver: str
    url: str
    about: tuple[About, ...]
    key: bytes


@value
class Message:
    """One message: a name that is the same for each repetition, its kind, its time in the cell, and what it says."""

    name: str
    kind: Literal["record.kept", "check.kept", "values.suspect", "advice.offered"]
    at_ms: int
    data: dict[str, Any]

    def body(self, cell: str) -> bytes:
        """The text that is posted."""
        content = {
            "type": self.kind,
            "timestamp": instant(self.at_ms),
            "cell": cell,
            "data": self.data,
        }
        return json.dumps(content, separators=(",", ":"), ensure_ascii=False).encode()


Post = Callable[[str, bytes, dict[str, str]], str]
"""Posts a body to an address with headers; "" when it was taken, else why not."""
Pause = Callable[[float], Awaitable[None]]


class _Moved(urllib.request.HTTPRedirectHandler):
    """A receiver that moved is declared anew: a signed message goes nowhere else than it was addressed to."""

    def redirect_request(
        self,
        req: urllib.request.Request,
        fp: object,
        code: int,
        msg: str,
        headers: object,
        newurl: str,
    ) -> None:
        """Follow none."""


def post(url: str, body: bytes, headers: dict[str, str]) -> str:
    """Post over HTTP; any answer from 200 to 299 counts as taken."""
    request = urllib.request.Request(url, data=body, headers=headers, method="POST")  # noqa: S310 - checked when declared
    try:
        with urllib.request.build_opener(_Moved).open(request, timeout=POST_S_MAX) as answer:
            answer.read(1)
    except urllib.error.HTTPError as error:
        return f"it answers {error.code} {error.reason}"
    except (OSError, HTTPException, ValueError) as error:
        return str(getattr(error, "reason", None) or error) or type(error).__name__
    return ""


class Messenger:
    """Tells one receiver."""

    def __init__(
        self,
        receiver: Receiver,
        sources: Sources,
        *,
        send: Post = post,
        pause: Pause = asyncio.sleep,
        wall: Callable[[], float] = time.time,
    ) -> None:
        """``send``, ``pause`` and ``wall`` are what reaches outside of this process."""
        self._receiver = receiver
        self._sources = sources
        self._cell = sources.core.tables.cell.cell
        self._send = send
        self._pause = pause
        self._wall = wall
        self._looked = -1
        self._advised: set[str] | None = None
        self._failing_since_ms: int | None = None
        self._why = ""

    def told(self) -> Told:
        """How the receiver stands."""
        return Told(
            receiver=self._receiver.receiver,
            seq=self._cursor() or 0,
            failing_since_ms=self._failing_since_ms,
            why=self._why,
        )

    async def run(self) -> Never:
        """Tell it everything, for ever."""
        while True:
            try:
                await self._tell_on()
            except (Refusal, InboxClosed, JournalRefused) as error:
                self._note(f"the supervisor cannot say what to send: {error}")
                await self._pause(PAUSE_S_MIN)
            except Exception as error:  # noqa: BLE001 - the root of a task; telling others must not end the cell
                self._note(f"a defect of ours: {error!r}")
                _log.exception("receiver %s", self._receiver.receiver)
                await self._pause(PAUSE_S_MAX)

    def _cursor(self) -> int | None:
        """The last entry that it was told of; None before it was told anything."""
        published = self._sources.lookout.published
        if published is None:
            return None
        return dict(published.state.delivered).get(self._receiver.receiver)

    async def _tell_on(self) -> None:
        """Tell what is new, or wait until something is."""
        lookout, head = self._sources.lookout, self._sources.lookout.head().seq
        cursor = self._cursor()
        if set(self._receiver.about) == {"advice"} and self._advised is None:
            self._looked = head  # nothing of the past is wanted but the advice in force
        if lookout.published is None:
            await lookout.wait_after(0, LOOK_S)
        elif cursor is None:
            await self._have_told(head)
        elif "advice" in self._receiver.about and self._advised is None and self._looked >= head:
            await self._tell_advice(head)
        elif head > max(cursor, self._looked):
            await self._tell_after(max(cursor, self._looked), head)
        else:
            await lookout.wait_after(head, LOOK_S)
            await asyncio.sleep(0)

    async def _tell_after(self, cursor: int, head: int) -> None:
        entries = await run_in_threadpool(self._entries, cursor, head)
        upto = entries[-1].seq if len(entries) == BATCH else head
        for entry in entries:
            told = 0
            for message in await run_in_threadpool(self._messages, entry):
                await self._until_taken(message)
                told += 1
            if told:
                await self._have_told(entry.seq)
        self._looked = upto
        if upto == head and entries and "advice" in self._receiver.about:
            await self._tell_advice(head)

    def _entries(self, cursor: int, head: int) -> list[JournalEntry]:
        """The next entries that may concern it."""
        found: list[JournalEntry] = []
        for entry in self._sources.entries.mentioning(cursor + 1, head, WORDS, KINDS):
            found.append(entry)
            if len(found) == BATCH:
                break
        return found

    def _messages(self, entry: JournalEntry) -> list[Message]:
        """What an entry gives reason to tell."""
        records = [each.record for each in entry.commands if isinstance(each, StoreRecord)]
        wanted = [(n, each) for n, each in enumerate(records, 1) if self._is_asked_for(each)]
        known = self._doubt_at(entry) if wanted else []
        messages = [self._kept(entry, number, record, known) for number, record in wanted]
        if "verdicts" in self._receiver.about:
            marks = [each.suspicion for each in entry.commands if isinstance(each, MarkSuspect)]
            messages += [self._suspect(entry, mark) for mark in marks]
        return messages

    def _is_asked_for(self, record: Record) -> bool:
        return ("checks" if is_check(record) else "verdicts") in self._receiver.about

    def _kept(
        self, entry: JournalEntry, number: int, record: Record, known: list[Suspicion]
    ) -> Message:
        suspect = [each.number for each in suspect_values(record, known)]
        return Message(
            name=f"{self._cell}-{entry.seq}-{number}",
            kind="check.kept" if is_check(record) else "record.kept",
            at_ms=entry.at_ms,
            data=line_of(record, seq=entry.seq, suspect=suspect).model_dump(),
        )

    def _suspect(self, entry: JournalEntry, mark: Suspicion) -> Message:
        return Message(
            name=f"{self._cell}-{entry.seq}-suspect",
            kind="values.suspect",
            at_ms=entry.at_ms,
            data=suspicion_view(entry.seq, mark).model_dump(),
        )

    def _doubt_at(self, entry: JournalEntry) -> list[Suspicion]:
        """What was in doubt when an entry was made, so that a repetition says the same."""
        known = self._sources.records.suspicions()
        return [each.suspicion for each in known if each.seq <= entry.seq]

    async def _tell_advice(self, head: int) -> None:
        """Advice in force that this process has not told it of; what a process before told is repeated once, under the same id."""
        standing: Standing = standing_of(self._sources)
        found = await run_in_threadpool(all_advice, self._sources, standing)
        offered = {each.advice: each for each in found if each.state == "offered"}
        known = self._advised or set()
        for name in sorted(offered.keys() - known):
            message = Message(
                name=f"{self._cell}-advice-{hashlib.sha256(name.encode()).hexdigest()[:32]}",
                kind="advice.offered",
                at_ms=self._sources.lookout.head().at_ms,
                data=advice_view(offered[name]).model_dump(),
            )
            await self._until_taken(message)
        self._advised = set(offered)
        if offered.keys() - known:
            await self._have_told(head)

    async def _until_taken(self, message: Message) -> None:
        """Post until it is taken, with pauses that double up to five minutes."""
        body, pause_s = message.body(self._cell), PAUSE_S_MIN
        while True:
            timestamp = int(self._wall())
            headers = {
                "Content-Type": "application/json",
                "User-Agent": f"pointsman/{self._sources.version}",
                "webhook-id": message.name,
                "webhook-timestamp": str(timestamp),
                "webhook-signature": signature(self._receiver.key, message.name, timestamp, body),
            }
            why = await run_in_threadpool(self._send, self._receiver.url, body, headers)
            self._note(why)
            if not why:
                return
            await self._pause(pause_s)
            pause_s = min(2 * pause_s, PAUSE_S_MAX)

    async def _have_told(self, seq: int) -> None:
        await tell(self._sources, MessagesDelivered(receiver=self._receiver.receiver, seq=seq))

    def _note(self, why: str) -> None:
        """Remember and log when it begins and ends to take nothing; not every try."""
        name = self._receiver.receiver
        if why and self._failing_since_ms is None:
            self._failing_since_ms = self._sources.clock.now_ms()
            _log.warning("receiver %s takes no messages: %s", name, why)
        elif not why and self._failing_since_ms is not None:
            self._failing_since_ms = None
            _log.warning("receiver %s takes messages again", name)
        self._why = why

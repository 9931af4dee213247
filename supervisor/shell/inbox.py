"""The one inbox (S1).

Rules of this file:
- Adapters only put; the runtime alone takes. Both happen on the event loop's thread.
- What is available is taken in the fixed order of S9. Facts of one source keep their order among themselves: where a later fact
  of a source comes early, its earlier ones come with it, so that an old image never overtakes the loss that followed it.
- The inbox is bounded (S11). When it is full, images that a newer image of the same source has replaced make room (S7). An
  image with the link down stays: it says that given goals were forgotten. What still does not fit is refused and counted.
"""

import asyncio
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Literal

from supervisor.cell.value import value
from supervisor.core.events import (
    AdviceDeclined,
    AgreementSettled,
    CellOrdered,
    Event,
    GaugeStudyOrdered,
    GaugeStudyStopped,
    HandlerObserved,
    HistoryLost,
    HoldReleased,
    MessagesDelivered,
    OrderAnswered,
    PlacesObserved,
    ProcessCorrected,
    RecordAmended,
    RecordSigned,
    ReservationAsked,
    ReservationClosed,
    ResultArrived,
    StationObserved,
    SupervisorStarted,
    TagRead,
    TimerFired,
)

INBOX_LIMIT = 1_000
BATCH_LIMIT = 256

Put = Literal["taken", "full", "closed"]

LOSS_OR_STOP, OBSERVATION, RESULT, ARRIVAL, TIMER = range(5)


class InboxClosed(Exception):  # noqa: N818 - it says what happened
    """The runtime has stopped; nothing put in will be decided."""


@value
class Fact:
    """A fact waiting to be taken. ``settled`` gets its sequence number once it is durable."""

    source: str
    event: Event
    settled: asyncio.Future[int] | None


@value
class Overflow:
    """What the bound of the inbox has cost since the start: images replaced by newer ones, and facts refused."""

    replaced: int
    refused: int


def rank(event: Event) -> int:
    """The place of a kind of fact in the fixed order (S9)."""
    match event:
        case SupervisorStarted() | HistoryLost():
            return LOSS_OR_STOP
        case StationObserved() | HandlerObserved() | PlacesObserved():
            return LOSS_OR_STOP if event.link == "down" else OBSERVATION
        case OrderAnswered():
            return OBSERVATION
        case ResultArrived():
            return RESULT
        case CellOrdered():
            return LOSS_OR_STOP if event.want == "pause" else ARRIVAL
        case (
            TagRead()
            | HoldReleased()
            | AgreementSettled()
            | RecordAmended()
            | RecordSigned()
            | ProcessCorrected()
            | AdviceDeclined()
            | GaugeStudyOrdered()
            | GaugeStudyStopped()
            | ReservationAsked()
            | ReservationClosed()
            | MessagesDelivered()
        ):
            return ARRIVAL
        case TimerFired():
            return TIMER


def in_order(facts: Sequence[Fact]) -> list[Fact]:
    """Facts in the fixed order of kinds; those of one source stay in the order of their arrival."""
    ranked: list[tuple[int, Fact]] = []
    earliest: dict[str, int] = {}
    for fact in reversed(facts):
        place = min(rank(fact.event), earliest.get(fact.source, TIMER))
        earliest[fact.source] = place
        ranked.append((place, fact))
    ranked.reverse()
    ranked.sort(key=lambda pair: pair[0])
    return [fact for _, fact in ranked]


def _image(fact: Fact) -> tuple[str, str] | None:
    """What a whole image is of; None for a fact that no later one replaces."""
    event = fact.event
    if isinstance(event, StationObserved | HandlerObserved | PlacesObserved) and event.link == "up":
        return fact.source, type(event).__name__
    return None


def without_replaced(facts: Sequence[Fact]) -> list[Fact]:
    """Facts without the images that a later image of the same source replaces."""
    newest = {_image(fact): index for index, fact in enumerate(facts)}
    return [
        fact
        for index, fact in enumerate(facts)
        if (image := _image(fact)) is None or newest[image] == index or fact.settled is not None
    ]


def refuse(facts: Sequence[Fact], why: str) -> None:
    """Tell those who still wait for one of these facts that it will not be decided."""
    for fact in facts:
        if fact.settled is not None and not fact.settled.done():
            fact.settled.set_exception(InboxClosed(why))


class Inbox:
    """A bounded queue of facts with one taker."""

    def __init__(self, *, limit: int = INBOX_LIMIT) -> None:
        """Hold at most ``limit`` facts."""
        self._limit = limit
        self._waiting: list[Fact] = []
        self._filled = asyncio.Event()
        self._closed = ""
        self._replaced = 0
        self._refused = 0

    def put(self, event: Event, *, source: str, settled: asyncio.Future[int] | None = None) -> Put:
        """Enqueue a fact; says when it was not taken."""
        if self._closed:
            return "closed"
        if len(self._waiting) >= self._limit and self._make_room() == 0:
            self._refused += 1
            return "full"
        self._waiting.append(Fact(source=source, event=event, settled=settled))
        self._filled.set()
        return "taken"

    def emitter(self, source: str) -> Callable[[Event], None]:
        """The ``emit`` of one adapter; a fact that does not fit is counted as overflow."""

        def emit(event: Event) -> None:
            self.put(event, source=source)

        return emit

    async def wait(self, limit_s: float) -> None:
        """Wait until there is a fact, or until the limit in seconds."""
        with suppress(TimeoutError):
            async with asyncio.timeout(limit_s):
                await self._filled.wait()

    async def take(self, limit: int = BATCH_LIMIT) -> list[Fact]:
        """Wait until there is a fact, then take at most ``limit`` of those available in the fixed order."""
        await self._filled.wait()
        if len(self._waiting) == 1:
            taken, self._waiting = self._waiting, []
        else:
            ordered = in_order(self._waiting)
            taken, rest = ordered[:limit], ordered[limit:]
            self._waiting = rest
        if not self._waiting:
            self._filled.clear()
        return taken

    def close(self, why: str) -> None:
        """Refuse everything from now on, and tell those who wait for a fact to be settled."""
        self._closed = why
        refuse(self._waiting, why)
        self._waiting = []
        self._filled.clear()

    def overflow(self) -> Overflow:
        """What the bound has cost so far."""
        return Overflow(replaced=self._replaced, refused=self._refused)

    def __len__(self) -> int:
        """How many facts wait."""
        return len(self._waiting)

    def _make_room(self) -> int:
        before = len(self._waiting)
        self._waiting = without_replaced(self._waiting)
        freed = before - len(self._waiting)
        self._replaced += freed
        return freed

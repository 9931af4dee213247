"""What may be seen from outside: the newest durable state, and the tails of the journal and of routing's choices.

Rules of this file:
- Only durable states come here; the runtime calls ``publish`` on the event loop's thread and readers are on the same thread.
- Nobody queues anything for a reader: each reader keeps the number of the last entry it has seen and asks for what came after.
- Tails are bounded (S11). Who needs older entries reads the journal; older choices are gone, because a choice is not journalled.
"""

import asyncio
import itertools
from collections import deque
from collections.abc import Callable, Sequence
from typing import Literal

from supervisor.cell.value import value
from supervisor.core.state import CellState, Figures
from supervisor.shell.ports import Choice, Head, JournalEntry, Published

ENTRIES_MAX = 2_000
CHOICES_MAX = 500


@value
class Beginning:
    """Where this process began to look: the time, and what each station had done by then."""

    at_ms: int
    figures: dict[str, Figures]


class Lookout:
    """The publisher that the interface reads."""

    def __init__(self) -> None:
        self._published: Published[CellState] | None = None
        self._beginning: Beginning | None = None
        self._entries: deque[JournalEntry] = deque(maxlen=ENTRIES_MAX)
        self._choices: deque[Choice] = deque(maxlen=CHOICES_MAX)
        self._changed = asyncio.Event()
        self._watch: Literal["open", "closed"] = "open"
        self._followers: list[Callable[[CellState, int], None]] = []

    def follow(self, take: Callable[[CellState, int], None]) -> None:
        """Have every durable state told from now on, the present one at once, each with the time of its entry."""
        self._followers.append(take)
        if self._published is not None:
            take(self._published.state, self._published.head.at_ms)

    def publish(self, published: Published[CellState]) -> None:
        """Take a durable state and wake who waits for one."""
        if self._beginning is None:
            figures = {name: state.figures for name, state in published.state.stations.items()}
            self._beginning = Beginning(at_ms=published.head.at_ms, figures=figures)
        self._published = published
        self._entries.extend(published.entries)
        self._choices.extend(published.choices)
        for take in self._followers:
            take(published.state, published.head.at_ms)
        self._wake()

    def close(self) -> None:
        """The process ends: who waits is woken and should go."""
        self._watch = "closed"
        self._wake()

    @property
    def watch(self) -> Literal["open", "closed"]:
        """Whether there is still something to wait for."""
        return self._watch

    @property
    def published(self) -> Published[CellState] | None:
        """The newest durable state; None before the first."""
        return self._published

    @property
    def beginning(self) -> Beginning | None:
        """Where this process began to look; None before the first state."""
        return self._beginning

    def head(self) -> Head:
        """The journal's end as published; number 0 before the first state."""
        if self._published is None:
            return Head(seq=0, at_ms=0, digest="")
        return self._published.head

    def choices(self) -> Sequence[Choice]:
        """The recent choices of routing, oldest first."""
        return tuple(self._choices)

    def entries_after(self, seq: int) -> Sequence[JournalEntry] | None:
        """The entries after a number, oldest first; None when the tail does not reach back so far."""
        if seq >= self.head().seq:
            return ()
        if not self._entries or self._entries[0].seq > seq + 1:
            return None
        newest_first = itertools.takewhile(lambda entry: entry.seq > seq, reversed(self._entries))
        return tuple(newest_first)[::-1]

    async def wait_after(self, seq: int, limit_s: float) -> None:
        """Wait until there is an entry after a number, until the process ends, or until the limit."""
        if self.head().seq > seq or self._watch == "closed":
            return
        try:
            async with asyncio.timeout(limit_s):
                await self._changed.wait()
        except TimeoutError:
            return

    def _wake(self) -> None:
        self._changed.set()
        self._changed = asyncio.Event()

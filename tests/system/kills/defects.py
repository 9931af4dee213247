"""Defects of the step, to see that a sweep finds them. Each breaks the order of S2 in one way.

Rules of this file: like the deaths, they are wired around the production ports by ``tests.system.kills.service`` only.
"""

import asyncio
from collections.abc import Callable, Sequence
from typing import Any

from supervisor.cell.value import replace
from supervisor.core.commands import Goal
from supervisor.shell.ports import Head, Journal, JournalEntry

BATCHES_BEHIND = 6
"""About as much as happens in the time that a station needs for an order."""


class DurableLater:
    """A journal that returns from an append some batches before the entries are durable."""

    def __init__(self, journal: Journal) -> None:
        self._journal = journal
        self._behind: list[Sequence[JournalEntry]] = []
        self.read = journal.read
        self.head = journal.head

    def append(self, entries: Sequence[JournalEntry]) -> Head:
        """See ``Journal``, and do otherwise."""
        self._behind.append(entries)
        if len(self._behind) > BATCHES_BEHIND:
            self._journal.append(self._behind.pop(0))
        return Head(seq=entries[-1].seq, at_ms=entries[-1].at_ms, digest="")


class SentFirst:
    """Journal and outbox that send what an entry commands before the entry is durable."""

    def __init__(self, journal: Journal, outbox: Any) -> None:
        self._journal = journal
        self._outbox = outbox
        self._loop = asyncio.get_running_loop()
        self.read = journal.read
        self.head = journal.head
        self.address = outbox.address

    def append(self, entries: Sequence[JournalEntry]) -> Head:
        """See ``Journal``, and do otherwise."""
        for entry in entries:
            for command in entry.commands:
                if isinstance(command, Goal):
                    self._loop.call_soon_threadsafe(self._outbox.give, command)
        return self._journal.append(entries)

    def give(self, goal: Goal) -> None:
        """It has gone out already."""


def durable_later(wiring):
    """Wire the journal that is not durable in time."""
    return replace(wiring, journal=DurableLater(wiring.journal))


def sent_first(wiring):
    """Wire the outbox that does not wait for the journal."""
    both = SentFirst(wiring.journal, wiring.outbox)
    return replace(wiring, journal=both, outbox=both)


DEFECTS: dict[str, Callable] = {
    "none": lambda wiring: wiring,
    "durable later": durable_later,
    "sent first": sent_first,
}

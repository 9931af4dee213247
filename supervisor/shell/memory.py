"""A journal that lives as long as its process: for virtual time and for tests.

Rules of this file: the same promises as the durable journal, except surviving the process.
"""

from collections.abc import Iterator, Sequence
from typing import Generic

from supervisor.shell.ports import Head, JournalEntry, S, Snapshot


class MemoryJournal:
    """Entries in a list. There is no hash chain: the head's digest is empty."""

    def __init__(self) -> None:
        self.entries: list[JournalEntry] = []

    def append(self, entries: Sequence[JournalEntry]) -> Head:
        """Keep entries."""
        self.entries.extend(entries)
        return self.head()

    def read(self, from_seq: int) -> Iterator[JournalEntry]:
        """The entries from a sequence number on."""
        yield from self.entries[from_seq - 1 :]

    def head(self) -> Head:
        """The end of the journal."""
        if not self.entries:
            return Head(seq=0, at_ms=0, digest="")
        return Head(seq=self.entries[-1].seq, at_ms=self.entries[-1].at_ms, digest="")


class MemorySnapshots(Generic[S]):
    """The newest snapshot."""

    def __init__(self) -> None:
        self._newest: Snapshot[S] | None = None

    def latest(self) -> Snapshot[S] | None:
        """The newest snapshot."""
        return self._newest

    def keep(self, snapshot: Snapshot[S]) -> None:
        """Keep it in place of the one before."""
        self._newest = snapshot

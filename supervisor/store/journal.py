"""The journal in the database.

Rules of this file:
- ``append`` returns when the entries and their records are committed together, or raises and it is not known that they are.
- The hot path is one prepared statement on the driver's cursor; SQLAlchemy serves the rest.
- After a refusal it is not known whether the commit happened: the next append looks for the entries first, and does nothing twice.
- The head in ``meta`` follows every ``HEAD_EVERY`` entries and at the end: moving it each time would double what a commit writes.
"""

from collections.abc import Iterator, Sequence
from contextlib import suppress
from typing import Any, Literal

from sqlalchemy import Connection, TextClause, or_, select, text, update

from supervisor.cell.value import value
from supervisor.core.commands import MarkSuspect, StoreRecord
from supervisor.core.events import Event, HistoryLost
from supervisor.shell.ports import Head, JournalEntry
from supervisor.store.chain import ROOT, Known, Row, head_of, link, next_row
from supervisor.store.codec import decode_entry
from supervisor.store.errors import StoreError, StoreRefused
from supervisor.store.head_file import HeadFile
from supervisor.store.lease import fence_lost
from supervisor.store.reader import Reader
from supervisor.store.records import PAPERS, drop_records_behind, keep_paper, keep_record
from supervisor.store.schema import JOURNAL, META
from supervisor.store.suspicions import keep_suspicion
from supervisor.store.writer import Writer

PAGE = 2_000
STRETCH = 20_000
"""Entries looked through at once."""
HEAD_EVERY = 1_000
ACCOMPANIED = (HistoryLost, *PAPERS)
"""Facts whose entries are more than their own row."""

Standing = Literal["driving", "ended"]

_ROWS = text(
    "SELECT seq, at_ms, schema, kind, body, prev, hash FROM journal WHERE seq >= :from_seq ORDER BY seq LIMIT :page"
)
_OF_KIND = text(
    "SELECT seq, at_ms, schema, kind, body FROM journal WHERE kind = :kind ORDER BY seq LIMIT :page"
)
_ENTRIES = text(
    "SELECT seq, at_ms, schema, kind, body FROM journal WHERE seq >= :from_seq ORDER BY seq LIMIT :page"
)

_TIME = text("SELECT at_ms FROM journal WHERE seq = :seq")


@value
class RecordedHead:
    """A head that the journal has reached. "ended": the last supervisor ended in order there, nothing follows."""

    known: Known
    standing: Standing


class JournalReader:
    """Reads a journal, also while it is written."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    def rows(self, from_seq: int) -> Iterator[Row]:
        """The rows as they are stored, from a sequence number on."""
        for row in self._pages(_ROWS, from_seq):
            yield Row(*row)

    def read(self, from_seq: int) -> Iterator[JournalEntry]:
        """The entries from a sequence number on.

        Raises:
            StoreError: "entry-unreadable" or "schema-unknown".
        """
        for row in self._pages(_ENTRIES, from_seq):
            yield decode_entry(*row)

    def seq_at(self, at_ms: int) -> int:
        """The number of the first entry at or after a time of the cell; one more than the last where there is none."""
        low, high = 1, self.tip().seq + 1
        with self._reader.asking() as connection:
            while low < high:  # times never fall, so halving finds it without an index
                middle = (low + high) // 2
                found = connection.execute(_TIME, {"seq": middle}).scalar_one()
                low, high = (middle + 1, high) if found < at_ms else (low, middle)
        return low

    def mentioning(
        self, from_seq: int, to_seq: int, words: Sequence[str], kinds: Sequence[str]
    ) -> Iterator[JournalEntry]:
        """The entries of a range, both ends included, whose text holds one of the words or that are of one of the kinds, in order.

        Raises:
            StoreError: "entry-unreadable" or "schema-unknown".
        """
        entry = select(
            JOURNAL.c.seq, JOURNAL.c.at_ms, JOURNAL.c.schema, JOURNAL.c.kind, JOURNAL.c.body
        )
        said = [JOURNAL.c.body.contains(word, autoescape=True) for word in words]
        wanted = entry.where(or_(*said, JOURNAL.c.kind.in_(kinds))).order_by(JOURNAL.c.seq)
        while from_seq <= to_seq:
            last = min(to_seq, from_seq + STRETCH - 1)
            with self._reader.asking() as connection:
                rows = connection.execute(wanted.where(JOURNAL.c.seq.between(from_seq, last))).all()
            for row in rows:
                yield decode_entry(*row)
            from_seq = last + 1

    def of_kind(self, kind: type[Event]) -> list[JournalEntry]:
        """The first entries of one kind that can be read, at most ``PAGE``. Looks through the whole table: for rare questions."""
        asked = {"kind": kind.__name__, "page": PAGE}
        with self._reader.asking() as connection:
            rows = connection.execute(_OF_KIND, asked).all()
        found: list[JournalEntry] = []
        for row in rows:
            with suppress(StoreError):  # a changed one explains nothing
                found.append(decode_entry(*row))
        return found

    def _pages(self, question: TextClause, from_seq: int) -> Iterator[tuple[Any, ...]]:
        """Rows page by page, each asked for anew, so that nothing is held for long. The driver's own rows: they cost a third."""
        while True:
            with self._reader.asking() as connection:
                found = connection.execute(question, {"from_seq": from_seq, "page": PAGE})
                assert found.cursor is not None, "a question has rows"
                page: Sequence[tuple[Any, ...]] = found.cursor.fetchall()
            yield from page
            if len(page) < PAGE:
                return
            from_seq = page[-1][0] + 1

    def tip(self) -> Row:
        """The last entry that is there."""
        with self._reader.asking() as connection:
            return last_entry(connection)

    def head(self) -> Head:
        """The end of the journal."""
        return head_of(self.tip())

    def recorded(self) -> RecordedHead:
        """The head in ``meta``."""
        with self._reader.asking() as connection:
            return recorded_head(connection)

    def hash_at(self, seq: int) -> bytes | None:
        """The hash of an entry; None if there is no such entry."""
        with self._reader.asking() as connection:
            return hash_at(connection, seq)


class SqlJournal(JournalReader):
    """Reads and writes a journal."""

    def __init__(
        self, reader: Reader, writer: Writer, *, fence: int, head_file: HeadFile | None
    ) -> None:
        """Continue behind the last entry; the caller has checked that nothing is missing."""
        super().__init__(reader)
        self._writer = writer
        self.fence = fence
        self._head_file = head_file
        self._tip = super().tip()
        self._doubtful = False

    def tip(self) -> Row:
        """The last entry that this writer made durable."""
        return self._tip

    def append(self, entries: Sequence[JournalEntry]) -> Head:
        """Make entries durable, all or nothing.

        Raises:
            StoreRefused: try again.
            StoreError: "fence-lost" (somebody else drives the cell), "entry-foreign", "record-differs", "value-not-finite".
        """
        try:
            if len(entries) == 1 and self._stands_alone(entries[0]):
                self._tip = self._append_alone(entries[0])
            else:
                self._tip = self._append_together(entries)
        except StoreRefused:
            self._doubtful = True
            raise
        if self._head_file is not None:
            self._head_file.note(self._tip)
        return head_of(self._tip)

    def end(self) -> None:
        """Note that this supervisor ended in order, and where; without a word if that is not possible any more."""
        if self._head_file is not None:
            self._head_file.flush()
        with suppress(StoreError):
            self._writer.run(lambda connection: self._move_head(connection, self._tip, "ended"))

    def _stands_alone(self, entry: JournalEntry) -> bool:
        """Whether the entry's row is all there is to write."""
        if self._doubtful or entry.seq % HEAD_EVERY == 0 or entry.event.__class__ in ACCOMPANIED:
            return False
        for command in entry.commands:  # noqa: SIM110 - the hot path: a generator costs more than the rest of this method
            if isinstance(command, StoreRecord | MarkSuspect):
                return False
        return True

    def _append_alone(self, entry: JournalEntry) -> Row:
        """One statement commits itself, which spares two more and, on a server, their round trips."""
        row = next_row(self._tip, entry)
        written = self._writer.run_one(self._writer.dialect.insert_entry, (*row, self.fence))
        self._check_fence(written, 1)
        return row

    def _append_together(self, entries: Sequence[JournalEntry]) -> Row:
        rows = link(self._tip, entries)
        tip = rows[-1]

        def work(connection: Connection) -> None:
            if self._doubtful and self._is_kept(connection, tip):
                return
            cursor = self._writer.cursor
            guarded = [(*row, self.fence) for row in rows]
            cursor.executemany(self._writer.dialect.insert_entry, guarded)
            self._check_fence(cursor.rowcount, len(rows))
            for entry in entries:
                _accompany(connection, entry)
            if tip.seq // HEAD_EVERY > self._tip.seq // HEAD_EVERY:
                self._move_head(connection, tip, "driving")

        self._writer.run(work)
        self._doubtful = False
        return tip

    def _move_head(self, connection: Connection, tip: Row, standing: Standing) -> None:
        ours = update(META).where(META.c.fence == self.fence)
        moved = connection.execute(
            ours.values(head_seq=tip.seq, head_hash=tip.hash, standing=standing)
        )
        self._check_fence(moved.rowcount, 1)

    def _is_kept(self, connection: Connection, tip: Row) -> bool:
        """Whether the commit of the refused try did happen."""
        fence = connection.execute(select(META.c.fence)).scalar_one()
        self._check_fence(1 if fence == self.fence else 0, 1)
        return hash_at(connection, tip.seq) == tip.hash

    def _check_fence(self, written: int, wanted: int) -> None:
        if written != wanted:
            raise fence_lost(self._writer.place, self.fence)


def _accompany(connection: Connection, entry: JournalEntry) -> None:
    """Write what follows from an entry besides its own row."""
    if isinstance(entry.event, HistoryLost):
        drop_records_behind(connection, entry.seq - 1)
    for command in entry.commands:
        if isinstance(command, StoreRecord):
            keep_record(connection, entry.seq, command.record)
        elif isinstance(command, MarkSuspect):
            keep_suspicion(connection, entry.seq, command.suspicion)
    keep_paper(connection, entry)


def hash_at(connection: Connection, seq: int) -> bytes | None:
    """The hash of an entry; None if there is no such entry."""
    return connection.execute(select(JOURNAL.c.hash).where(JOURNAL.c.seq == seq)).scalar()


def last_entry(connection: Connection) -> Row:
    """The last row of the table, or the root."""
    found = connection.execute(select(JOURNAL).order_by(JOURNAL.c.seq.desc()).limit(1)).first()
    return Row(*found) if found else ROOT


def recorded_head(connection: Connection) -> RecordedHead:
    """The head in ``meta``."""
    row = connection.execute(select(META.c.head_seq, META.c.head_hash, META.c.standing)).one()
    known = Known(seq=row.head_seq, hash=row.head_hash, where="the table meta")
    return RecordedHead(known=known, standing=row.standing)

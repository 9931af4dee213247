"""The journal in the database.

Rules of this file:
- ``append`` returns when the entries, their records and the new head are committed together, or raises and nothing is known to be.
- The hot path is prepared statements on the driver's cursor; SQLAlchemy serves the rest.
- After a refusal it is not known whether the commit happened: the next append looks at the head first, and does nothing twice.
"""

from collections.abc import Iterator, Sequence

from sqlalchemy import Connection, select

from supervisor.core.commands import StoreRecord
from supervisor.shell.ports import Head, JournalEntry
from supervisor.store.chain import ROOT, Known, Row, Tip, link
from supervisor.store.codec import decode_entry
from supervisor.store.errors import StoreError, StoreRefused
from supervisor.store.head_file import HeadFile
from supervisor.store.reader import Reader
from supervisor.store.records import keep_record
from supervisor.store.schema import JOURNAL, META
from supervisor.store.writer import Writer

PAGE = 2_000

_COLUMNS = select(JOURNAL).order_by(JOURNAL.c.seq).limit(PAGE)


class JournalReader:
    """Reads a journal, also while it is written."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    def rows(self, from_seq: int) -> Iterator[Row]:
        """The rows as they are stored, from a sequence number on, in pages of their own so that nothing is held for long."""
        while True:
            with self._reader.asking() as connection:
                found = connection.execute(_COLUMNS.where(JOURNAL.c.seq >= from_seq))
                page = [Row(*row) for row in found]
            yield from page
            if len(page) < PAGE:
                return
            from_seq = page[-1].seq + 1

    def read(self, from_seq: int) -> Iterator[JournalEntry]:
        """The entries from a sequence number on.

        Raises:
            StoreError: "entry-unreadable" or "schema-unknown".
        """
        for row in self.rows(from_seq):
            yield decode_entry(row.seq, row.at_ms, row.schema, row.kind, row.body)

    def tip(self) -> Tip:
        """The last entry that is there."""
        with self._reader.asking() as connection:
            return last_entry(connection)

    def head(self) -> Head:
        """The end of the journal."""
        return self.tip().head()

    def recorded(self) -> Known:
        """The head as the last commit left it in ``meta``."""
        with self._reader.asking() as connection:
            return recorded_head(connection)

    def hash_at(self, seq: int) -> bytes | None:
        """The hash of an entry; None if there is no such entry."""
        with self._reader.asking() as connection:
            return connection.execute(select(JOURNAL.c.hash).where(JOURNAL.c.seq == seq)).scalar()


class SqlJournal(JournalReader):
    """Reads and writes a journal."""

    def __init__(
        self, reader: Reader, writer: Writer, *, fence: int, head_file: HeadFile | None
    ) -> None:
        """Continue behind the last entry; the caller has checked that nothing is missing."""
        super().__init__(reader)
        self._writer = writer
        self._fence = fence
        self._head_file = head_file
        self._tip = super().tip()
        self._doubtful = False

    def tip(self) -> Tip:
        """The last entry that this writer made durable."""
        return self._tip

    def append(self, entries: Sequence[JournalEntry]) -> Head:
        """Make entries durable, all or nothing.

        Raises:
            StoreRefused: try again.
            StoreError: "fence-lost" (somebody else drives the cell), "entry-foreign", "record-differs", "value-not-finite".
        """
        rows, tip = link(self._tip, entries)
        records = [
            (entry.seq, command.record)
            for entry in entries
            for command in entry.commands
            if isinstance(command, StoreRecord)
        ]

        def work(connection: Connection) -> None:
            if self._doubtful and self._is_kept(connection, tip):
                return
            self._write(rows, tip)
            for seq, record in records:
                keep_record(connection, seq, record)

        try:
            self._writer.run(work)
        except StoreRefused:
            self._doubtful = True
            raise
        self._doubtful = False
        self._tip = tip
        if self._head_file is not None:
            self._head_file.note(tip)
        return tip.head()

    def _write(self, rows: list[Row], tip: Tip) -> None:
        cursor, dialect = self._writer.cursor, self._writer.dialect
        cursor.execute(dialect.move_head, (tip.seq, tip.hash, self._fence))
        if cursor.rowcount != 1:
            raise self._fence_lost()
        if len(rows) == 1:
            cursor.execute(dialect.insert_entry, rows[0])
        else:
            cursor.executemany(dialect.insert_entry, rows)

    def _is_kept(self, connection: Connection, tip: Tip) -> bool:
        """Whether the commit of the refused try did happen."""
        row = connection.execute(select(META.c.fence, META.c.head_hash)).one()
        if row.fence != self._fence:
            raise self._fence_lost()
        return row.head_hash == tip.hash

    def _fence_lost(self) -> StoreError:
        return StoreError(
            "fence-lost",
            f"{self._writer.place} was taken by another supervisor after fence {self._fence}",
            "This one must end; the other one drives the cell",
        )


def last_entry(connection: Connection) -> Tip:
    """The last entry of the table."""
    columns = select(JOURNAL.c.seq, JOURNAL.c.at_ms, JOURNAL.c.hash)
    row = connection.execute(columns.order_by(JOURNAL.c.seq.desc()).limit(1)).first()
    return Tip(seq=row.seq, at_ms=row.at_ms, hash=row.hash) if row else ROOT


def recorded_head(connection: Connection) -> Known:
    """The head in ``meta``."""
    row = connection.execute(select(META.c.head_seq, META.c.head_hash)).one()
    return Known(seq=row.head_seq, hash=row.head_hash, where="the table meta")

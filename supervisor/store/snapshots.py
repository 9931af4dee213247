"""States kept so that a restart folds only the journal's last entries.

Rules of this file:
- A snapshot is used only if it fits in every way: its state has the shape that this version knows, its text is unchanged, and the
  entry it follows is the one in this journal. Otherwise an older one is tried, or none: that costs time, never correctness.
- The newest ``KEPT`` stay.
"""

import hashlib
from typing import Any, Generic

from sqlalchemy import Connection, Row, delete, insert, select

from supervisor.shell.ports import S, Snapshot
from supervisor.store.reader import Reader
from supervisor.store.schema import JOURNAL, SNAPSHOT
from supervisor.store.shape import Shape
from supervisor.store.writer import Writer

KEPT = 3


class SqlSnapshots(Generic[S]):
    """Snapshots of states of one class."""

    def __init__(self, reader: Reader, writer: Writer, state: type[S]) -> None:
        self._reader = reader
        self._writer = writer
        self._shape = Shape(state)

    def latest(self) -> Snapshot[S] | None:
        """The newest one that fits."""
        table = SNAPSHOT.join(
            JOURNAL,
            (JOURNAL.c.seq == SNAPSHOT.c.seq) & (JOURNAL.c.hash == SNAPSHOT.c.entry_hash),
        )
        question = (
            select(SNAPSHOT)
            .select_from(table)
            .where(SNAPSHOT.c.shape == self._shape.fingerprint)
            .order_by(SNAPSHOT.c.seq.desc())
        )
        with self._reader.asking() as connection:
            rows = connection.execute(question).all()
        whole = (row for row in rows if _body_hash(row.body) == row.body_hash)
        return next((self._snapshot(row) for row in whole), None)

    def keep(self, snapshot: Snapshot[S]) -> None:
        """Keep one; its entry must be in the journal.

        Raises:
            StoreRefused: it was not kept.
        """
        body = self._shape.encode(snapshot.state)

        def work(connection: Connection) -> None:
            at = select(JOURNAL.c.hash).where(JOURNAL.c.seq == snapshot.seq)
            entry_hash = connection.execute(at).scalar_one()
            connection.execute(delete(SNAPSHOT).where(SNAPSHOT.c.seq == snapshot.seq))
            connection.execute(
                insert(SNAPSHOT).values(
                    seq=snapshot.seq,
                    at_ms=snapshot.at_ms,
                    declaration=snapshot.declaration,
                    shape=self._shape.fingerprint,
                    entry_hash=entry_hash,
                    body=body,
                    body_hash=_body_hash(body),
                )
            )
            newest = select(SNAPSHOT.c.seq).order_by(SNAPSHOT.c.seq.desc()).limit(KEPT)
            kept = connection.execute(newest).scalars().all()
            connection.execute(delete(SNAPSHOT).where(SNAPSHOT.c.seq < kept[-1]))

        self._writer.run(work)

    def _snapshot(self, row: Row[Any]) -> Snapshot[S]:
        return Snapshot(
            seq=row.seq,
            at_ms=row.at_ms,
            declaration=row.declaration,
            state=self._shape.decode(row.body),
        )


def _body_hash(body: str) -> bytes:
    return hashlib.sha256(body.encode()).digest()

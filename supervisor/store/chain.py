"""The hash chain over the journal.

Rules of this file:
- The hash of an entry is SHA-256 over the hash before it, its number, time, schema and kind, and its body as stored, byte for byte.
  The first entry follows 32 zero bytes.
- A chain shows every changed, removed, added or swapped entry, but not a tail that was cut off, nor one that somebody replaced
  together with every hash. The end is therefore compared with heads kept elsewhere: in ``meta`` and in the head file.
"""

from collections.abc import Iterable, Iterator, Sequence
from hashlib import sha256
from typing import NamedTuple

from supervisor.cell.value import value
from supervisor.shell.ports import Head, JournalEntry
from supervisor.store.codec import encode_body

ORIGIN = bytes(32)


class Row(NamedTuple):
    """One row of the journal table, in the order of its columns."""

    seq: int
    at_ms: int
    schema: int
    kind: str
    body: str
    prev: bytes
    hash: bytes


ROOT = Row(seq=0, at_ms=0, schema=0, kind="", body="", prev=ORIGIN, hash=ORIGIN)
"""What the first entry follows."""


def head_of(row: Row) -> Head:
    """A row as the end of a journal, for people and interfaces."""
    return Head(seq=row.seq, at_ms=row.at_ms, digest=row.hash.hex())


@value
class Known:
    """A head that was kept elsewhere. ``where`` names the place for people."""

    seq: int
    hash: bytes
    where: str


@value
class Fault:
    """The first entry that is not as it was written, and what is wrong with it."""

    seq: int
    what: str


@value
class VerifyReport:
    """How many entries follow each other unbroken, the head they lead to, and the first fault (None = none)."""

    entries: int
    head: Head
    fault: Fault | None


def digest(prev: bytes, seq: int, at_ms: int, schema: int, kind: str, body: str) -> bytes:
    """The hash of an entry."""
    return sha256(prev + f"{seq}\n{at_ms}\n{schema}\n{kind}\n{body}".encode()).digest()


def next_row(tip: Row, entry: JournalEntry) -> Row:
    """The row that continues a chain behind its last row."""
    seq, at_ms, schema = entry.seq, entry.at_ms, entry.schema
    assert seq == tip.seq + 1, f"entry {seq} cannot follow entry {tip.seq}"
    kind = entry.event.__class__.__name__
    body = encode_body(entry)
    own = digest(tip.hash, seq, at_ms, schema, kind, body)
    return Row(seq, at_ms, schema, kind, body, tip.hash, own)


def link(tip: Row, entries: Sequence[JournalEntry]) -> list[Row]:
    """Rows that continue a chain behind its last row. The entries must count on from it."""
    rows: list[Row] = []
    for entry in entries:
        tip = next_row(tip, entry)
        rows.append(tip)
    return rows


class Follower:
    """Follows a whole chain from its first entry while somebody else uses its rows."""

    def __init__(self, known: Sequence[Known] = ()) -> None:
        """``known`` are heads kept elsewhere that the chain has to pass."""
        self._known = known
        self._passed: dict[int, bytes] = {}
        self._tip = ROOT
        self._fault: Fault | None = None

    def passing(self, rows: Iterable[Row]) -> Iterator[Row]:
        """The rows up to the first that does not follow."""
        watched = {head.seq for head in self._known}
        for row in rows:
            self._fault = _row_fault(self._tip, row)
            if self._fault is not None:
                return
            self._tip = row
            if row.seq in watched:
                self._passed[row.seq] = row.hash
            yield row

    def report(self) -> VerifyReport:
        """What was found, once the rows have passed."""
        return VerifyReport(
            entries=self._tip.seq,
            head=head_of(self._tip),
            fault=min(self._faults(), key=lambda fault: fault.seq, default=None),
        )

    def _faults(self) -> Iterator[Fault]:
        """What the rows show themselves, then what the heads show: entries that were made well are found by a head alone."""
        if self._fault is not None:
            yield self._fault
        for head in self._known:
            fault = head_fault(self._tip, head, self._passed.get(head.seq))
            if fault is not None:
                yield fault


def verify(rows: Iterable[Row], known: Sequence[Known] = ()) -> VerifyReport:
    """Follow a whole chain from its first entry and compare it with the heads kept elsewhere."""
    follower = Follower(known)
    for _ in follower.passing(rows):
        pass
    return follower.report()


def _row_fault(tip: Row, row: Row) -> Fault | None:
    if row.seq != tip.seq + 1:
        return Fault(seq=tip.seq + 1, what=f"the entry is missing; entry {row.seq} comes next")
    if digest(row.prev, row.seq, row.at_ms, row.schema, row.kind, row.body) != row.hash:
        return Fault(seq=row.seq, what="the entry was changed: its hash is not that of its content")
    if row.prev != tip.hash:
        return Fault(
            seq=row.seq,
            what=f"the entry does not follow entry {tip.seq}: one of the two was replaced",
        )
    return None


def head_fault(tip: Row, known: Known, found: bytes | None) -> Fault | None:
    """What is wrong with a chain that ends at ``tip``, whose entry ``known.seq`` has the hash ``found``."""
    if known.seq > tip.seq:
        return Fault(
            seq=tip.seq + 1,
            what=f"the journal ends at entry {tip.seq}, but {known.where} knows entry {known.seq}: its end was cut off",
        )
    if known.seq > 0 and found != known.hash:
        return Fault(
            seq=known.seq,
            what=f"the entry is not the one that {known.where} knows: history was replaced",
        )
    return None

"""Whether a store still holds what was written.

Rules of this file:
- First the chain, then its end against the heads kept elsewhere, then every record against the entry that commanded it, then
  every cell declaration against its digest.
- A head that somebody kept is never excused, also where a ``HistoryLost`` explains why the journal lacks it: the explanation is told.
- It may run while the journal is written: what was appended meanwhile is checked as far as it was seen.
- Findings are not checked: they repeat records for questions, and nothing is decided from them.
"""

import hashlib
from collections.abc import Iterator, Mapping, Sequence

import msgspec

from supervisor.cell.value import replace, value
from supervisor.core.events import HistoryLost, RecordSigned, SupervisorStarted
from supervisor.store.chain import Fault, Known, Row, VerifyReport, head_fault, verify
from supervisor.store.codec import decode_entry, record_texts
from supervisor.store.declarations import Declarations, fits
from supervisor.store.errors import StoreError
from supervisor.store.head_file import HeadFile
from supervisor.store.journal import JournalReader, RecordedHead
from supervisor.store.records import Records

REMEDY = (
    "`pointsman verify` shows more. Restore a backup; or go on with what is there: "
    "`pointsman accept` journals who decided so and why"
)


@value
class EndFault:
    """What is wrong with the end of a journal, and its code for programs."""

    code: str
    fault: Fault


def verify_store(
    journal: JournalReader,
    records: Records,
    declarations: Declarations,
    *,
    head_file: HeadFile | None,
    heads: Sequence[Known] = (),
) -> VerifyReport:
    """Verify everything, also against ``heads`` that somebody kept; the first fault wins."""
    commanded: dict[bytes, int] = {}
    signed: list[tuple[int, str]] = []
    known = [*known_heads(journal, head_file), *heads]
    report = verify(_noting(journal.rows(1), commanded, signed), known)
    if report.fault is not None:
        return replace(report, fault=_explained(journal, report.fault))
    fault = (
        added_fault(journal.recorded(), report.head.seq)
        or _signature_fault(signed, commanded)
        or _record_fault(records, commanded)
        or _declaration_fault(journal, declarations)
    )
    return replace(report, fault=fault)


def known_heads(journal: JournalReader, head_file: HeadFile | None) -> list[Known]:
    """The heads kept outside the journal."""
    noted = head_file.known() if head_file is not None else None
    return [journal.recorded().known, *([noted] if noted is not None else [])]


def check_end(
    journal: JournalReader, head_file: HeadFile | None, heads: Sequence[Known] = ()
) -> None:
    """Refuse a journal that ends otherwise than the heads kept elsewhere say. Quick, whatever its length.

    Raises:
        StoreError: "journal-cut" or "journal-changed".
    """
    for wrong in end_faults(journal, [*known_heads(journal, head_file), *heads]):
        fault = _explained(journal, wrong.fault)
        raise StoreError(wrong.code, f"journal entry {fault.seq}: {fault.what}", REMEDY)


def end_faults(journal: JournalReader, heads: Sequence[Known]) -> list[EndFault]:
    """Everything that is wrong with the end of a journal."""
    tip = journal.tip()
    found: list[EndFault] = []
    for known in heads:
        fault = head_fault(tip, known, journal.hash_at(known.seq))
        if fault is not None:
            code = "journal-cut" if known.seq > tip.seq else "journal-changed"
            found.append(EndFault(code=code, fault=fault))
    added = added_fault(journal.recorded(), tip.seq)
    return [*found, *([EndFault(code="journal-changed", fault=added)] if added else [])]


def _explained(journal: JournalReader, fault: Fault) -> Fault:
    """A fault, with what the journal itself says of the loss behind it."""
    for entry in journal.of_kind(HistoryLost):
        lost = entry.event
        assert isinstance(lost, HistoryLost)
        if lost.lost_from <= fault.seq <= max(lost.lost_to, entry.seq):
            said = f"entry {entry.seq} says that {lost.by} gave history up from entry {lost.lost_from} on: {lost.why}"
            return replace(fault, what=f"{fault.what}; {said}")
    return fault


def added_fault(recorded: RecordedHead, last_seq: int) -> Fault | None:
    """Entries behind an orderly end. Behind an end that was none, the last entries may rightly be newer than the recorded head."""
    if recorded.standing == "driving" or last_seq <= recorded.known.seq:
        return None
    what = f"the entry was added behind the head in {recorded.known.where}"
    return Fault(seq=recorded.known.seq + 1, what=what)


def _declaration_fault(journal: JournalReader, declarations: Declarations) -> Fault | None:
    """A declaration that is kept under a digest which an entry names, and has another content."""
    changed = {d for d in declarations.digests() if not fits(d, declarations.text(d))}
    if not changed:
        return None
    for entry in journal.of_kind(SupervisorStarted):
        if isinstance(entry.event, SupervisorStarted) and entry.event.declaration in changed:
            what = f"the cell declaration {entry.event.declaration}, which the entry names, was changed"
            return Fault(seq=entry.seq, what=what)
    return None


def _noting(
    rows: Iterator[Row], commanded: dict[bytes, int], signed: list[tuple[int, str]]
) -> Iterator[Row]:
    """Pass rows on and note the first entry that commanded each record, and the hash that each signature is bound to."""
    for row in rows:
        if row.kind == RecordSigned.__name__:
            signed += _signed_of(row)
        if '"StoreRecord"' in row.body:
            for body in _records_of(row):
                commanded.setdefault(_hash(body), row.seq)
        yield row


def _records_of(row: Row) -> list[str]:
    try:
        return record_texts(row.body)
    except msgspec.DecodeError:
        return []  # a changed entry; the chain says so in a moment


def _signed_of(row: Row) -> list[tuple[int, str]]:
    try:
        event = decode_entry(row.seq, row.at_ms, row.schema, row.kind, row.body).event
    except StoreError:
        return []  # as above
    return [(row.seq, event.record_sha256)] if isinstance(event, RecordSigned) else []


def _signature_fault(
    signed: Sequence[tuple[int, str]], commanded: Mapping[bytes, int]
) -> Fault | None:
    """A signature that is bound to no record that an entry kept."""
    kept = {digest.hex() for digest in commanded}
    for seq, record_sha256 in signed:
        if record_sha256 not in kept:
            return Fault(seq=seq, what="the signature is bound to a record that no entry kept")
    return None


def _record_fault(records: Records, commanded: dict[bytes, int]) -> Fault | None:
    for seq, serial, body in records.bodies():
        if commanded.pop(_hash(body), None) != seq:
            return Fault(seq=seq, what=f"the record of {serial} is not the one that the entry kept")
    for seq in sorted(commanded.values()):
        return Fault(seq=seq, what="the record that the entry kept is missing")
    return None


def _hash(body: str) -> bytes:
    return hashlib.sha256(body.encode()).digest()

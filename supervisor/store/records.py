"""Records of parts and questions about them.

Rules of this file:
- A record is kept in the transaction of the journal entry that commanded it, and names that entry.
- The identity of a record is serial number, part type, time of entry and revision. The same record again is kept once; another
  content under the same identity is a defect of ours and is refused.
- Findings repeat what the record says of each characteristic, for questions across parts: the deciding evidence. Monitors repeat the
  evidence of other stations. Papers are the entries that amended or signed a record; what they say stands in the journal.
"""

import hashlib
from collections.abc import Iterator, Sequence
from typing import Any, Literal

from sqlalchemy import (
    ColumnElement,
    Connection,
    Row,
    Select,
    and_,
    delete,
    exists,
    func,
    insert,
    or_,
    select,
)

from supervisor.cell.value import value
from supervisor.core.events import RecordAmended, RecordSigned
from supervisor.shell.ports import JournalEntry
from supervisor.store.codec import decode_entry, decode_record, encode_record
from supervisor.store.errors import StoreError
from supervisor.store.reader import Reader
from supervisor.store.schema import FINDING, JOURNAL, MONITOR, PAPER, RECORD
from supervisor.store.suspicions import (
    KeptSuspicion,
    drop_suspicions_behind,
    is_suspect,
    suspicions,
)
from supervisor.verdict.record import Evidence, Finding, Record, Verdict
from supervisor.verdict.suspicion import SuspectValue, suspect_values

PAGE_MAX = 500
PAPERS = (RecordAmended, RecordSigned)
"""Facts about a record that is kept already."""

Question = Select[*tuple[Any, ...]]


@value
class KeptRecord:
    """A record as it was kept, its stored text, and the journal entry that commanded it.

    ``suspect`` are the values that decide in it and that a failed check has cast doubt on since.
    """

    seq: int
    record: Record
    body: str
    suspect: tuple[SuspectValue, ...] = ()

    @property
    def sha256(self) -> str:
        """The hash of the stored text, in hexadecimal."""
        return hashlib.sha256(self.body.encode()).hexdigest()


@value
class RecordFilter:
    """Which records are asked for; "" and None ask for all. Times are those of the decision, from (inclusive) to (exclusive).

    ``station`` asks for records with a characteristic that this station decided. "latest" leaves out revisions that a later one
    of the same visit of the part replaced. ``suspect`` "yes" asks for records that a failed check has cast doubt on.
    """

    part_type: str = ""
    batch: str = ""
    serial: str = ""
    verdict: Verdict | Literal[""] = ""
    station: str = ""
    from_ms: int | None = None
    to_ms: int | None = None
    revisions: Literal["latest", "all"] = "latest"
    suspect: Literal["", "yes"] = ""


@value
class RecordPage:
    """Records, newest decision first. ``after`` asks for the next page ("" = this was the last)."""

    records: tuple[KeptRecord, ...]
    after: str


@value
class FindingFilter:
    """Which findings on one characteristic of one part type are asked for."""

    part_type: str
    number: str
    station: str = ""
    from_ms: int | None = None
    to_ms: int | None = None


@value
class FindingLine:
    """One decided characteristic of one part, for trends."""

    serial: str
    seq: int
    verdict: Verdict
    value: float | None
    unit: str
    station: str
    program: str
    run_id: str
    measured_ms: int


def keep_record(connection: Connection, seq: int, record: Record, text: str = "") -> None:
    """Keep a record within the caller's transaction, as ``text`` where it was written before: signatures are bound to that.

    Raises:
        StoreError: "record-differs".
    """
    body = text or encode_record(record)
    same = select(RECORD.c.body).where(
        RECORD.c.serial == record.serial,
        RECORD.c.part_type == record.part_type,
        RECORD.c.entered_ms == record.entered_ms,
        RECORD.c.revision == record.revision,
    )
    kept = connection.execute(same).scalar()
    if kept is None:
        _insert(connection, seq, record, body)
    elif kept != body and decode_record(kept) != record:  # an older version wrote it shorter
        raise StoreError(
            "record-differs",
            f"record {record.serial} of {record.part_type}, revision {record.revision}, exists with another content",
            "This is a defect of the supervisor: keep the journal and report it",
        )


def _insert(connection: Connection, seq: int, record: Record, body: str) -> None:
    row = {
        "seq": seq,
        "serial": record.serial,
        "part_type": record.part_type,
        "entered_ms": record.entered_ms,
        "revision": record.revision,
        "decided_ms": record.decided_ms,
        "batch": record.batch,
        "verdict": record.verdict,
        "body": body,
    }
    made = connection.execute(insert(RECORD).values(row).returning(RECORD.c.id)).scalar_one()
    findings = [_finding_row(made, record, finding) for finding in record.findings]
    if findings:
        connection.execute(insert(FINDING), findings)
    monitors = [
        _monitor_row(made, finding.number, position, by)
        for finding in record.findings
        for position, by in enumerate(finding.monitored_by)
    ]
    if monitors:
        connection.execute(insert(MONITOR), monitors)


def _monitor_row(record_id: int, number: str, position: int, by: Evidence) -> dict[str, Any]:
    return {
        "record": record_id,
        "number": number,
        "position": position,
        "value": by.value,
        "unit": by.unit,
        "station": by.station,
        "program": by.program,
        "run_id": by.run_id,
        "measured_ms": by.measured_ms,
    }


def keep_paper(connection: Connection, entry: JournalEntry) -> None:
    """Note within the caller's transaction that an entry amended or signed a record.

    An amendment that the core did not take, for the part was still in the cell, changed nothing and is no paper.
    """
    match entry.event:
        case RecordAmended():
            if not entry.commands:
                return
            about = entry.event.record.serial, entry.event.record.part_type
        case RecordSigned():
            about = entry.event.serial, entry.event.part_type
        case _:
            return
    row = {"seq": entry.seq, "serial": about[0], "part_type": about[1]}
    connection.execute(insert(PAPER).values(row))


def _finding_row(record_id: int, record: Record, finding: Finding) -> dict[str, Any]:
    decided = finding.decided_by
    return {
        "record": record_id,
        "number": finding.number,
        "part_type": record.part_type,
        "verdict": finding.verdict,
        "value": decided.value if decided else None,
        "unit": finding.unit,
        "station": decided.station if decided else "",
        "program": decided.program if decided else "",
        "run_id": decided.run_id if decided else "",
        "measured_ms": decided.measured_ms if decided else None,
    }


def drop_records_behind(connection: Connection, last_seq: int) -> None:
    """Take away the records of entries that are gone, within the caller's transaction, which keeps them in another way."""
    gone = select(RECORD.c.id).where(RECORD.c.seq > last_seq)
    connection.execute(delete(FINDING).where(FINDING.c.record.in_(gone)))
    connection.execute(delete(MONITOR).where(MONITOR.c.record.in_(gone)))
    connection.execute(delete(PAPER).where(PAPER.c.seq > last_seq))
    connection.execute(delete(RECORD).where(RECORD.c.seq > last_seq))
    drop_suspicions_behind(connection, last_seq)


class Records:
    """Questions about records. Each opens a connection of its own; call them off the event loop."""

    def __init__(self, reader: Reader) -> None:
        self.reader = reader

    def latest(self, serial: str, *, part_type: str = "") -> KeptRecord | None:
        """The record in force of a part: of its last visit to the cell, the last revision."""
        found = self.revisions(serial, part_type=part_type)
        return found[0] if found else None

    def revisions(self, serial: str, *, part_type: str = "") -> tuple[KeptRecord, ...]:
        """Every record ever kept of a serial number, newest first. A serial number is unique within its part type only."""
        wanted = select(RECORD.c.seq, RECORD.c.body).where(RECORD.c.serial == serial)
        if part_type:
            wanted = wanted.where(RECORD.c.part_type == part_type)
        ordered = wanted.order_by(RECORD.c.entered_ms.desc(), RECORD.c.revision.desc())
        with self.reader.asking() as connection:
            known = suspicions(connection)
            return tuple(_kept(row, known) for row in connection.execute(ordered))

    def suspicions(self) -> tuple[KeptSuspicion, ...]:
        """What failed checks cast doubt on, the oldest first."""
        with self.reader.asking() as connection:
            return suspicions(connection)

    def papers(self, serial: str, *, part_type: str) -> tuple[JournalEntry, ...]:
        """The entries that amended or signed records of a part, in order."""
        entry = select(
            JOURNAL.c.seq, JOURNAL.c.at_ms, JOURNAL.c.schema, JOURNAL.c.kind, JOURNAL.c.body
        )
        of_part = entry.join(PAPER, PAPER.c.seq == JOURNAL.c.seq).where(
            PAPER.c.serial == serial, PAPER.c.part_type == part_type
        )
        with self.reader.asking() as connection:
            rows = connection.execute(of_part.order_by(JOURNAL.c.seq)).all()
        return tuple(decode_entry(*row) for row in rows)

    def page(self, wanted: RecordFilter, *, limit: int = 100, after: str = "") -> RecordPage:
        """One page of records.

        Raises:
            StoreError: "page-unknown", ``after`` is not one that a page gave.
        """
        limit = max(1, min(limit, PAGE_MAX))
        question = select(RECORD.c.seq, RECORD.c.body, RECORD.c.decided_ms, RECORD.c.id)
        question = _narrowed(question, wanted)
        if after:
            decided_ms, last_id = _position(after)
            question = question.where(
                or_(
                    RECORD.c.decided_ms < decided_ms,
                    and_(RECORD.c.decided_ms == decided_ms, RECORD.c.id < last_id),
                )
            )
        question = question.order_by(RECORD.c.decided_ms.desc(), RECORD.c.id.desc())
        with self.reader.asking() as connection:
            known = suspicions(connection)
            rows = connection.execute(question.limit(limit + 1)).all()
        last = rows[limit - 1] if len(rows) > limit else None
        return RecordPage(
            records=tuple(_kept(row, known) for row in rows[:limit]),
            after=f"{last.decided_ms}-{last.id}" if last else "",
        )

    def count(self, wanted: RecordFilter) -> int:
        """How many records a filter lets through."""
        question = _narrowed(select(func.count()).select_from(RECORD), wanted)
        with self.reader.asking() as connection:
            return int(connection.execute(question).scalar_one())

    def behind(self, last_seq: int) -> tuple[KeptRecord, ...]:
        """The records of entries behind an entry, in the order of keeping: there are some only where entries are gone."""
        question = select(RECORD.c.seq, RECORD.c.body).where(RECORD.c.seq > last_seq)
        with self.reader.asking() as connection:
            return tuple(
                _kept(row, ()) for row in connection.execute(question.order_by(RECORD.c.id))
            )

    def bodies(self) -> Iterator[tuple[int, str, str]]:
        """Entry, serial number and stored text of every record, in the order of keeping."""
        question = select(RECORD.c.id, RECORD.c.seq, RECORD.c.serial, RECORD.c.body)
        question = question.order_by(RECORD.c.id).limit(PAGE_MAX)
        last_id = 0
        while True:
            with self.reader.asking() as connection:
                rows = connection.execute(question.where(RECORD.c.id > last_id)).all()
            for row in rows:
                yield row.seq, row.serial, row.body
            if len(rows) < PAGE_MAX:
                return
            last_id = rows[-1].id

    def findings(self, wanted: FindingFilter, *, limit: int = 1_000) -> tuple[FindingLine, ...]:
        """The newest findings on a characteristic, oldest first; undecided ones without a measurement are left out."""
        table = FINDING.join(RECORD, FINDING.c.record == RECORD.c.id)
        question = select(RECORD.c.serial, RECORD.c.seq, FINDING).select_from(table)
        question = question.where(
            FINDING.c.part_type == wanted.part_type,
            FINDING.c.number == wanted.number,
            FINDING.c.measured_ms.is_not(None),
        )
        if wanted.station:
            question = question.where(FINDING.c.station == wanted.station)
        if wanted.from_ms is not None:
            question = question.where(FINDING.c.measured_ms >= wanted.from_ms)
        if wanted.to_ms is not None:
            question = question.where(FINDING.c.measured_ms < wanted.to_ms)
        question = question.where(is_latest())
        question = question.order_by(FINDING.c.measured_ms.desc(), RECORD.c.id.desc()).limit(limit)
        with self.reader.asking() as connection:
            lines = [_finding_line(row) for row in connection.execute(question)]
        return tuple(reversed(lines))


def _narrowed(question: Question, wanted: RecordFilter) -> Question:
    equal = {
        RECORD.c.part_type: wanted.part_type,
        RECORD.c.batch: wanted.batch,
        RECORD.c.serial: wanted.serial,
        RECORD.c.verdict: wanted.verdict,
    }
    for column, content in equal.items():
        if content:
            question = question.where(column == content)
    if wanted.from_ms is not None:
        question = question.where(RECORD.c.decided_ms >= wanted.from_ms)
    if wanted.to_ms is not None:
        question = question.where(RECORD.c.decided_ms < wanted.to_ms)
    if wanted.station:
        # An expression, so that no planner begins with all findings of the station instead of the newest records.
        at_station = FINDING.c.station.concat("") == wanted.station
        of_record = and_(FINDING.c.record == RECORD.c.id, at_station)
        question = question.where(exists().where(of_record))
    if wanted.suspect:
        question = question.where(is_suspect())
    return question.where(is_latest()) if wanted.revisions == "latest" else question


def is_latest() -> ColumnElement[bool]:
    """That no later revision of the same visit exists."""
    later = RECORD.alias("later")
    return ~exists().where(
        later.c.serial == RECORD.c.serial,
        later.c.part_type == RECORD.c.part_type,
        later.c.entered_ms == RECORD.c.entered_ms,
        later.c.revision > RECORD.c.revision,
    )


def page_unknown(after: str) -> StoreError:
    """That a position in a list is none."""
    return StoreError(
        "page-unknown", f'"{after}" is no position in a list', "Begin with the first page"
    )


def _position(after: str) -> tuple[int, int]:
    decided_ms, dash, last_id = after.rpartition("-")
    if not (dash and decided_ms.removeprefix("-").isdecimal() and last_id.isdecimal()):
        raise page_unknown(after)
    return int(decided_ms), int(last_id)


def _kept(row: Row[*tuple[Any, ...]], known: Sequence[KeptSuspicion]) -> KeptRecord:
    record = decode_record(row.body)
    suspect = suspect_values(record, (each.suspicion for each in known)) if known else ()
    return KeptRecord(seq=row.seq, record=record, body=row.body, suspect=suspect)


def _finding_line(row: Row[*tuple[Any, ...]]) -> FindingLine:
    return FindingLine(
        serial=row.serial,
        seq=row.seq,
        verdict=row.verdict,
        value=row.value,
        unit=row.unit,
        station=row.station,
        program=row.program,
        run_id=row.run_id,
        measured_ms=row.measured_ms,
    )

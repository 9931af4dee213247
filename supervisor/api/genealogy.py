"""A part's way from its tag to its record: each step with the journal entry that proves it.

Rules of this file:
- What is told stands in the journal; nothing is guessed from the record.
- The way of one visit to the cell: from the entry at which its pallet was seen to the record, then what people did with it.
"""

from collections.abc import Iterator
from typing import Literal

import msgspec

from supervisor.api.ports import Entries, Kept, Records
from supervisor.api.schema import Instant, Schema, instant, shown_by
from supervisor.core.commands import Command, MoveHandler, StartRun, StoreRecord
from supervisor.core.events import (
    RecordAmended,
    RecordSigned,
    ReservationClosed,
    ResultArrived,
    TagRead,
)
from supervisor.shell.ports import JournalEntry
from supervisor.tag import TagError, decode
from supervisor.verdict.record import Record

What = Literal["tag read", "moved", "run started", "result", "record", "amended", "signed"]


class Step(Schema):
    """One step. Fields that do not belong to its kind are ""."""

    seq: int
    """The journal entry."""
    at: Instant
    what: What
    where: str
    """The place of the tag or of the move, or the station."""
    run_id: str
    program: str
    result_id: str
    detail: str


class GenealogyView(Schema):
    """The steps of one visit, in order."""

    model_config = shown_by(
        {
            "serial": "100017",
            "part_type": "pump-body",
            "pallet": "grai:9521234.12345.12",
            "from_seq": 1201,
            "record_seq": 1790,
            "steps": [
                {
                    "seq": 1203,
                    "at": "2025-11-25T09:01:13.400Z",
                    "what": "tag read",
                    "where": "rack-3",
                    "run_id": "",
                    "program": "",
                    "result_id": "",
                    "detail": "pallet grai:9521234.12345.12, part 100017",
                }
            ],
        }
    )

    serial: str
    part_type: str
    pallet: str
    from_seq: int
    """The entry at which the pallet was seen."""
    record_seq: int
    """The entry that kept the record."""
    steps: list[Step]


def genealogy(entries: Entries, records: Records, kept: Kept) -> GenealogyView:
    """The way of a record's part. Reads the journal: call it off the event loop."""
    record = kept.record
    first = entries.seq_at(record.entered_ms)
    words = [_as_in_json(record.pallet), _as_in_json(record.serial)]
    kinds = (TagRead.__name__, ResultArrived.__name__)
    papers = records.papers(record.serial, part_type=record.part_type)
    way = _Way(record)
    steps = [
        step
        for entry in (
            *entries.mentioning(first, kept.seq, words, kinds),
            *(paper for paper in papers if paper.seq > kept.seq and _of_visit(paper, record)),
        )
        for step in way.steps(entry)
    ]
    return GenealogyView(
        serial=record.serial,
        part_type=record.part_type,
        pallet=record.pallet,
        from_seq=first,
        record_seq=kept.seq,
        steps=steps,
    )


class _Way:
    """Follows one pallet; knows by the runs that it saw start which results are the part's."""

    def __init__(self, record: Record) -> None:
        self._record = record
        self._programs: dict[str, str] = {}

    def steps(self, entry: JournalEntry) -> Iterator[Step]:
        """What an entry says of the part."""
        match entry.event:
            case TagRead() if self._is_ours(entry.event):
                told = f"pallet {self._record.pallet}, part {self._record.serial}"
                yield _step(entry, "tag read", where=entry.event.place, detail=told)
            case ResultArrived() if entry.event.run_id in self._programs:
                yield self._result(entry, entry.event)
            case ReservationClosed() if self._is_placed(entry.event):
                told = f"put at {entry.event.place} by {entry.event.by}"
                yield _step(entry, "moved", where=entry.event.place, detail=told)
            case RecordAmended():
                yield _step(entry, "amended", detail=f"{entry.event.by}: {entry.event.why}")
                return
            case RecordSigned():
                yield _step(entry, "signed", detail=f"{entry.event.by}: {entry.event.meaning}")
                return
            case _:
                pass
        for command in entry.commands:
            yield from self._commanded(entry, command)

    def _result(self, entry: JournalEntry, event: ResultArrived) -> Step:
        return _step(
            entry,
            "result",
            where=event.station,
            run_id=event.run_id,
            program=self._programs[event.run_id],
            result_id=event.result_id,
            detail=f"{len(event.values)} values, {event.scope}",
        )

    def _commanded(self, entry: JournalEntry, command: Command) -> Iterator[Step]:
        pallet = self._record.pallet
        match command:
            case MoveHandler() if pallet in (command.picked, command.put):
                done = "picked at" if command.picked == pallet else "put at"
                swap = " in a swap" if command.action == "swap" else ""
                detail = f"{done} {command.place}{swap}"
                yield _step(entry, "moved", where=command.place, detail=detail)
            case StartRun() if command.pallet == pallet and command.serial == self._record.serial:
                self._programs[command.run_id] = command.program
                yield _step(
                    entry,
                    "run started",
                    where=command.station,
                    run_id=command.run_id,
                    program=command.program,
                    detail=f"{command.name}, revision {command.revision}",
                )
            case StoreRecord() if _identity(command.record) == _identity(self._record):
                told = f"revision {command.record.revision}: {command.record.verdict}"
                yield _step(entry, "record", detail=told)
            case _:
                pass

    def _is_placed(self, event: ReservationClosed) -> bool:
        return event.how == "placed" and event.pallet == self._record.pallet

    def _is_ours(self, event: TagRead) -> bool:
        if event.status != "read":
            return False
        try:
            content = decode(bytes.fromhex(event.payload))
        except (TagError, ValueError):
            return False
        return (content.pallet, content.serial) == (self._record.pallet, self._record.serial)


def _identity(record: Record) -> tuple[str, str, int]:
    return record.serial, record.part_type, record.entered_ms


def _of_visit(entry: JournalEntry, record: Record) -> bool:
    match entry.event:
        case RecordAmended():
            return entry.event.record.entered_ms == record.entered_ms
        case RecordSigned():
            return entry.event.entered_ms == record.entered_ms
        case _:
            return False


def _as_in_json(text: str) -> str:
    return msgspec.json.encode(text).decode()


def _step(  # noqa: PLR0913 - one field each
    entry: JournalEntry,
    what: What,
    *,
    where: str = "",
    run_id: str = "",
    program: str = "",
    result_id: str = "",
    detail: str = "",
) -> Step:
    return Step(
        seq=entry.seq,
        at=instant(entry.at_ms),
        what=what,
        where=where,
        run_id=run_id,
        program=program,
        result_id=result_id,
        detail=detail,
    )

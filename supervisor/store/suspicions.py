"""What failed checks cast doubt on, beside the records.

Rules of this file:
- A suspicion is kept in the transaction of the journal entry that commanded it. It changes no record: what is suspect is worked out
  whenever records are read.
- There are as many suspicions as checks have failed, which are few: all of them are read for a question.
"""

from itertools import groupby
from operator import attrgetter

from sqlalchemy import (
    ColumnElement,
    Connection,
    Table,
    delete,
    exists,
    func,
    insert,
    literal,
    or_,
    select,
)

from supervisor.cell.model import Vouched
from supervisor.cell.value import value
from supervisor.store.schema import FINDING, MONITOR, RECORD, SUSPICION
from supervisor.verdict.averaging import MEAN_OF
from supervisor.verdict.suspicion import Suspicion


@value
class KeptSuspicion:
    """A suspicion with the number of the journal entry that commanded it."""

    seq: int
    suspicion: Suspicion


def keep_suspicion(connection: Connection, seq: int, suspicion: Suspicion) -> None:
    """Keep a suspicion within the caller's transaction; one about nothing is none."""
    rows = [
        {
            "seq": seq,
            "part_type": vouched.part_type,
            "number": vouched.number,
            "station": suspicion.station,
            "program": suspicion.program,
            "run_id": suspicion.run_id,
            "from_ms": suspicion.from_ms,
            "to_ms": suspicion.to_ms,
            "why": suspicion.why,
        }
        for vouched in suspicion.about
    ]
    if rows:
        connection.execute(insert(SUSPICION), rows)


def drop_suspicions_behind(connection: Connection, last_seq: int) -> None:
    """Take away the suspicions of entries that are gone, within the caller's transaction."""
    connection.execute(delete(SUSPICION).where(SUSPICION.c.seq > last_seq))


def suspicions(connection: Connection) -> tuple[KeptSuspicion, ...]:
    """All that are kept, the oldest first."""
    ordered = select(SUSPICION).order_by(SUSPICION.c.seq, SUSPICION.c.part_type, SUSPICION.c.number)
    rows = connection.execute(ordered).all()
    found: list[KeptSuspicion] = []
    for seq, group in groupby(rows, key=attrgetter("seq")):
        lines = list(group)
        first = lines[0]
        suspicion = Suspicion(
            station=first.station,
            program=first.program,
            run_id=first.run_id,
            about=tuple(Vouched(part_type=row.part_type, number=row.number) for row in lines),
            from_ms=first.from_ms,
            to_ms=first.to_ms,
            why=first.why,
        )
        found.append(KeptSuspicion(seq=seq, suspicion=suspicion))
    return tuple(found)


def is_suspect() -> ColumnElement[bool]:
    """That a value which decides in a record is in doubt, or one of those whose mean decides.

    No record was decided before its values were measured: what was decided before all that is in doubt need not be looked at.
    """
    earliest = select(func.min(SUSPICION.c.from_ms)).scalar_subquery()
    return (RECORD.c.decided_ms > earliest) & or_(
        exists().where(FINDING.c.record == RECORD.c.id, *_in_doubt(FINDING)),
        exists().where(FINDING.c.record == RECORD.c.id, *_is_mean_of(MONITOR), *_in_doubt(MONITOR)),
    )


def _in_doubt(measured: Table) -> tuple[ColumnElement[bool], ...]:
    """That a suspicion covers the value of a row."""
    return (
        SUSPICION.c.station == measured.c.station,
        SUSPICION.c.part_type == FINDING.c.part_type,
        SUSPICION.c.number == measured.c.number,
        SUSPICION.c.from_ms < measured.c.measured_ms,
        SUSPICION.c.to_ms >= measured.c.measured_ms,
    )


def _is_mean_of(beside: Table) -> tuple[ColumnElement[bool], ...]:
    """That a finding rests on a mean, whose runs it names (``verdict/averaging.py``), and that a value beside it is of one of them."""
    apart = literal(MEAN_OF)
    return (
        FINDING.c.station.contains(MEAN_OF),
        beside.c.record == FINDING.c.record,
        beside.c.number == FINDING.c.number,
        (apart + FINDING.c.run_id + apart).contains(apart + beside.c.run_id + apart),
    )

"""What a station measured between two times, across parts.

Rules of this file:
- Deciding values come from ``finding``, the others from ``monitor``; both are ordered by station and time.
- Only what stands in a record in force is told. A result whose part has no record is in the journal alone.
"""

import heapq
import re
from typing import Any, Literal

from sqlalchemy import ColumnElement, Row, Select, Table, literal, select, tuple_

from supervisor.cell.value import value
from supervisor.store.reader import Reader
from supervisor.store.records import PAGE_MAX, is_latest, page_unknown
from supervisor.store.schema import FINDING, MONITOR, RECORD
from supervisor.verdict.record import Verdict

DECIDING = -1
"""The position of a deciding value; those beside it count from 0."""

Question = Select[*tuple[Any, ...]]


@value
class MeasuredFilter:
    """Which measured values are asked for. Times are those of the measurement, from (inclusive) to (exclusive)."""

    station: str
    from_ms: int
    to_ms: int


@value
class MeasuredLine:
    """One value that a station measured, and the record in force that holds it.

    ``role`` says whether it decided its characteristic or stands beside the value that did; ``verdict`` is the part's.
    """

    measured_ms: int
    record: int
    number: str
    position: int
    role: Literal["decided", "monitored"]
    value: float | None
    unit: str
    program: str
    run_id: str
    seq: int
    serial: str
    part_type: str
    batch: str
    verdict: Verdict


@value
class MeasuredPage:
    """Values, the oldest first. ``after`` asks for the next page ("" = this was the last)."""

    lines: tuple[MeasuredLine, ...]
    after: str


def measured(
    reader: Reader, wanted: MeasuredFilter, *, limit: int = 100, after: str = ""
) -> MeasuredPage:
    """Everything that a station measured between two times and that stands in a record in force.

    Raises:
        StoreError: "page-unknown", ``after`` is not one that a page gave.
    """
    limit = max(1, min(limit, PAGE_MAX))
    behind = _position(after) if after else None
    with reader.asking() as connection:
        parts = [
            [_line(row) for row in connection.execute(question.limit(limit + 1))]
            for question in (
                _values_in(FINDING, literal(DECIDING), wanted, behind),
                _values_in(MONITOR, MONITOR.c.position, wanted, behind),
            )
        ]
    lines = list(heapq.merge(*parts, key=_key))
    last = lines[limit - 1] if len(lines) > limit else None
    return MeasuredPage(
        lines=tuple(lines[:limit]),
        after="" if last is None else ".".join(map(str, _key(last))),
    )


Key = tuple[int, int, int, str]


def _values_in(
    table: Table, position: ColumnElement[int], wanted: MeasuredFilter, behind: Key | None
) -> Question:
    """Values of one table in the order of time, those behind a line only."""
    key = (table.c.measured_ms, table.c.record, position, table.c.number)
    question = (
        select(
            table.c.measured_ms,
            table.c.record,
            table.c.number,
            position.label("position"),
            table.c.value,
            table.c.unit,
            table.c.program,
            table.c.run_id,
            RECORD.c.seq,
            RECORD.c.serial,
            RECORD.c.part_type,
            RECORD.c.batch,
            RECORD.c.verdict,
        )
        .select_from(table.join(RECORD, table.c.record == RECORD.c.id))
        .where(
            table.c.station == wanted.station,
            table.c.measured_ms >= (wanted.from_ms if behind is None else behind[0]),
            table.c.measured_ms < wanted.to_ms,
            is_latest(),
        )
        .order_by(*key)
    )
    return question if behind is None else question.where(tuple_(*key) > tuple_(*behind))


def _line(row: Row[*tuple[Any, ...]]) -> MeasuredLine:
    return MeasuredLine(
        measured_ms=row.measured_ms,
        record=row.record,
        number=row.number,
        position=row.position,
        role="decided" if row.position == DECIDING else "monitored",
        value=row.value,
        unit=row.unit,
        program=row.program,
        run_id=row.run_id,
        seq=row.seq,
        serial=row.serial,
        part_type=row.part_type,
        batch=row.batch,
        verdict=row.verdict,
    )


def _key(line: MeasuredLine) -> Key:
    return line.measured_ms, line.record, line.position, line.number


def _position(after: str) -> Key:
    found = re.fullmatch(r"(-?\d{1,18})\.(\d{1,18})\.(-?\d{1,9})\.(.*)", after)
    if found is None:
        raise page_unknown(after)
    return int(found[1]), int(found[2]), int(found[3]), found[4]

"""Records as a table for spreadsheets: one line per characteristic, RFC 4180.

Rules of this file:
- Every digit of the record, a point for the decimal sign, times in RFC 3339.
- A text that a spreadsheet would take for a formula gets an apostrophe in front.
"""

import csv
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from io import StringIO

from supervisor.verdict.conformity import shown
from supervisor.verdict.record import Finding, Record

COLUMNS = (
    "serial",
    "part_type",
    "plan_revision",
    "batch",
    "record_revision",
    "part_verdict",
    "decided_at",
    "number",
    "name",
    "kind",
    "unit",
    "nominal",
    "lower",
    "upper",
    "value",
    "expanded_u",
    "k",
    "verdict",
    "station",
    "program",
    "program_revision",
    "run_id",
    "measured_at",
    "why",
)

_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def table(records: Iterable[Record]) -> Iterator[str]:
    """The lines, the head first, each with its end."""
    yield _line(COLUMNS)
    for record in records:
        for finding in record.findings:
            yield _line(_cells(record, finding))


def _cells(record: Record, finding: Finding) -> tuple[str, ...]:
    by = finding.decided_by
    about = (
        *map(_text, (record.serial, record.part_type, record.plan_revision, record.batch)),
        str(record.revision),
        record.verdict,
        _instant(record.decided_ms),
        *map(_text, (finding.number, finding.name, finding.kind, finding.unit)),
        *(
            "" if each is None else shown(each)
            for each in (finding.nominal, finding.lower, finding.upper)
        ),
    )
    if by is None:
        evidence = ("", "", "", finding.verdict, "", "", "", "", "")
    else:
        evidence = (
            "" if by.value is None else repr(by.value),
            shown(by.expanded_u),
            shown(by.k),
            finding.verdict,
            *map(_text, (by.station, by.program, by.program_revision, by.run_id)),
            _instant(by.measured_ms),
        )
    return (*about, *evidence, _text(finding.why))


def _text(content: str) -> str:
    return f"'{content}" if content.startswith(_FORMULA) else content


def _instant(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(timespec="milliseconds")


def _line(cells: Iterable[str]) -> str:
    out = StringIO()
    csv.writer(out).writerow(cells)
    return out.getvalue()

"""Records as a table for spreadsheets: one line per characteristic, RFC 4180.

Rules of this file:
- The last column says why a value is in doubt since a check of its station failed; the verdict stays the one of the record.
- Every digit of the record, a point for the decimal sign, times in RFC 3339.
- A text that a spreadsheet would take for a formula gets an apostrophe in front.
"""

import csv
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime
from io import StringIO

from supervisor.verdict.conformity import shown
from supervisor.verdict.record import Finding, Record
from supervisor.verdict.suspicion import SuspectValue

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
    "suspect",
)

_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def table(records: Iterable[tuple[Record, Sequence[SuspectValue]]]) -> Iterator[str]:
    """The lines, the head first, each with its end. With each record comes what a failed check has cast doubt on since."""
    yield line_of(COLUMNS)
    for record, suspect in records:
        doubt = {each.number: each.why for each in suspect}
        for finding in record.findings:
            why = formula_free(doubt.get(finding.number, ""))
            yield line_of((*_cells(record, finding), why))


def _cells(record: Record, finding: Finding) -> tuple[str, ...]:
    by = finding.decided_by
    about = (
        *map(formula_free, (record.serial, record.part_type, record.plan_revision, record.batch)),
        str(record.revision),
        record.verdict,
        instant_of(record.decided_ms),
        *map(formula_free, (finding.number, finding.name, finding.kind, finding.unit)),
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
            *map(formula_free, (by.station, by.program, by.program_revision, by.run_id)),
            instant_of(by.measured_ms),
        )
    return (*about, *evidence, formula_free(finding.why))


def formula_free(content: str) -> str:
    """A text that no spreadsheet takes for a formula."""
    return f"'{content}" if content.startswith(_FORMULA) else content


def instant_of(at_ms: int) -> str:
    """A time after RFC 3339, in UTC with milliseconds."""
    return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(timespec="milliseconds")


def line_of(cells: Iterable[str]) -> str:
    """One line of a table, with its end."""
    out = StringIO()
    csv.writer(out).writerow(cells)
    return out.getvalue()

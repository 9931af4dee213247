"""Results as lines with separators (RFC 4180).

Rules of this file:
- A line that has not as many columns as the others makes the whole text unreadable: a torn line must not pass for a short one.
- Numbers stay numbers as they are written; what is none stays a text and becomes a bad value. A number has digits and the declared decimal
  sign, nothing else: a sign for thousands would make it another one.
"""

import csv
import re
from collections.abc import Mapping
from typing import Any

from supervisor.cell.profile_language import CsvResults
from supervisor.cell.value import value
from supervisor.stations.trouble import ResultUnreadable

LINES_MAX = 100_000
NUMBERS = {
    decimal: re.compile(rf"[+-]?(\d+{sign}?\d*|{sign}\d+)([eE][+-]?\d+)?", re.ASCII)
    for decimal, sign in ((".", r"\."), (",", ","))
}


@value
class CsvTable:
    """The rows of a text, by the names of the profile's columns, and what its preamble says."""

    proof: Mapping[str, str]
    rows: list[dict[str, Any]]


def csv_table(results: CsvResults, node: str, content: Any) -> CsvTable:
    """Take a text apart.

    Raises:
        ResultUnreadable: it is not what the profile says.
    """
    lines = _lines(results, node, content)
    proof: dict[str, str] = {}
    if results.preamble:
        first = lines.pop(0) if lines else []
        if len(first) < len(results.preamble):
            message = f"node {node}: expected {', '.join(results.preamble)} in the first line, found {len(first)} columns"
            raise ResultUnreadable(message)
        proof = dict(zip(results.preamble, first, strict=False))
    columns = _positions(results, node, lines)
    width = max(columns.values()) + 1
    rows: list[dict[str, Any]] = []
    for number, line in enumerate(lines, start=1):
        if len(line) < width:
            message = f"node {node}: row {number} has {len(line)} columns, expected {width}"
            raise ResultUnreadable(message)
        rows.append({name: line[at] for name, at in columns.items()})
    numeric = results.columns.value
    for row in rows:
        row[numeric] = _number(row[numeric], results.decimal)
    return CsvTable(proof=proof, rows=rows)


def _lines(results: CsvResults, node: str, content: Any) -> list[list[str]]:
    try:
        text = content.decode() if isinstance(content, bytes) else content
        if not isinstance(text, str) or text.count("\n") > LINES_MAX:
            message = f"node {node} holds no text, or one of more than {LINES_MAX} lines"
            raise ResultUnreadable(message)
        reader = csv.reader(text.splitlines(), delimiter=results.separator, strict=True)
        return [[part.strip() for part in line] for line in reader if line]
    except (UnicodeDecodeError, csv.Error) as error:
        message = f"node {node} holds no lines with separators ({error})"
        raise ResultUnreadable(message) from error


def _positions(results: CsvResults, node: str, lines: list[list[str]]) -> dict[str, int]:
    """Where each column of the profile stands; takes the heading off the lines."""
    columns = results.columns
    names = [columns.number, columns.value, columns.unit, columns.quality]
    wanted = [name for name in names if name is not None]
    if results.heading == "absent":
        return {name: int(name) - 1 for name in wanted}
    heading = lines.pop(0) if lines else []
    missing = [name for name in wanted if name not in heading]
    if missing:
        message = f"node {node}: expected the column {missing[0]} in the heading, found {', '.join(heading) or 'nothing'}"
        raise ResultUnreadable(message)
    return {name: heading.index(name) for name in wanted}


def _number(text: str, decimal: str) -> Any:
    return float(text.replace(decimal, ".")) if NUMBERS[decimal].fullmatch(text) else text

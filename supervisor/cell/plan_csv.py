"""Plans from tables: CSV with a head (RFC 4180), one line for each characteristic.

Rules of this file:
- Columns are named like the keys of a plan; their order is free, and a column that we do not know is a mistake, for it may be a misspelt one.
- A comma or a semicolon separates; with semicolons a decimal comma is understood, as spreadsheets write them where that is the custom.
"""

import csv
import io
import re
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

from supervisor.cell.plan_line import Head, Imported, Origin, PlanLine, imported
from supervisor.cell.problem import DeclarationError, Problem, choose_instead, one_of

LIMITS = ("lower", "upper", "plus_minus", "lower_deviation", "upper_deviation")
NUMBERS = ("nominal", *LIMITS, "required_u")
COLUMNS = ("number", "name", "kind", "unit", "datum", "need", "iso286", *NUMBERS)
NEEDED = ("number", "name", "kind")

_NUMBER = re.compile(r"[-+]?(\d+(\.\d*)?|\.\d+)")


def plan_from_csv(file: Path, head: Head) -> Imported:
    """The plan in a table.

    Raises:
        DeclarationError: with every mistake, by line.
    """
    text = _read(file)
    delimiter = ";" if text.partition("\n")[0].count(";") else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    no_head: list[str] = []
    problems: list[Problem] = []
    lines: list[PlanLine] = []
    try:
        names = [name.strip().lower() for name in next(reader, no_head)]
        problems += _head_problems(Origin(file=str(file), line=1), names)
        if problems:
            raise DeclarationError(problems)
        for cells in reader:
            if any(cell.strip() for cell in cells):
                origin = Origin(file=str(file), line=reader.line_num)
                lines += _line(origin, names, cells, delimiter, problems)
    except csv.Error as wrong:
        origin = Origin(file=str(file), line=reader.line_num)
        problems.append(
            origin.problem(
                "", expected="a table (RFC 4180)", found=str(wrong), remedy="export it again"
            )
        )
    if not lines and not problems:
        origin = Origin(file=str(file), line=1)
        problems.append(
            origin.problem(
                "", expected="characteristics", found="no line behind the head", remedy="add them"
            )
        )
    if problems:
        raise DeclarationError(problems)
    return imported(str(file), head, lines, ())


def _read(file: Path) -> str:
    try:
        return file.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as wrong:
        origin = Origin(file=str(file), line=wrong.object.count(b"\n", 0, wrong.start) + 1)
        raise DeclarationError(
            [
                origin.problem(
                    "",
                    expected="text in UTF-8",
                    found=f"the byte {wrong.object[wrong.start]:#04x}",
                    remedy="export the table as CSV in UTF-8",
                )
            ]
        ) from wrong


def _head_problems(origin: Origin, names: list[str]) -> Iterator[Problem]:
    for name in names:
        if name not in COLUMNS:
            yield origin.problem(
                "",
                expected=one_of(COLUMNS),
                found=f"the column {name or 'without a name'}",
                remedy=choose_instead(name, COLUMNS, "rename it, or take the column out"),
            )
        elif names.count(name) > 1:
            yield origin.problem(
                name, expected="each column once", found="it twice", remedy="take one out"
            )
    for name in NEEDED:
        if name not in names:
            yield origin.problem(
                name, expected=f"a column {name}", found="none", remedy="add it to the head"
            )


def _line(
    origin: Origin, names: list[str], cells: list[str], delimiter: str, problems: list[Problem]
) -> Iterator[PlanLine]:
    """The characteristic of a line; none, and a problem more, where its cells cannot be read."""
    if len(cells) != len(names):
        problems.append(
            origin.problem(
                "",
                expected=f"{len(names)} cells, as in the head",
                found=str(len(cells)),
                remedy="put a text with a separator in double quotes",
            )
        )
        return
    row = {name: cell.strip() for name, cell in zip(names, cells, strict=True)}
    if delimiter == ";":
        row = {n: c.replace(",", ".") if n in NUMBERS else c for n, c in row.items()}
    wrong = [name for name in NUMBERS if row.get(name) and not _NUMBER.fullmatch(row[name])]
    problems += [
        origin.problem(
            name, expected="a number such as 25.021", found=row[name], remedy="write digits only"
        )
        for name in wrong
    ]
    if not wrong:
        yield _characteristic(origin, row)


def _characteristic(origin: Origin, row: dict[str, str]) -> PlanLine:
    limits = tuple((name, row[name]) for name in LIMITS if row.get(name))
    if row.get("iso286"):
        limits = (("iso286", row["iso286"]), *limits)
    return PlanLine(
        origin=origin,
        number=row["number"],
        name=row["name"],
        kind=row["kind"].lower(),
        unit=row.get("unit", ""),
        nominal=_decimal(row.get("nominal", "")),
        limits=limits,
        datum=row.get("datum", ""),
        need=row.get("need") or "mandatory",
        required_u=_decimal(row.get("required_u", "")),
    )


def _decimal(text: str) -> Decimal | None:
    return Decimal(text) if text else None

"""A plan that comes from elsewhere, line by line, and the part-type file that it becomes.

Rules of this file:
- What is written here is loaded and checked like any other part type; every mistake names the file and the line that it came from.
- Numbers keep the digits that they were written with; nothing is guessed, nothing is left out without a word.
"""

import json
import re
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal
from pathlib import Path

from supervisor.cell.document import load_document
from supervisor.cell.plan import limits_of, unit_of
from supervisor.cell.plan_checks import LINE_CHECKS, Line
from supervisor.cell.problem import DeclarationError, Problem
from supervisor.cell.schema import PartTypeFile
from supervisor.cell.value import replace, value

GUARD_FACTOR = Decimal("1.65")
"""That of the default decision rule: whether a tolerance leaves room for it is a warning in the cell, not a mistake here."""

_SIMPLE = re.compile(r"[A-Za-z][A-Za-z0-9 _./-]*[A-Za-z0-9.]|[A-Za-z]")
_YAML_WORDS = {"true", "false", "yes", "no", "on", "off", "null", "y", "n"}


@value
class Origin:
    """Where a line comes from: a file and a line of it, from 1."""

    file: str
    line: int

    def problem(self, field: str, *, expected: str, found: str, remedy: str) -> Problem:
        """A mistake in this line."""
        return Problem(
            file=self.file,
            line=self.line,
            column=1,
            field=field,
            found=found or "nothing",
            expected=expected,
            remedy=remedy,
        )


@value
class PlanLine:
    """A characteristic as it came. ``limits`` are pairs of our key and text, such as ("upper", "0.02"); "" where nothing was said."""

    origin: Origin
    number: str
    name: str
    kind: str
    unit: str
    nominal: Decimal | None
    limits: tuple[tuple[str, str], ...]
    datum: str
    need: str
    required_u: Decimal | None


@value
class Head:
    """What a part type is besides its plan."""

    part_type: str
    title: str
    gtin: str
    revision: str


@value
class Imported:
    """A plan as the text of a part-type file, and what a person should know about it."""

    text: str
    characteristics: int
    notes: tuple[str, ...]


def imported(file: str, head: Head, lines: Sequence[PlanLine], notes: Sequence[str]) -> Imported:
    """The plan of lines that were read, checked as every part-type file is; mistakes name the line that they came from.

    Raises:
        DeclarationError: with every mistake.
    """
    text = _part_type_text(head, lines, notes)
    problems = [_at_origin(each, file, lines) for each in _problems(text)]
    problems += _numbers_twice(lines)
    if problems:
        raise DeclarationError(problems)
    return Imported(text=text, characteristics=len(lines), notes=tuple(notes))


def _problems(text: str) -> list[Problem]:
    """What the loader and the checks of a plan say of a part-type file."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "part-type.yaml"
        file.write_text(text, encoding="utf-8")
        content, problems = load_document(file, PartTypeFile)
    if content is None:
        return problems
    for entry in content.plan:
        limits = limits_of(entry)
        if isinstance(limits, Problem):
            problems.append(limits)
            continue
        line = Line(
            entry=entry,
            limits=limits,
            unit=unit_of(entry, content.unit),
            guard_factor=GUARD_FACTOR,
        )
        problems += [
            problem for check in LINE_CHECKS for problem in check(line) if problem.grade == "error"
        ]
    return problems


def _at_origin(problem: Problem, file: str, lines: Sequence[PlanLine]) -> Problem:
    """A mistake, told where its author wrote it."""
    found = re.fullmatch(r"plan\.(\d+)(?:\.(.*))?", problem.field)
    if found is None:
        return replace(problem, file=f"{file}, options", line=1, column=1)
    origin = lines[int(found[1])].origin
    return replace(problem, file=origin.file, line=origin.line, column=1, field=found[2] or "")


def _numbers_twice(lines: Sequence[PlanLine]) -> Iterator[Problem]:
    seen: dict[str, Origin] = {}
    for line in lines:
        if line.number in seen:
            yield line.origin.problem(
                "number",
                expected="a number that no other line has",
                found=f"{line.number}, as in line {seen[line.number].line}",
                remedy="give each characteristic its own number, as on the drawing",
            )
        seen.setdefault(line.number, line.origin)


def _part_type_text(head: Head, lines: Sequence[PlanLine], notes: Iterable[str]) -> str:
    """The text of a part-type file (YAML) of lines that have no problem."""
    said = [
        *(f"# {note}" for note in notes),
        f"part_type: {_text(head.part_type)}",
        f"title: {_text(head.title)}",
        f"gtin: {json.dumps(head.gtin)}",
        f"revision: {_text(head.revision)}",
        "unit: mm",
        "",
        "plan:",
        *(f"  - {_flow(_entry(line))}" for line in lines),
    ]
    return "\n".join(said) + "\n"


def _entry(line: PlanLine) -> list[tuple[str, str]]:
    entry = [("number", _text(line.number)), ("name", _text(line.name)), ("kind", _text(line.kind))]
    if line.nominal is not None:
        entry.append(("nominal", f"{line.nominal:f}"))
    if line.unit and line.unit != "mm":
        entry.append(("unit", _text(line.unit)))
    if line.datum:
        entry.append(("datum", _text(line.datum)))
    if line.need != "mandatory":
        entry.append(("need", _text(line.need)))
    limits = [(key, _text(text) if key == "iso286" else text) for key, text in line.limits]
    entry.append(("limits", _flow(limits)))
    if line.required_u is not None:
        entry.append(("required_u", f"{line.required_u:f}"))
    return entry


def _flow(pairs: Sequence[tuple[str, str]]) -> str:
    return "{" + ", ".join(f"{key}: {content}" for key, content in pairs) + "}"


def _text(content: str) -> str:
    """Text as YAML: plain where that is safe, else as a JSON string, which is YAML as well."""
    if _SIMPLE.fullmatch(content) and content.lower() not in _YAML_WORDS:
        return content
    return json.dumps(content, ensure_ascii=False)

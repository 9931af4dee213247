"""Values read from a file, each with its place in the file.

Rules of this file:
- A ``Table`` is a mapping, ``Rows`` a list; both are plain dict and list to everyone else, so pydantic validates them as they are.
- Keys are text. Numbers keep the text that was written (``.text``): ``25.010`` stays 25.010, and the drawing's ``1.10`` is not 1.1.
- A path is a tuple of keys and list positions from 0. A mark points to the key of an entry, or to an item of a list.
"""

from supervisor.cell.problem import Grade, Problem
from supervisor.cell.value import value

Step = str | int
Path = tuple[Step, ...]

SHOWN_LENGTH_MAX = 60


@value
class Mark:
    """A position in a file, counted from 1."""

    line: int
    column: int


class WholeScalar(int):
    """A whole number with the text that was written."""

    text: str


class RealScalar(float):
    """A number with a point or an exponent, with the text that was written."""

    text: str


class Placed:
    """What mappings and lists have in common: a file, a path, their own mark and the marks of what they hold."""

    file: str
    path: Path
    mark: Mark
    marks: dict[Step, Mark]

    def place(self, file: str, path: Path, mark: Mark) -> None:
        """Say where this stands; the marks of the entries are added while they are read."""
        self.file, self.path, self.mark, self.marks = file, path, mark, {}

    def problem(
        self, step: Step | None, *, expected: str, found: str, remedy: str, grade: Grade = "error"
    ) -> Problem:
        """A problem with one entry, or with the whole (None). A missing entry stands where the whole does."""
        mark = self.mark if step is None else self.marks.get(step, self.mark)
        path = self.path if step is None else (*self.path, step)
        return Problem(
            file=self.file,
            line=mark.line,
            column=mark.column,
            field=".".join(str(part) for part in path),
            found=found,
            expected=expected,
            remedy=remedy,
            grade=grade,
        )


class Table(Placed, dict[str, object]):
    """A mapping of a file."""

    def text(self, key: str) -> str | None:
        """The written text of a scalar; None where there is none."""
        return text_of(self.get(key))

    def tables(self, key: str) -> "list[Table]":
        """The mappings in the list under ``key``. Anything else there is left out: it is a problem of its own."""
        rows = self.get(key)
        return [row for row in rows if isinstance(row, Table)] if isinstance(rows, Rows) else []

    def table(self, key: str) -> "Table | None":
        """The mapping under ``key``."""
        inner = self.get(key)
        return inner if isinstance(inner, Table) else None


class Rows(Placed, list[object]):
    """A list of a file."""


def text_of(scalar: object) -> str | None:
    """The written text of a text or number; None for anything else."""
    if isinstance(scalar, WholeScalar | RealScalar):
        return scalar.text
    return scalar if isinstance(scalar, str) else None


def shown(found: object) -> str:
    """What was found, in words short enough for a message."""
    match found:
        case None:
            return "nothing"
        case bool():
            return "true" if found else "false"
        case Table():
            return "a mapping"
        case Rows():
            return "a list"
        case WholeScalar() | RealScalar():
            return found.text
        case _:
            text = str(found)
            return (
                f'"{text}"' if len(text) <= SHOWN_LENGTH_MAX else f'"{text[:SHOWN_LENGTH_MAX]}..."'
            )


def locate(root: Table, path: Path) -> tuple[Placed, Step | None]:
    """The mapping or list that holds the entry at ``path``, and the entry's step in it; the root itself has no step.

    Where the file ends before the path does, the last entry that exists.
    """
    here: Placed = root
    found: tuple[Placed, Step | None] = (root, None)
    for step in path:
        name = _existing(here, step)
        if name is None:
            break
        found = (here, name)
        inner = entry(here, name)
        if not isinstance(inner, Placed):
            break
        here = inner
    return found


def entry(holder: Placed, step: Step | None) -> object:
    """What stands at a step of a mapping or list; None where nothing does, the whole where there is no step."""
    if step is None:
        return holder
    if isinstance(holder, Rows):
        return holder[step] if isinstance(step, int) and 0 <= step < len(holder) else None
    return holder.get(str(step)) if isinstance(holder, Table) else None


def _existing(holder: Placed, step: Step) -> Step | None:
    if isinstance(holder, Rows):
        return step if isinstance(step, int) and 0 <= step < len(holder) else None
    return str(step) if isinstance(holder, Table) and str(step) in holder else None

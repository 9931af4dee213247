"""What is wrong with a declaration, said so that its author can put it right.

Rules of this file:
- A problem names the file, the line, the field, what was expected, what was found and what to do. Lines and columns count from 1.
- Problems are collected, never raised one by one; ``DeclarationError`` carries all of them.
- "error" means that the cell cannot be used; "warning" means that it can, and that the author probably meant something else.
"""

from collections.abc import Iterable
from difflib import get_close_matches
from typing import Literal

from supervisor.cell.reading_order import reading_order
from supervisor.cell.value import value

Grade = Literal["error", "warning"]


@value
class Problem:
    """One mistake. ``field`` is the path of keys and list positions (from 0), such as ``stations.1.url``; "" is the whole file."""

    file: str
    line: int
    column: int
    field: str
    found: str
    expected: str
    remedy: str
    grade: Grade = "error"

    def __str__(self) -> str:
        subject = f" {self.field}" if self.field else ""
        say = "warning: " if self.grade == "warning" else ""
        return (
            f"{self.file}:{self.line}:{self.column}{subject}: {say}"
            f"expected {self.expected}, found {self.found}; {self.remedy}"
        )


class DeclarationError(Exception):
    """The declaration cannot be used. ``problems`` holds everything that was found, warnings included, in reading order."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = in_reading_order(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


def in_reading_order(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """Problems by file, line and column."""
    return tuple(sorted(problems, key=lambda p: (p.file, p.line, p.column, p.field, p.expected)))


def errors_among(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """The problems that keep the declaration from being used."""
    return tuple(problem for problem in problems if problem.grade == "error")


def near_miss(written: str, known: Iterable[str]) -> str | None:
    """The known word that ``written`` was probably meant to be, or None."""
    words = {word.lower(): word for word in sorted(known)}
    close = get_close_matches(written.lower(), words, n=1, cutoff=0.6)
    return words[close[0]] if close else None


def one_of(known: Iterable[str]) -> str:
    """The known words as a phrase: "one of a, b, c"."""
    words = sorted(known, key=reading_order)
    match words:
        case []:
            return "nothing, as none is declared"
        case [only]:
            return only
        case _:
            return f"one of {', '.join(words)}"


def choose_instead(written: str, known: Iterable[str], otherwise: str) -> str:
    """A remedy for a word that is not known: the near miss if there is one."""
    meant = near_miss(written, known)
    return f"did you mean {meant}?" if meant else otherwise

"""A file of a declaration: read, validated against its pydantic model, every problem with its line.

Rules of this file:
- A model is strict and forbids unknown keys. Numbers reach it as int or float that also carry their written text (``.text``).
- Everything that is wrong with a file is found in one go; only a mistake in the syntax hides what follows it.
"""

from pathlib import Path
from typing import Generic, TypeVar

from pydantic import BaseModel, ValidationError

from supervisor.cell.problem import Grade, Problem
from supervisor.cell.reading import read_table
from supervisor.cell.refusal import explain
from supervisor.cell.table import Path as FieldPath
from supervisor.cell.table import Table, entry, locate, shown
from supervisor.cell.value import value

M = TypeVar("M", bound=BaseModel)


@value
class Located(Generic[M]):
    """The content of a file and the mapping that it was read from."""

    content: M
    table: Table

    def problem(
        self,
        path: FieldPath,
        *,
        expected: str,
        remedy: str,
        found: str = "",
        grade: Grade = "error",
    ) -> Problem:
        """A problem with the value at ``path``; ``found`` is the written value unless it is said."""
        holder, step = locate(self.table, path)
        return holder.problem(
            step,
            expected=expected,
            found=found or shown(entry(holder, step)),
            remedy=remedy,
            grade=grade,
        )


def load_document(path: Path, model: type[M], shown_as: str = "") -> tuple[M | None, list[Problem]]:
    """Read and validate one file; ``shown_as`` is its name in problems (its own name if empty).

    Returns:
        The content, or None if there is any problem; and all problems.
    """
    located, problems = load_located(path, model, shown_as)
    return (located.content if located else None), problems


def load_located(
    path: Path, model: type[M], shown_as: str = ""
) -> tuple[Located[M] | None, list[Problem]]:
    """As ``load_document``, with the positions kept for checks that look further."""
    table, problems = read_table(path, shown_as or path.name)
    if table is None:
        return None, problems
    content, refusals = validate(table, model)
    if content is None or problems:
        return None, [*problems, *refusals]
    return Located(content=content, table=table), []


def validate(table: Table, model: type[M]) -> tuple[M | None, list[Problem]]:
    """Validate a file that was read: its content or None, and everything that the model refuses."""
    try:
        return model.model_validate(table), []
    except ValidationError as error:
        return None, explain(error, table, model)

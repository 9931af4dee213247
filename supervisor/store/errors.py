"""What can go wrong with the store, by blame.

Rules of this file:
- Every error has a code for programs and a hint for people: what to do.
- ``StoreRefused`` may pass by itself (disk full, database gone); the runtime tries again. Every other ``StoreError`` needs a person.
"""

from supervisor.shell.ports import JournalRefused


class StoreError(Exception):
    """The store cannot be used as it is. ``code`` is stable; ``hint`` says what to do."""

    def __init__(self, code: str, seen: str, hint: str) -> None:
        """``seen`` says what was found, with file or address and what was expected."""
        super().__init__(f"{seen}. {hint}")
        self.code = code
        self.seen = seen
        self.hint = hint


class StoreRefused(StoreError, JournalRefused):  # noqa: N818 - it says what happened
    """The database did not take a write now, and may later."""


def cell_taken(seen: str) -> StoreError:
    """That somebody else drives the cell."""
    return StoreError(
        "cell-taken",
        seen,
        "One supervisor drives a cell at a time: stop the other one first, or stand by with --standby",
    )

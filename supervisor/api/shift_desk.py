"""The shift figures of the running cell: the fold of ``supervisor.shift`` over every durable state.

Rules of this file:
- A shift begins at 06:00, 14:00 and 22:00 UTC of the cell's time, or when this process took the cell, if that is later. Of the shifts that
  ended the last one is kept (S11).
- Figures are never worth a step: a defect in them is logged, and the shift's figures begin anew.
"""

import logging

from supervisor.cell.model import Cell
from supervisor.core.state import CellState
from supervisor.shift.fold import ShiftFigures, ShiftFold, with_bound

HOUR_MS = 3_600_000
SHIFT_MS = 8 * HOUR_MS
FIRST_MS = 6 * HOUR_MS

log = logging.getLogger(__name__)


class ShiftDesk:
    """Keeps the figures of the running shift and of the last one."""

    def __init__(self, cell: Cell) -> None:
        """Know nothing yet."""
        self._cell = cell
        self._fold: ShiftFold | None = None
        self._ends_ms = 0
        self._last: ShiftFigures | None = None

    def take(self, state: CellState, at_ms: int) -> None:
        """Take a durable state."""
        try:
            self._take(state, at_ms)
        except Exception:
            log.exception("the figures of this shift begin anew after a defect")
            self._fold = None

    def _take(self, state: CellState, at_ms: int) -> None:
        self._roll_over(at_ms)
        if self._fold is None:
            self._fold = ShiftFold(self._cell)
            self._ends_ms = end_of_shift(at_ms)
        self._fold.take(state, at_ms)

    def _roll_over(self, at_ms: int) -> None:
        """End every shift that is over by now; the next one begins with what stands at its beginning."""
        while self._fold is not None and at_ms >= self._ends_ms:
            self._last = self._fold.looked(self._ends_ms)
            # A clock may leap over many shifts, in which nothing was seen to happen: only the last of them is worth a look.
            begins_ms = max(self._ends_ms, end_of_shift(at_ms) - 2 * SHIFT_MS)
            self._fold = self._fold.next(begins_ms)
            self._ends_ms = begins_ms + SHIFT_MS

    def running(self, now_ms: int) -> ShiftFigures | None:
        """The figures of the running shift up to now, without the bound; None before the first state."""
        self._roll_over(now_ms)
        return None if self._fold is None else self._fold.looked(now_ms)

    def last(self, now_ms: int) -> ShiftFigures | None:
        """The figures of the shift before, without the bound; None while this process has seen none end."""
        self._roll_over(now_ms)
        return self._last

    def bounded(self, figures: ShiftFigures) -> ShiftFigures:
        """The same figures with the bound; may be called on any thread."""
        return with_bound(self._cell, figures)


def end_of_shift(at_ms: int) -> int:
    """When the shift of a moment ends."""
    return at_ms + SHIFT_MS - (at_ms - FIRST_MS) % SHIFT_MS

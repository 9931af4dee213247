"""What was entered at a machine, and what was expected of it.

Rules of this file: values only. The core keeps the last of them for each offset; all of them stand in the journal.
"""

from decimal import Decimal

from supervisor.cell.value import value


@value
class Expected:
    """What a correction should do to a characteristic: its mean before, with the standard uncertainty of that mean, and after."""

    number: str
    before: float
    u: float
    after: float


@value
class Correction:
    """The last correction of an offset. ``number`` counts them from 1, ``total`` adds their amounts up, in the offset's unit.

    ``advice`` is what was accepted ("" = people corrected by themselves, and ``expected`` is empty then).
    """

    number: int
    at_ms: int
    amount: Decimal
    total: Decimal
    advice: str
    by: str
    why: str
    expected: tuple[Expected, ...]


@value
class Declined:
    """Advice that somebody declined."""

    at_ms: int
    advice: str
    by: str
    why: str


@value
class ToolOffsetHistory:
    """What is known of an offset: its last correction and the last advice declined since then."""

    corrected: Correction | None = None
    declined: Declined | None = None


def tool_offset_key(part_type: str, offset: str) -> str:
    """The name of an offset in the cell; both parts are identifiers, so no other pair has it."""
    return f"{part_type}/{offset}"

"""Where order numbers begin.

Rules of this file:
- Stations and handlers remember numbers longer than a journal may. A number that one of them still knows must not be given again:
  it would take the new order for the old one, and its old answer would be taken for the new one's.
- Numbers stay below ``NUMBERS``, so that 32 bits hold them.
"""

NUMBERS = 4_000_000_000
PER_SECOND = 100_000
LOST_ORDERS_MAX = 1_000_000
"""More orders than a cell gives in a year: as far ahead as a lost history may have counted."""


def first_number(at_ms: int) -> int:
    """Where a journal that begins now begins to count: every second of some eleven hours has a stretch of numbers of its own."""
    return at_ms // 1000 * PER_SECOND % NUMBERS + 1


def numbers_apart(given: int, at_ms: int) -> int:
    """Where to go on after a loss: far from what was given before the loss, and from what was given after it and is not known."""
    fresh = first_number(at_ms)
    if LOST_ORDERS_MAX < (fresh - given) % NUMBERS < NUMBERS - LOST_ORDERS_MAX:
        return fresh
    return (given + 2 * LOST_ORDERS_MAX) % NUMBERS + 1

"""What people, and whoever throws trouble, will do later.

Rules of this file: what was written first is done first, of two entries for the same moment; an entry may write further ones.
"""

import heapq
from collections.abc import Callable

Act = Callable[[], None]


class Diary:
    """Acts by time."""

    def __init__(self) -> None:
        self._entries: list[tuple[int, int, Act]] = []
        self._serial = 0

    def write(self, at_ms: int, act: Act) -> None:
        """Do something at a moment."""
        self._serial += 1
        heapq.heappush(self._entries, (at_ms, self._serial, act))

    def next_ms(self) -> int | None:
        """The next moment at which something is to be done; None if nothing is."""
        return self._entries[0][0] if self._entries else None

    def do(self, now_ms: int) -> None:
        """Do everything that is due by now."""
        while self._entries and self._entries[0][0] <= now_ms:
            heapq.heappop(self._entries)[2]()

    def do_all(self) -> None:
        """Do everything at once, whenever it is due."""
        while self._entries:
            heapq.heappop(self._entries)[2]()

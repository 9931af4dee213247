"""How late the event loop is.

Rules of this file:
- The loop measures itself: a call is due at a time, and the lag is how much later it comes. What blocks the loop shows up here.
- The longest lag of the last minute is kept, because one long stall matters and a mean hides it.
- Real time, not the cell's. A lag is logged once for each stall that is worth a word.
"""

import asyncio
import logging
from collections import deque

from supervisor.cell.value import value

EVERY_S = 0.1
WINDOW_S = 60.0
STALL_S = 0.5

log = logging.getLogger(__name__)


@value
class Lag:
    """Lags in seconds: the newest, and the longest of the last minute. ``stalls`` counts those over ``STALL_S`` since the start."""

    now_s: float
    longest_s: float
    stalls: int


class LagMeter:
    """Measures while ``run`` runs."""

    def __init__(self) -> None:
        self._newest_s = 0.0
        self._stalls = 0
        # Falling lags with their times: the first one is the longest of the window.
        self._longest: deque[tuple[float, float]] = deque()

    async def run(self) -> None:
        """Measure until cancelled."""
        loop = asyncio.get_running_loop()
        while True:
            due_s = loop.time() + EVERY_S
            await asyncio.sleep(EVERY_S)
            now_s = loop.time()
            self.note(max(0.0, now_s - due_s), at_s=now_s)

    def note(self, lag_s: float, *, at_s: float) -> None:
        """Take one measurement, at a time of the loop's clock."""
        self._newest_s = lag_s
        if lag_s >= STALL_S:
            self._stalls += 1
            log.warning("the event loop stood still for %.1f s", lag_s)
        while self._longest and self._longest[-1][1] <= lag_s:
            self._longest.pop()
        self._longest.append((at_s, lag_s))
        while self._longest[0][0] < at_s - WINDOW_S:
            self._longest.popleft()

    def lag(self) -> Lag:
        """What was measured."""
        longest_s = self._longest[0][1] if self._longest else 0.0
        return Lag(now_s=self._newest_s, longest_s=longest_s, stalls=self._stalls)

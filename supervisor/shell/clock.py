"""The cell's time.

Rules of this file:
- Cell time is an epoch base plus monotonic time elapsed, times the speed: setting the machine's clock moves nothing that waits.
- It never goes back, over a restart neither: the base is at least the time of the last journal entry.
"""

import time
from collections.abc import Callable


class CellClock:
    """Cell time in ms since 1970, running ``speed`` times as fast as real time."""

    def __init__(self, *, base_ms: int, speed: float, monotonic: Callable[[], float]) -> None:
        """Start at ``base_ms``; ``monotonic`` gives seconds that never go back."""
        if speed <= 0:
            raise ValueError(f"the speed of the cell's clock must be above 0, not {speed}")
        self._base_ms = base_ms
        self._speed = speed
        self._monotonic = monotonic
        self._started_s = monotonic()

    def now_ms(self) -> int:
        """The cell's time in ms."""
        elapsed_s = self._monotonic() - self._started_s
        return self._base_ms + int(elapsed_s * self._speed * 1000)

    def real_s(self, cell_ms: int) -> float:
        """How many seconds of real time a span of cell time takes; 0 for a span that is over."""
        return max(0.0, cell_ms / (1000 * self._speed))


def start_clock(*, after_ms: int, speed: float = 1.0) -> CellClock:
    """A clock from the machine's wall time on, or from the last journalled time where that is later."""
    base_ms = max(time.time_ns() // 1_000_000, after_ms)
    return CellClock(base_ms=base_ms, speed=speed, monotonic=time.monotonic)

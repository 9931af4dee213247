"""The cell's time.

Rules of this file:
- Cell time is an epoch base plus monotonic time elapsed, times the speed: setting the machine's clock moves nothing that waits.
- It never goes back, over a restart neither: the base is at least the time of the last journal entry.
- So it may part from the machine's clock, when that is set or was wrong at the start. Nothing is decided from the difference; people are
  told, because records carry the cell's time and calibrations end by it.
"""

import logging
import time
from collections.abc import Callable

APART_MS_MAX = 2_000
"""A difference that is no matter: a leap second, and what an NTP client steps (our choice)."""

log = logging.getLogger(__name__)


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

    def apart_ms(self, wall_ms: int) -> int:
        """How far the machine's clock is ahead of the cell's time; 0 for simulated time, which is apart by intent."""
        return wall_ms - self.now_ms() if self._speed == 1 else 0

    def real_s(self, cell_ms: int) -> float:
        """How many seconds of real time a span of cell time takes; 0 for a span that is over."""
        return max(0.0, cell_ms / (1000 * self._speed))


def start_clock(*, after_ms: int, speed: float = 1.0) -> CellClock:
    """A clock from the machine's wall time on, or from the last journalled time where that is later."""
    base_ms = max(time.time_ns() // 1_000_000, after_ms)
    return CellClock(base_ms=base_ms, speed=speed, monotonic=time.monotonic)


class ClockWatch:
    """Compares the cell's time with the machine's clock. ``trouble`` says how they differ ("" = not by more than ``APART_MS_MAX``)."""

    def __init__(self, clock: CellClock) -> None:
        self.trouble = ""
        self._clock = clock

    def look(self, wall_ms: int) -> None:
        """Compare; the log has it once when they part and once when they agree again."""
        apart_ms = self._clock.apart_ms(wall_ms)
        before, self.trouble = self.trouble, _in_words(apart_ms)
        if self.trouble and not before:
            log.warning("%s", self.trouble)
        elif before and not self.trouble:
            log.warning("the machine's clock agrees with the cell's time again")


def _in_words(apart_ms: int) -> str:
    if abs(apart_ms) <= APART_MS_MAX:
        return ""
    side = "ahead of" if apart_ms > 0 else "behind"
    return (
        f"the machine's clock is {abs(apart_ms) / 1000:.0f} s {side} the cell's time, which records carry and calibrations end by; "
        "see that the clock is right, then start the supervisor again: its time follows, but never goes back behind the journal"
    )

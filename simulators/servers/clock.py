"""The time of a simulated cell.

Rules of this file: cell time is the machine's monotonic clock since the floor was laid, times the speed factor; all processes on one
floor agree on it. Nothing else in this room multiplies by the speed.
"""

import time


class CellClock:
    """Cell time in ms, from the floor's beginning in monotonic ns and its speed factor."""

    def __init__(self, t0_ns: int, speed: float) -> None:
        self._t0_ns = t0_ns
        self._speed = speed

    def now_ms(self) -> int:
        """Cell time now."""
        return int((time.monotonic_ns() - self._t0_ns) * self._speed / 1_000_000)

    def seconds_until(self, due_ms: int) -> float:
        """Real seconds until a moment of cell time, at least 0."""
        due_ns = self._t0_ns + due_ms * 1_000_000 / self._speed
        return max(0.0, (due_ns - time.monotonic_ns()) / 1e9)

    def cell_ms(self, real_ms: int) -> int:
        """The cell time that passes in a span of real time."""
        return int(real_ms * self._speed)

    def seconds(self, duration_ms: int) -> float:
        """Real seconds that a duration of cell time takes."""
        return duration_ms / 1000 / self._speed

"""Who watches: open streams are counted and bounded (S11)."""

from collections.abc import Generator
from contextlib import contextmanager

WATCHERS_MAX = 64
BEAT_S = 1.0
"""How long a stream may be silent; a client that hears nothing for three times as long should say that its values are old."""


class Watchers:
    """Counts open streams."""

    def __init__(self, limit: int = WATCHERS_MAX) -> None:
        """Serve at most ``limit`` streams."""
        self._limit = limit
        self._watching = 0

    def full(self) -> bool:
        """Whether there is no room for one more."""
        return self._watching >= self._limit

    @contextmanager
    def watching(self) -> Generator[None]:
        """Count one as long as it lasts."""
        self._watching += 1
        try:
            yield
        finally:
            self._watching -= 1

"""What a model will do by itself, and when.

Rules of this file:
- Time is handed in, in whole ms of the cell's time. Entries run at their own due time, never at the time of the call: one long
  advance gives the same as many short ones.
- One entry per name; planning a name again replaces it.
"""

from collections.abc import Callable

Act = Callable[[], None]


class Agenda:
    """The entries of one model. ``now_ms`` is the time up to which the model has been brought."""

    def __init__(self) -> None:
        self.now_ms = 0
        self._entries: dict[str, tuple[int, Act]] = {}
        self._waiting: dict[str, tuple[int, Act]] = {}
        self._due_ms: int | None = None
        """The smallest due time of all entries, kept because everybody asks all the time."""

    def plan(self, name: str, in_ms: int, act: Act) -> None:
        """Let ``act`` happen ``in_ms`` from now."""
        self.drop(name)
        self._entries[name] = (self.now_ms + in_ms, act)
        self._look()

    def drop(self, name: str) -> None:
        """Forget an entry; one that is not there is no error."""
        self._waiting.pop(name, None)
        if self._entries.pop(name, None) is not None:
            self._look()

    def suspend(self, name: str) -> None:
        """Let an entry wait; the ms that are left are kept."""
        if name in self._entries:
            due_ms, act = self._entries.pop(name)
            self._waiting[name] = (due_ms - self.now_ms, act)
            self._look()

    def resume(self, name: str) -> None:
        """Let an entry that waits go on."""
        if name in self._waiting:
            left_ms, act = self._waiting.pop(name)
            self.plan(name, left_ms, act)

    def left_ms(self, name: str) -> int:
        """The ms until an entry is due, whether it waits or not; 0 if there is none."""
        if name in self._waiting:
            return self._waiting[name][0]
        return self._entries[name][0] - self.now_ms if name in self._entries else 0

    def due_ms(self) -> int | None:
        """The next moment something happens by itself; None if nothing will."""
        return self._due_ms

    def advance(self, now_ms: int) -> None:
        """Bring everything that is due by ``now_ms`` about, in the order of time; of equal times the one planned first."""
        while self._due_ms is not None and self._due_ms <= now_ms:
            name = min(self._entries, key=lambda key: self._entries[key][0])
            due_ms, act = self._entries[name]
            self.drop(name)
            self.now_ms = max(self.now_ms, due_ms)
            act()
        self.now_ms = max(self.now_ms, now_ms)

    def _look(self) -> None:
        self._due_ms = min((due for due, _ in self._entries.values()), default=None)

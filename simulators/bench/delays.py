"""What is on its way to the core: facts over links, and timers.

Rules of this file:
- What left first arrives first, of two that are due at the same moment.
- A fact that was on its way over a link when that was lost never arrives.
- Timers run on the supervisor's clock, everything else on the machines'. A timer that was set anew or cancelled does not fire.
"""

import heapq
from collections import Counter
from dataclasses import dataclass

from supervisor.core.events import Event, TimerFired


@dataclass(frozen=True, slots=True)
class _Way:
    """As a timer, or over a machine's link with so many losses so far."""

    timer: str = ""
    machine: str = ""
    losses: int = 0


class Delays:
    """Everything that will reach the core later. ``ahead_ms`` is what the supervisor's clock is ahead of the machines'."""

    def __init__(self) -> None:
        self.ahead_ms = 0
        self._due: list[tuple[int, int, _Way, Event]] = []
        self._serial = 0
        self._timers: dict[str, int] = {}
        self._losses: Counter[str] = Counter()
        self._facts = 0

    def next_ms(self) -> int | None:
        """When the next one may be due; None if nothing is on its way."""
        return self._due[0][0] if self._due else None

    def facts(self) -> int:
        """How many facts are on their way, those of lost links included."""
        return self._facts

    def send(self, at_ms: int, machine: str, fact: Event) -> None:
        """A fact will arrive from a machine, unless its link is lost before."""
        self._facts += 1
        self._push(at_ms, _Way(machine=machine, losses=self._losses[machine]), fact)

    def lose(self, machine: str) -> None:
        """The link to a machine is lost, and everything on its way over it."""
        self._losses[machine] += 1

    def set_timer(self, timer: str, due_ms: int) -> None:
        """A timer fires at a time of the supervisor's clock."""
        self._timers[timer] = due_ms
        self._push(due_ms - self.ahead_ms, _Way(timer=timer), TimerFired(timer=timer))

    def cancel_timer(self, timer: str) -> None:
        """A timer fires no more."""
        self._timers.pop(timer, None)

    def leap(self, by_ms: int) -> None:
        """The supervisor's clock leaps forward."""
        self.ahead_ms += by_ms
        for timer in sorted(self._timers):
            self.set_timer(timer, self._timers[timer])

    def clear(self) -> None:
        """Nothing is on its way any more."""
        self._due.clear()
        self._timers.clear()
        self._facts = 0

    def take(self, now_ms: int) -> list[tuple[str, Event]]:
        """What has arrived by now, with the machine it comes from ("" for a timer)."""
        arrived: list[tuple[str, Event]] = []
        while self._due and self._due[0][0] <= now_ms:
            _, _, way, event = heapq.heappop(self._due)
            if way.timer:
                if self._fires(way.timer, now_ms + self.ahead_ms):
                    arrived.append(("", event))
                continue
            self._facts -= 1
            if self._losses[way.machine] == way.losses:
                arrived.append((way.machine, event))
        return arrived

    def _fires(self, timer: str, cell_ms: int) -> bool:
        if self._timers.get(timer, cell_ms + 1) > cell_ms:
            return False
        del self._timers[timer]
        return True

    def _push(self, at_ms: int, way: _Way, event: Event) -> None:
        self._serial += 1
        heapq.heappush(self._due, (at_ms, self._serial, way, event))

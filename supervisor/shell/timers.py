"""Timers of the core, waiting on the event loop.

Rules of this file:
- A timer is a goal of the state: after a restart all of them are set again from the state (S8).
- A timer that the inbox has no room for fires again a little later; none is lost.
- A timer that fired may be cancelled or set anew before its fact is decided. The core compares the due time and ignores it.
"""

import asyncio
from collections.abc import Callable, Mapping

from supervisor.core.commands import CancelTimer, SetTimer
from supervisor.core.events import Event, TimerFired
from supervisor.shell.inbox import Put
from supervisor.shell.ports import Clock, Wait

REFUSED_AGAIN_S = 0.05


class Timers:
    """Puts a ``TimerFired`` into the inbox when one is due."""

    def __init__(self, *, clock: Clock, put: Callable[[Event], Put]) -> None:
        """``put`` says whether the inbox took the fact."""
        self._clock = clock
        self._put = put
        self._handles: dict[str, asyncio.TimerHandle] = {}

    def set(self, command: SetTimer, *, late_ms: int = 0) -> None:
        """Wait for a timer; one of the same name is replaced.

        ``late_ms`` is how long after its decision it is set. A limit begins with the order that goes out together with it: where the
        journal held both up, the outside must not find its time used up.
        """
        self._wait(command.timer, command.due_ms + late_ms)

    def cancel(self, command: CancelTimer) -> None:
        """Wait no longer."""
        handle = self._handles.pop(command.timer, None)
        if handle is not None:
            handle.cancel()

    def restore(self, waits: Mapping[str, Wait]) -> None:
        """Wait for exactly these timers."""
        self.stop()
        for name in sorted(waits):
            self._wait(name, waits[name].due_ms)

    def stop(self) -> None:
        """Wait for nothing."""
        for handle in self._handles.values():
            handle.cancel()
        self._handles.clear()

    def __len__(self) -> int:
        """How many timers wait."""
        return len(self._handles)

    def _wait(self, name: str, due_ms: int) -> None:
        earlier = self._handles.pop(name, None)
        if earlier is not None:
            earlier.cancel()
        delay_s = self._clock.real_s(due_ms - self._clock.now_ms())
        self._handles[name] = asyncio.get_running_loop().call_later(
            delay_s, self._fire, name, due_ms
        )

    def _fire(self, name: str, due_ms: int) -> None:
        del self._handles[name]
        if self._clock.now_ms() < due_ms:  # the loop's clock rounds
            self._wait(name, due_ms)
        elif self._put(TimerFired(timer=name)) == "full":
            self._handles[name] = asyncio.get_running_loop().call_later(
                REFUSED_AGAIN_S, self._fire, name, due_ms
            )

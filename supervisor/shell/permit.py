"""Whether this supervisor may send: a lease that only the running step renews.

Rules of this file:
- The step says after each turn that it has turned. Nothing else renews: no thread, no timer. A loop that is blocked, a process that is
  frozen, a step that is stuck or broken lets the permit run out by doing nothing.
- A lease counts from the moment before it was asked for, on a clock that goes on while the machine sleeps.
- Whoever sends asks ``check`` in the same turn of the loop in which the bytes leave, and sends nothing without.
- A permit that ran out may come back: then nobody else took the cell meanwhile. One that is lost never does.
"""

import asyncio
import logging
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from typing import Literal, Protocol

from supervisor.cell.value import value
from supervisor.shell.ports import JournalRefused

RENEWALS_PER_LEASE = 4

log = logging.getLogger(__name__)


class NotPermitted(Exception):  # noqa: N818 - it says what is the case
    """This supervisor may not send: its lease ran out."""


class Lease(Protocol):
    """What says that this supervisor drives the cell. Kept in the store."""

    @property
    def fence(self) -> int:
        """Grows with every supervisor that takes the cell."""
        ...

    @property
    def length_s(self) -> float:
        """For how long a renewal holds."""
        ...

    def renew(self) -> None:
        """Renew it; may block.

        Raises:
            JournalRefused: it could not be asked for; try again.
            Exception: it is lost for good.
        """
        ...


class Permit(Protocol):
    """What a sender needs of it."""

    @property
    def fence(self) -> int:
        """The number that goes with each order; 0 where nobody keeps one."""
        ...

    def check(self) -> None:
        """Whether it holds in this moment.

        Raises:
            NotPermitted: it does not.
        """
        ...

    async def granted(self) -> None:
        """Wait until it holds."""
        ...

    async def turn(self) -> int:
        """Wait until the step turns once more while the permit holds; how many turns that makes."""
        ...


class Unleased:
    """The permit of a driver that has no rival: tests, benches. It always holds and never turns."""

    fence = 0

    def check(self) -> None:
        """It holds."""

    async def granted(self) -> None:
        """It holds."""

    async def turn(self) -> int:
        """It never turns."""
        return await asyncio.get_running_loop().create_future()


UNLEASED = Unleased()


class Withheld:
    """The permit of a supervisor in the shadow: it never holds, so that nothing leaves that changes anything, not an order and not a renewal."""

    fence = 0

    def check(self) -> None:
        """It does not hold.

        Raises:
            NotPermitted: always.
        """
        raise NotPermitted("this supervisor stands in the shadow of another; nothing was sent")

    async def granted(self) -> None:
        """It never holds."""
        await asyncio.get_running_loop().create_future()

    async def turn(self) -> int:
        """It never turns."""
        return await asyncio.get_running_loop().create_future()


WITHHELD = Withheld()


@value
class PermitStatus:
    """How the permit stands. ``left_s`` until it runs out, 0 once it has; ``lapses`` counts how often it has."""

    fence: int
    holds: Literal["yes", "no"]
    left_s: float
    length_s: float
    lapses: int
    why: str


def time_awake_or_asleep_s() -> float:
    """Seconds since the machine's start, on Linux with the time in which it slept: a lease runs out during sleep too."""
    return time.clock_gettime(getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC))


class LeasedPermit:
    """The permit of the process that has taken the cell."""

    def __init__(
        self,
        lease: Lease,
        *,
        turn_s: float | None = None,
        now_s: Callable[[], float] = time_awake_or_asleep_s,
    ) -> None:
        """Renew it for the first time, which may block. ``turn_s`` is how often the step should turn at least.

        Raises:
            Exception: as ``Lease.renew``.
        """
        self.fence = lease.fence
        self.turn_s = min(turn_s or lease.length_s, lease.length_s / RENEWALS_PER_LEASE)
        self._lease = lease
        self._now_s = now_s
        begun_s = now_s()
        lease.renew()
        self._until_s = begun_s + lease.length_s
        self._renew_at_s = begun_s
        self._renewing: asyncio.Task[None] | None = None
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="lease")
        self._turned = asyncio.Event()
        self._turns = 0
        self._lapses = 0
        self._held: Literal["yes", "no"] = "yes"
        self._why = ""
        self._lost: Exception | None = None
        self._ended = asyncio.Event()

    # --- the step -----------------------------------------------------------------------------------------------------------

    def turned(self) -> None:
        """The step has decided all there was, and goes on. Called on the loop by the step only."""
        self.stalled()
        if self._note() == "yes":
            self._turns += 1
            self._turned.set()
            self._turned = asyncio.Event()

    def stalled(self) -> None:
        """The step is awake but cannot decide (the journal refuses): the cell stays ours, and no machine is told to go on."""
        now_s = self._now_s()
        if self._renewing is None and now_s >= self._renew_at_s and self._lost is None:
            self._renew_at_s = now_s + self._lease.length_s / RENEWALS_PER_LEASE
            self._renewing = asyncio.get_running_loop().create_task(self._renew(now_s))

    async def _renew(self, begun_s: float) -> None:
        try:
            await asyncio.get_running_loop().run_in_executor(self._thread, self._lease.renew)
        except JournalRefused as refused:
            self._say(f"{refused}")
        except Exception as lost:  # noqa: BLE001 - whatever it is, this process must not send any more
            self._lost = lost
            self._until_s = 0.0
            self._ended.set()
        else:
            self._until_s = begun_s + self._lease.length_s
            self._say("")
        finally:
            self._renewing = None

    def _say(self, why: str) -> None:
        """Log once when it is refused and once when it is granted again."""
        if why and not self._why:
            log.warning("the lease cannot be renewed: %s", why)
        elif self._why and not why:
            log.warning("the lease is renewed again")
        self._why = why

    # --- whoever sends ------------------------------------------------------------------------------------------------------

    def _note(self) -> Literal["yes", "no"]:
        """Whether it holds now; a lapse is counted once, whoever notices it first."""
        holds: Literal["yes", "no"] = "yes" if self._now_s() < self._until_s else "no"
        if holds != self._held:
            self._held = holds
            if holds == "no":
                self._lapses += 1
                log.warning(
                    "the lease of fence %s ran out: nothing is sent until it is renewed", self.fence
                )
            else:
                log.warning("the lease of fence %s holds again", self.fence)
        return holds

    def check(self) -> None:
        """See ``Permit``."""
        if self._note() == "no":
            raise NotPermitted(f"the lease of fence {self.fence} ran out; nothing was sent")

    async def granted(self) -> None:
        """See ``Permit``."""
        while self._note() == "no":
            await self._turned.wait()

    async def turn(self) -> int:
        """See ``Permit``."""
        await self._turned.wait()
        return self._turns

    def status(self) -> PermitStatus:
        """How it stands."""
        holds = self._note()
        return PermitStatus(
            fence=self.fence,
            holds=holds,
            left_s=max(0.0, self._until_s - self._now_s()),
            length_s=self._lease.length_s,
            lapses=self._lapses,
            why=f"{self._lost or self._why}",
        )

    async def lost(self) -> None:
        """Wait until it is lost for good.

        Raises:
            Exception: always; what the lease said.
        """
        await self._ended.wait()
        assert self._lost is not None
        raise self._lost

    async def close(self) -> None:
        """Renew no longer; waits for a renewal that is under way."""
        renewing = self._renewing
        if renewing is not None:
            with suppress(asyncio.CancelledError):
                await renewing
        self._thread.shutdown(wait=False)

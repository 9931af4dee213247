"""The lease of a cell: the row that says who drives it, and that it is awake.

Rules of this file:
- Whoever drives renews: the row's beat grows. No time is written and no two clocks are ever compared: whoever waits counts on its own
  monotonic clock for how long the beat stands still.
- A driver counts its lease from the beginning of a renewal, a watcher from when it saw the beat. So the driver always stops first.
- Renewing depends on the fence in the same row, so that nobody can renew what somebody else has taken.
- A renewal is not forced to the disk: after a power cut nobody drives. Taking the cell is.
"""

import time
from collections.abc import Callable
from typing import Literal

from sqlalchemy import Connection, select, text, update
from sqlalchemy.exc import SQLAlchemyError

from supervisor.cell.value import value
from supervisor.store.database import Place, writing_engine
from supervisor.store.errors import StoreError, StoreRefused, cell_taken
from supervisor.store.holder import Holder, this_process
from supervisor.store.schema import LEASE, META

LENGTH_S = 2.0
LENGTH_S_MIN, LENGTH_S_MAX = 0.2, 60.0
LOOKS_PER_LEASE = 8
"""How often a watcher looks within one lease: it sees a lease end late by at most two looks."""

_RENEW = text("UPDATE lease SET beat = beat + 1 WHERE fence = :fence")


@value
class Seen:
    """The row as it was seen. ``standing`` "ended": its driver ended in order."""

    fence: int
    beat: int
    length_s: float
    standing: Literal["driving", "ended"]
    holder: Holder


def seen_in(connection: Connection) -> Seen:
    """The lease as it is now."""
    question = select(LEASE, META.c.standing).where(META.c.id == LEASE.c.id)
    found = connection.execute(question).mappings().one()
    return Seen(
        fence=found["fence"],
        beat=found["beat"],
        length_s=found["length_ms"] / 1000,
        standing=found["standing"],
        holder=Holder(
            host=found["host"],
            pid=found["pid"],
            boot=found["boot"],
            space=found["space"],
            started=found["started"],
        ),
    )


def take(connection: Connection, seen: Seen, *, length_s: float, fence_above: int) -> int:
    """Take the cell in the transaction under way, if nobody did since it was seen; the new fence.

    Raises:
        StoreError: "cell-taken".
    """
    us = this_process()
    recorded = connection.execute(select(META.c.fence)).scalar_one()  # larger after a restore
    fence = max(seen.fence, recorded, fence_above) + 1
    ours = update(LEASE).where(LEASE.c.fence == seen.fence, LEASE.c.beat == seen.beat)
    taken = connection.execute(
        ours.values(
            fence=fence,
            beat=LEASE.c.beat + 1,
            length_ms=round(length_s * 1000),
            host=us.host,
            pid=us.pid,
            boot=us.boot,
            space=us.space,
            started=us.started,
        )
    )
    if taken.rowcount != 1:
        raise cell_taken("another supervisor was quicker, or its driver woke up")
    connection.execute(update(META).values(fence=fence, standing="driving"))
    return fence


class Watch:
    """Tells when a lease has run out, on the watcher's own clock."""

    def __init__(self, now_s: Callable[[], float] = time.monotonic) -> None:
        self._now_s = now_s
        self._last: tuple[int, int] | None = None
        self._since_s = 0.0

    def free(self, seen: Seen) -> bool:
        """Whether the cell may be taken by now: its driver has ended, is proven dead, or has not renewed for a whole lease."""
        now_s = self._now_s()
        if (seen.fence, seen.beat) != self._last:
            self._last, self._since_s = (seen.fence, seen.beat), now_s
        if seen.standing == "ended" or seen.holder.is_dead():
            return True
        return now_s - self._since_s >= seen.length_s

    def lost(self) -> None:
        """The row could not be read: nobody could renew it either, so counting begins anew."""
        self._last = None


class Lease:
    """The lease that this process holds. It has a connection of its own, so that renewing never waits for the journal."""

    def __init__(self, place: Place, *, fence: int, length_s: float) -> None:
        """The cell has just been taken with this fence."""
        self.fence = fence
        self.length_s = length_s
        self._place = place
        self._engine = writing_engine(place, "process-safe")

    def renew(self) -> None:
        """Let the beat grow; may be called from any thread, from one at a time.

        Raises:
            StoreRefused: the database does not answer; try again.
            StoreError: "fence-lost".
        """
        try:
            with self._engine.begin() as connection:
                renewed = connection.execute(_RENEW, {"fence": self.fence}).rowcount
        except SQLAlchemyError as error:
            raise StoreRefused(
                "lease-refused",
                f"{self._place} did not renew the lease: {getattr(error, 'orig', None) or error}",
                "Nothing is sent to the machines until it does; the cell goes on by itself",
            ) from error
        if renewed != 1:
            raise fence_lost(self._place, self.fence)

    def close(self) -> None:
        """Let go of the connection."""
        self._engine.dispose()


def fence_lost(place: Place, fence: int) -> StoreError:
    """That somebody else drives the cell now."""
    return StoreError(
        "fence-lost",
        f"{place} was taken by another supervisor after fence {fence}",
        "This one must end; the other one drives the cell",
    )

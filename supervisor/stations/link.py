"""The link to one server: connections one after another, for ever.

Rules of this file:
- A link never gives up and never repairs: it waits a little and builds a new connection from nothing.
- It says once why it is down, again only when the reason changes, and once that it is back.
- Only cancelling ends it. A defect of ours is logged with its traceback and treated like any other loss.
"""

import asyncio
import logging
import random
from typing import Literal, Protocol

from supervisor.cell.value import value
from supervisor.stations.connection import Connection, LinkOptions, Revised, Seat
from supervisor.stations.opcua import StatusError, UaError
from supervisor.stations.resolve import Wanted
from supervisor.stations.security import Security
from supervisor.stations.trouble import LinkLost
from supervisor.stations.wire import quiet_library_log

__all__ = ["Link", "LinkOptions", "LinkReport", "LinkSeat"]

log = logging.getLogger(__name__)


@value
class LinkReport:
    """How a link stands, for people. ``quiet_s`` is the age of the last message; ``revised`` is what the server granted."""

    name: str
    url: str
    link: Literal["up", "down"]
    why: str
    boot: str
    asked_interval_ms: float
    revised: Revised | None
    quiet_s: float


class LinkSeat(Seat, Protocol):
    """Who is told of the link."""

    def link_down(self, why: str) -> None:
        """The connection is lost, or the first one could not be made."""
        ...


class Link:
    """Keeps one server connected for its seat."""

    def __init__(
        self,
        name: str,
        url: str,
        wanted: Wanted,
        options: LinkOptions,
        security: Security,
    ) -> None:
        self.name = name
        self._url = url
        self._wanted = wanted
        self._options = options
        self._security = security
        self._connection: Connection | None = None
        self._state: Literal["up", "down"] = "down"
        self._why = "not connected yet"

    async def run(self, seat: LinkSeat) -> None:
        """Connect and connect again until cancelled."""
        quiet_library_log()
        listener = _Listener(self, seat)
        failures = 0
        told = ""
        while True:
            why = await self._one_life(listener)
            was_up = self._state == "up"
            self._state, self._why, self._connection = "down", why, None
            if was_up or not told:
                seat.link_down(why)
            if was_up or why != told:
                log.warning("%s: link down: %s", self.name, why)
            told = why
            failures = 0 if was_up else failures + 1
            await asyncio.sleep(self._pause_s(failures))

    async def _one_life(self, listener: "_Listener") -> str:
        """One connection from beginning to end; why it ended."""
        try:
            self._connection = Connection(
                self._url, self._wanted, self._options, self._security, listener
            )
            await self._connection.live()
        except (LinkLost, OSError, UaError) as lost:
            return reason(lost)
        except Exception as defect:
            log.exception("%s: a defect in the link", self.name)
            return f"a defect of ours, see the log: {defect!r}"
        return "the connection ended"

    def _pause_s(self, failures: int) -> float:
        """Longer after each failure, and never the same for two stations that lost the same switch."""
        longest_s = min(self._options.retry_s_min * 2**failures, self._options.retry_s_max)
        return longest_s * random.uniform(0.5, 1.0)  # noqa: S311 - spreads retries, keeps no secret

    def came_up(self) -> None:
        """The seat is about to be told."""
        self._state, self._why = "up", ""
        log.info("%s: link up", self.name)

    def report(self) -> LinkReport:
        """How the link stands now."""
        connection = self._connection
        return LinkReport(
            name=self.name,
            url=self._url,
            link=self._state,
            why=self._why,
            boot=connection.facts.boot if connection else "",
            asked_interval_ms=self._options.interval_ms,
            revised=connection.revised if connection and self._state == "up" else None,
            quiet_s=connection.quiet_s if connection else 0.0,
        )


class _Listener:
    """Stands between connection and seat, so that the link knows that it is up before anybody acts on it."""

    def __init__(self, link: Link, seat: LinkSeat) -> None:
        self._link = link
        self._seat = seat
        self.link_ready = seat.link_ready
        self.link_changed = seat.link_changed

    def link_up(self, connection: Connection) -> None:
        self._link.came_up()
        self._seat.link_up(connection)


def reason(lost: Exception) -> str:
    """Why a connection ended, in words for people."""
    if isinstance(lost, StatusError):
        return f"the server answered {type(lost).__name__}"
    if isinstance(lost, TimeoutError):
        return "no answer in time"
    if isinstance(lost, ConnectionRefusedError):
        return "connection refused: nothing listens at the address"
    if isinstance(lost, OSError):
        return f"the connection broke: {str(lost) or type(lost).__name__}"
    return str(lost) or type(lost).__name__

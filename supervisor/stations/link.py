"""The link to one server: connections one after another, for ever.

Rules of this file:
- A link never gives up and never repairs: it knocks until somebody answers, then builds a new connection from nothing.
- It logs once that it went down and once that it is back. Between the two, a reason that was not given yet is logged once.
- Only cancelling ends it. A defect of ours is logged with its traceback and treated like any other loss.
"""

import asyncio
import logging
import random
from typing import Literal, Protocol

from supervisor.cell.value import value
from supervisor.shell.permit import UNLEASED, Permit
from supervisor.stations.connection import Connection, Learnt, LinkOptions, Revised, Seat
from supervisor.stations.knocking import until_answered
from supervisor.stations.opcua import StatusError, UaError
from supervisor.stations.reading import Reading
from supervisor.stations.resolve import Wanted
from supervisor.stations.security import Security
from supervisor.stations.trouble import LinkLost, UnderMaintenance
from supervisor.stations.wire import quiet_library_log

__all__ = ["Link", "LinkOptions", "LinkReport", "LinkSeat"]

STEADY_S = 2.0  # a connection that has held for so long is made again at once when it is lost
REASONS_MAX = 5  # an outage never fills the log, whatever a server thinks of

HINTS = {
    "BadTooManySessions": ": it has no session left; close other clients, or wait until theirs end",
    "BadCertificateTimeInvalid": ": our certificate is not valid at its time; renew it, or set the clock of the station",
    "BadCertificateUriInvalid": ": our certificate does not name this application; have one made for its URI",
    "BadCertificateUntrusted": ": have our certificate trusted at the station",
    "BadSecurityChecksFailed": ": have our certificate trusted at the station",
}

log = logging.getLogger(__name__)


@value
class LinkReport:
    """How a link stands, for people. ``quiet_s`` is the age of the last message; ``revised`` is what the server granted.

    ``without`` are the optional nodes that it has not, each with what is then not known or not done. ``readings`` are the watched nodes by their names in the profile, as they were last seen; none while the link is down.
    """

    name: str
    url: str
    security: str
    link: Literal["up", "down"]
    why: str
    boot: str
    asked_interval_ms: float
    revised: Revised | None
    quiet_s: float
    readings: tuple[tuple[str, Reading], ...]
    without: tuple[tuple[str, str], ...] = ()


class Outage:
    """A time without a connection: since when, and the reasons given so far."""

    def __init__(self, since_s: float) -> None:
        self.since_s = since_s
        self.reasons: set[str] = set()

    def is_news(self, why: str) -> bool:
        """Whether a reason is worth a line: it was not given before, and there are not too many of them already."""
        return why not in self.reasons and len(self.reasons) < REASONS_MAX


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
        permit: Permit = UNLEASED,
    ) -> None:
        self.name = name
        self._permit = permit
        self._url = url
        self._wanted = wanted
        self._options = options
        self._security = security
        self._connection: Connection | None = None
        self._learnt: Learnt | None = None
        self._state: Literal["up", "down", "new"] = "new"
        self._why = "not connected yet"
        self._outage = Outage(0.0)
        self._up_since_s = 0.0

    async def run(self, seat: LinkSeat) -> None:
        """Connect and connect again until cancelled."""
        quiet_library_log()
        listener = _Listener(self, seat)
        failures = 0
        while True:
            await until_answered(
                self._url, self._options, lambda lost: self._is_down(reason(lost), seat)
            )
            lost = await self._one_life(listener)
            failures = 0 if self._state == "up" else failures + 1
            self._connection = None
            self._is_down(reason(lost), seat)
            await asyncio.sleep(self._pause_s(failures, lost))

    def _is_down(self, why: str, seat: LinkSeat) -> None:
        """Note why there is no connection; tell the seat once, and the log once of each reason."""
        went, self._state, self._why = self._state != "down", "down", why
        if went:
            self._outage = Outage(asyncio.get_running_loop().time())
            seat.link_down(why)
            log.warning("%s: link down: %s", self.name, why)
        elif self._outage.is_news(why):
            log.info("%s: link still down: %s", self.name, why)
        self._outage.reasons.add(why)

    async def _one_life(self, listener: "_Listener") -> Exception:
        """One connection from beginning to end; what ended it."""
        try:
            self._connection = Connection(
                self._url, self._wanted, self._options, self._security, listener, self._permit
            )
            self._connection.recall(self._learnt)
            await self._connection.live()
        except (LinkLost, OSError, UaError) as lost:
            return lost
        except Exception as defect:
            log.exception("%s: a defect in the link", self.name)
            return LinkLost(f"a defect of ours, see the log: {defect!r}")
        return LinkLost("the connection ended")

    def _pause_s(self, failures: int, lost: Exception) -> float:
        """Longer after each failure, hardly any where it had worked for a while, and never the same for two stations that lost the same switch."""
        options = self._options
        if isinstance(lost, UnderMaintenance):
            longest_s = options.maintenance_s
        elif failures == 0 and asyncio.get_running_loop().time() - self._up_since_s > STEADY_S:
            longest_s = options.retry_s_min / 4
        else:
            longest_s = min(options.retry_s_min * 2**failures, options.retry_s_max)
        return longest_s * random.uniform(0.5, 1.0)  # noqa: S311 - spreads retries, keeps no secret

    def came_up(self) -> None:
        """The seat is about to be told."""
        if self._state == "new":
            log.info("%s: link up", self.name)
        else:
            down_s = asyncio.get_running_loop().time() - self._outage.since_s
            log.info("%s: link up again after %.1f s", self.name, down_s)
        for node, why in self._without():
            log.info("%s: it has no %s: %s", self.name, node, why)
        self._state, self._why = "up", ""
        self._up_since_s = asyncio.get_running_loop().time()
        self._learnt = self._connection and self._connection.learnt

    def _without(self) -> tuple[tuple[str, str], ...]:
        """What the station has not, in the order of the profile."""
        connection = self._connection
        if connection is None or not connection.found:
            return ()
        optional = self._wanted.optional.items()
        return tuple((name, why) for name, why in optional if name in connection.missing)

    def report(self) -> LinkReport:
        """How the link stands now."""
        connection = self._connection
        live = connection if self._state == "up" else None
        return LinkReport(
            name=self.name,
            url=self._url,
            security=self._security.words,
            link="up" if self._state == "up" else "down",
            why=self._why,
            boot=connection.facts.boot if connection else "",
            asked_interval_ms=self._options.interval_ms,
            revised=live.revised if live else None,
            quiet_s=connection.quiet_s if connection else 0.0,
            without=self._without(),
            readings=tuple((n, live.image[at]) for n, at in live.positions.items()) if live else (),
        )


class _Listener:
    """Stands between connection and seat, so that the link knows that it is up before anybody acts on it."""

    def __init__(self, link: Link, seat: LinkSeat) -> None:
        self._link = link
        self._seat = seat
        self.link_ready = seat.link_ready
        self.link_read = seat.link_read
        self.link_changed = seat.link_changed

    def link_up(self, connection: Connection) -> None:
        self._link.came_up()
        self._seat.link_up(connection)


def reason(lost: Exception) -> str:
    """Why a connection ended, in words for people."""
    if isinstance(lost, StatusError):
        name = type(lost).__name__
        return f"the server answered {name}{HINTS.get(name, '')}"
    if isinstance(lost, TimeoutError):
        return "no answer in time"
    if isinstance(lost, ConnectionRefusedError):
        return "connection refused: nothing listens at the address"
    if isinstance(lost, OSError):
        return f"the connection broke: {str(lost) or type(lost).__name__}"
    return str(lost) or type(lost).__name__

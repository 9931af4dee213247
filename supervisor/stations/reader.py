"""A tag reader: presence at its places as observations, and tags on demand.

Rules of this file:
- The answer to a reading order is always a ``TagRead``; one that was not answered in time is "failed", for reading harms nothing.
- Places are reported in the order in which the cell declares them.
"""

import asyncio
from collections.abc import Coroutine, Sequence
from typing import Any

from supervisor.cell.profile import ReaderProfile
from supervisor.cell.profile_language import PresenceWord, TagWord
from supervisor.core.commands import Goal, ReadTag
from supervisor.core.events import Link, PlacesObserved, Presence, TagRead
from supervisor.stations.adapter import WiredAdapter, Wiring
from supervisor.stations.connection import Connection
from supervisor.stations.decode import Decoder, facet_decoder
from supervisor.stations.goals import fields_of
from supervisor.stations.link import reason
from supervisor.stations.opcua import UaError
from supervisor.stations.orders import ACCEPTED, Answer, Desk
from supervisor.stations.steady import Settled
from supervisor.stations.tags import TagSeen, read_tag
from supervisor.stations.trouble import LinkLost, OrderImpossible, ResultUnreadable
from supervisor.stations.wanted import presence_at, tag_order_at, wanted_by_reader


class ReaderAdapter(WiredAdapter):
    """A tag reader on the wire, for the places that it watches."""

    def __init__(
        self,
        reader: str,
        url: str,
        profile: ReaderProfile,
        *,
        places: Sequence[str],
        wiring: Wiring | None = None,
    ) -> None:
        super().__init__(reader, url, wanted_by_reader(profile, places), wiring or Wiring())
        self._profile = profile
        self._places = tuple(places)
        self._decoders: tuple[Decoder[PresenceWord], ...] = ()
        self._settled: tuple[Settled[Presence], ...] = ()
        self._reported: tuple[Presence, ...] = ()
        self._boot = ""
        self._newest_ms = 0

    def _works(self) -> tuple[Coroutine[Any, Any, None], ...]:
        return (*super()._works(), *self._ticking([self._profile.facets.presence], None))

    def link_ready(self, connection: Connection) -> None:
        """See ``WiredAdapter``."""
        self._decoders = tuple(self._decoder(place, connection) for place in self._places)
        settle_s = (self._profile.facets.presence.settle_ms or 0) / 1000 / self._speed
        self._settled = tuple(Settled(settle_s, "unknown") for _ in self._places)

    def _decoder(self, place: str, connection: Connection) -> Decoder[PresenceWord]:
        facet = presence_at(self._profile, place)
        return facet_decoder(facet, connection.places(), "unknown")

    def link_up(self, connection: Connection) -> None:
        """Report all places, whatever was reported before."""
        self._boot = connection.facts.boot
        self._reported = ()
        super().link_up(connection)

    def link_changed(self) -> None:
        """Report all places if one changed."""
        connection = self._connection
        if connection is None:
            return
        now_s = asyncio.get_running_loop().time()
        seen: tuple[Presence, ...] = tuple(
            settled.word(decoder(connection.image), now_s)
            for decoder, settled in zip(self._decoders, self._settled, strict=True)
        )
        if seen != self._reported:
            self._newest_ms = connection.newest_ms
            self._report(seen, "up")

    def _report_down(self) -> None:
        unknown: list[Presence] = ["unknown"] * len(self._places)
        self._report(tuple(unknown), "down")

    def _report(self, seen: tuple[Presence, ...], link: Link) -> None:
        self._reported = seen
        self._emit(
            PlacesObserved(
                reader=self._name,
                source_ms=self._newest_ms,
                boot=self._boot,
                link=link,
                presence=tuple(zip(self._places, seen, strict=True)),
            )
        )

    async def _carry_out(self, connection: Connection, goal: Goal) -> Answer:
        assert isinstance(goal, ReadTag)
        try:
            seen = await self._read(connection, goal)
        except (LinkLost, OrderImpossible, ResultUnreadable, OSError, UaError) as trouble:
            self._emit_tag(goal, "failed", why=reason(trouble))
            return ACCEPTED
        self._emit_tag(goal, seen.status, seen.payload.hex(), seen.why)
        return ACCEPTED

    async def _read(self, connection: Connection, goal: ReadTag) -> TagSeen:
        order = tag_order_at(self._profile, goal.place)
        if order.node not in connection.found:
            message = f"nothing reads tags at {goal.place}"
            raise OrderImpossible(message)
        async with connection.ordering() as session:
            desk = Desk(connection, session, self._limit_s(order))
            try:
                return await read_tag(
                    desk, connection, order, fields_of(goal, fence=self._permit.fence)
                )
            except TimeoutError:
                connection.drop_orders(session)
                raise

    def _emit_tag(self, goal: ReadTag, status: TagWord, payload: str = "", why: str = "") -> None:
        self._emit(
            TagRead(
                order=goal.order,
                reader=self._name,
                place=goal.place,
                status=status,
                payload=payload,
                why=why,
            )
        )

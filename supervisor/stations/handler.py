"""The handler: its image as observations, and its one goal as an order.

Rules of this file:
- The handler knows order numbers and never carries out one twice; an order that was not answered is "unknown" all the same.
- What cannot be read is "unknown": also whose inside the arm is in, which no interlock takes for clear.
"""

import asyncio
from collections.abc import Coroutine
from typing import Any, NamedTuple

from supervisor.cell.profile import HandlerProfile
from supervisor.core.commands import Goal
from supervisor.core.events import HandlerObserved, Link, Mode, Phase, Presence
from supervisor.stations.adapter import WiredAdapter, Wiring
from supervisor.stations.connection import Connection
from supervisor.stations.decode import Decoder, facet_decoder, name_decoder, number_decoder
from supervisor.stations.goals import fields_of
from supervisor.stations.orders import Answer, carry_out
from supervisor.stations.reading import Image
from supervisor.stations.steady import Pulse, Settled, settled
from supervisor.stations.wanted import handler_facets, move_there, wanted_by_handler


class Seen(NamedTuple):
    """The facets and echoes of one image."""

    mode: Mode
    order: int
    phase: Phase
    inside: str
    at: str
    jaws: tuple[Presence, ...]
    why: str


class Interpreter:
    """The decoders of one connection."""

    def __init__(
        self, profile: HandlerProfile, connection: Connection, jaws: int, speed: float
    ) -> None:
        facets, echoes, places = profile.facets, profile.echoes, connection.places()
        self._mode: Decoder[Mode] = facet_decoder(facets.mode, places, "unknown")
        self._phase: Decoder[Phase] = facet_decoder(facets.phase, places, "unknown")
        self._jaws: list[Decoder[Presence]] = [
            facet_decoder(jaw, places, "unknown") for jaw in facets.jaws[:jaws]
        ]
        self._order = number_decoder(echoes.order, places, unreadable=0)
        self._inside = name_decoder(echoes.inside, places, unreadable="unknown")
        self._at = name_decoder(echoes.at, places)
        self._why = name_decoder(echoes.why, places)
        self._pulse = Pulse(profile.heartbeat, places)
        self._mode_settled: Settled[Mode] = settled(facets.mode, "unknown", speed)
        self._phase_settled: Settled[Phase] = settled(facets.phase, "unknown", speed)
        self._jaws_settled: list[Settled[Presence]] = [
            settled(jaw, "unknown", speed) for jaw in facets.jaws[:jaws]
        ]

    def alive(self, image: Image, now_s: float) -> bool:
        """Whether its heartbeat goes on."""
        return self._pulse.beats(image, now_s)

    def shown(self, image: Image, now_s: float) -> Seen:
        """What holds: of what the image shows, the facets that have settled."""
        seen = self.look(image)
        jaws = zip(self._jaws_settled, seen.jaws, strict=True)
        return seen._replace(
            mode=self._mode_settled.word(seen.mode, now_s),
            phase=self._phase_settled.word(seen.phase, now_s),
            jaws=tuple(jaw.word(word, now_s) for jaw, word in jaws),
        )

    def look(self, image: Image) -> Seen:
        """The image in the words of the core."""
        return Seen(
            self._mode(image),
            self._order(image),
            self._phase(image),
            self._inside(image),
            self._at(image),
            tuple(jaw(image) for jaw in self._jaws),
            self._why(image),
        )


class HandlerAdapter(WiredAdapter):
    """The handler on the wire, with as many jaws as the cell declares."""

    def __init__(
        self,
        handler: str,
        url: str,
        profile: HandlerProfile,
        *,
        jaws: int,
        wiring: Wiring | None = None,
    ) -> None:
        wanted = wanted_by_handler(profile, jaws)
        super().__init__(handler, url, wanted, wiring or Wiring(), profile.permit)
        self._profile = profile
        self._jaws = jaws
        self._order = move_there(profile)
        self._interpreter: Interpreter | None = None
        self._unknown = Seen("unknown", 0, "unknown", "unknown", "", ("unknown",) * jaws, "")
        self._reported: Seen | None = None
        self._boot = ""
        self._newest_ms = 0

    def _works(self) -> tuple[Coroutine[Any, Any, None], ...]:
        facets = handler_facets(self._profile, self._jaws)
        return (*super()._works(), *self._ticking(facets, self._profile.heartbeat))

    def link_ready(self, connection: Connection) -> None:
        """See ``WiredAdapter``."""
        self._interpreter = Interpreter(self._profile, connection, self._jaws, self._speed)
        self._order = move_there(self._profile, connection.missing)

    def link_up(self, connection: Connection) -> None:
        """Report the whole image, whatever was reported before."""
        self._boot = connection.facts.boot
        self._reported = None
        super().link_up(connection)

    def link_changed(self) -> None:
        """Report the image if it changed."""
        connection, interpreter = self._connection, self._interpreter
        if connection is None or interpreter is None:
            return
        now_s = asyncio.get_running_loop().time()
        alive = interpreter.alive(connection.image, now_s)
        seen = interpreter.shown(connection.image, now_s) if alive else self._unknown
        if seen != self._reported:
            self._newest_ms = connection.newest_ms
            self._report(seen, "up")

    def _report_down(self) -> None:
        self._report(self._unknown, "down")

    def _report(self, seen: Seen, link: Link) -> None:
        self._reported = seen
        self._emit(
            HandlerObserved(
                source_ms=self._newest_ms,
                boot=self._boot,
                link=link,
                mode=seen.mode,
                order=seen.order,
                phase=seen.phase,
                inside=seen.inside,
                at=seen.at,
                jaws=seen.jaws,
                why=seen.why,
            )
        )

    async def _carry_out(self, connection: Connection, goal: Goal) -> Answer:
        return await carry_out(
            connection,
            self._order,
            fields_of(goal, fence=self._permit.fence),
            self._limit_s(self._order),
        )

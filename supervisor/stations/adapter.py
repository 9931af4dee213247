"""What the adapters of station, handler and reader have in common: a link, a queue of goals, and someone who works it off.

Rules of this file:
- Goals go out one after another in the order given. Only a door and an abort may overtake a program that is being prepared.
- A goal that comes while the link is down is forgotten: the core gives it again after the link is up (S4).
- A goal waits until this supervisor is permitted to send. Where the permit runs out amid an order, the order is in doubt.
- An adapter never raises for trouble outside. A defect of ours is logged and leaves its order in doubt.
"""

import asyncio
import logging
from abc import ABC, abstractmethod
from collections.abc import Callable, Coroutine, Iterable
from typing import Any

from supervisor.cell.profile_language import Facet, Heartbeat, RenewedPermit, Supported, TagOrder
from supervisor.cell.value import value
from supervisor.core.commands import AbortRun, Goal, PrepareProgram, SetDoor
from supervisor.core.events import Event, OrderAnswered
from supervisor.shell.permit import UNLEASED, NotPermitted, Permit
from supervisor.stations.connection import Connection
from supervisor.stations.goals import GoalQueue, audit_id
from supervisor.stations.link import Link, LinkOptions, LinkReport, reason
from supervisor.stations.opcua import UaError
from supervisor.stations.orders import Answer
from supervisor.stations.permits import MachinePermit
from supervisor.stations.resolve import Wanted
from supervisor.stations.security import NoSecurity, Security
from supervisor.stations.steady import TICK_S
from supervisor.stations.trouble import LinkLost
from supervisor.stations.wire import audited

LIMIT_S_MIN = 2.0
OVERTAKING: tuple[type[Goal], ...] = (SetDoor, AbortRun)

log = logging.getLogger(__name__)


@value
class Wiring:
    """How an adapter is wired. ``speed`` is how many times as fast as life a simulated machine runs; ``permit`` lets it send."""

    options: LinkOptions = LinkOptions()
    security: Security = NoSecurity()
    speed: float = 1.0
    permit: Permit = UNLEASED


class WiredAdapter(ABC):
    """An adapter whose other side is an OPC UA server."""

    def __init__(
        self,
        name: str,
        url: str,
        wanted: Wanted,
        wiring: Wiring,
        renewed: RenewedPermit | None = None,
    ) -> None:
        """``renewed``: how the machine's permit to move is renewed; None where it takes none."""
        self._name = name
        self._speed = wiring.speed
        self._permit = wiring.permit
        self._link = Link(name, url, wanted, wiring.options, wiring.security, wiring.permit)
        self._goals = GoalQueue()
        self._machine = renewed and MachinePermit(name, renewed, wiring.permit, speed=wiring.speed)
        self._connection: Connection | None = None
        self._emit: Callable[[Event], None] = _nowhere

    @property
    def name(self) -> str:
        """The id of the station, handler or reader."""
        return self._name

    def refusal(self) -> str:
        """Why the machine does not let this supervisor move it ("" = it does, or it takes no permit)."""
        return "" if self._machine is None else self._machine.refusal

    def report(self) -> LinkReport:
        """How the link stands, for people."""
        return self._link.report()

    async def run(self, emit: Callable[[Event], None]) -> None:
        """Report facts and carry out goals until cancelled."""
        self._emit = emit
        tasks = [asyncio.create_task(work) for work in (self._link.run(self), *self._works())]
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    def _works(self) -> tuple[Coroutine[Any, Any, None], ...]:
        """What runs beside the link."""
        keeping = () if self._machine is None else (self._machine.keep(),)
        return (self._work_off_goals(), *keeping)

    def _ticking(
        self, facets: Iterable[Facet[Any]], heartbeat: Heartbeat | None
    ) -> tuple[Coroutine[Any, Any, None], ...]:
        """What looks at the image again without a message, where time itself changes what it means."""
        timed = any(facet.settle_ms is not None or facet.age_s_max is not None for facet in facets)
        return (self._tick(),) if timed or heartbeat is not None else ()

    async def _tick(self) -> None:
        while True:
            await asyncio.sleep(TICK_S)
            if self._connection is not None:
                self.link_changed()

    def give(self, goal: Goal) -> None:
        """Take a goal and return at once."""
        if self._connection is not None:
            self._goals.put(goal)

    # --- the link ---------------------------------------------------------------------------------------------------------

    @abstractmethod
    def link_ready(self, connection: Connection) -> None:
        """Make the decoders for this connection."""

    @abstractmethod
    def link_changed(self) -> None:
        """Look at the image and report what changed."""

    @abstractmethod
    def _report_down(self) -> None:
        """Report that the link is down and nothing else is known."""

    async def link_read(self, connection: Connection) -> None:
        """Nothing is latched here; who latches events asks for them."""
        del connection

    def link_up(self, connection: Connection) -> None:
        """Report the whole image and take goals from now on."""
        self._connection = connection
        if self._machine is not None:
            self._machine.connected(connection)
        self.link_changed()

    def link_down(self, why: str) -> None:
        """Forget goals and report that nothing is known."""
        self._connection = None
        if self._machine is not None:
            self._machine.connected(None)
        self._goals.clear()
        self._report_down()

    def _limit_s(self, order: Supported | TagOrder) -> float:
        """How long an order may take, in real seconds."""
        return max(order.limit_s / self._speed, LIMIT_S_MIN)

    # --- goals ------------------------------------------------------------------------------------------------------------

    async def _work_off_goals(self) -> None:
        while True:
            goal = await self._goals.take()
            if isinstance(goal, PrepareProgram):
                await self._while_others_overtake(goal)
            else:
                await self._answer(goal)

    async def _while_others_overtake(self, goal: Goal) -> None:
        preparing = asyncio.create_task(self._answer(goal))
        try:
            while not preparing.done():
                overtaking = asyncio.create_task(self._goals.take(OVERTAKING))
                await asyncio.wait((preparing, overtaking), return_when=asyncio.FIRST_COMPLETED)
                if overtaking.done():
                    await self._answer(overtaking.result())
                else:
                    overtaking.cancel()
        finally:
            preparing.cancel()
            await asyncio.gather(preparing, return_exceptions=True)

    async def _answer(self, goal: Goal) -> None:
        """Carry a goal out and report what the levels cannot show."""
        connection = self._connection
        if connection is None:
            return
        await self._permit.granted()
        if self._machine is not None:
            await self._machine.given(connection)
        if connection is not self._connection:
            return  # the link was lost meanwhile: the core gives it again
        answer = await self._carried_out(connection, goal)
        if answer.outcome != "accepted":
            self._emit(OrderAnswered(order=goal.order, outcome=answer.outcome, why=answer.why))

    async def _carried_out(self, connection: Connection, goal: Goal) -> Answer:
        try:
            with audited(audit_id(goal)):
                return await self._carry_out(connection, goal)
        except (LinkLost, OSError, UaError, NotPermitted) as lost:
            return Answer(outcome="unknown", why=reason(lost))
        except Exception as defect:
            log.exception("%s: a defect while order %s was given", self._name, goal.order)
            return Answer(outcome="unknown", why=f"a defect of ours, see the log: {defect!r}")

    @abstractmethod
    async def _carry_out(self, connection: Connection, goal: Goal) -> Answer:
        """Give a goal to the other side."""


def _nowhere(event: Event) -> None:
    """Before ``run`` nobody listens."""

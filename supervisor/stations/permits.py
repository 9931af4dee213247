"""Telling a machine that its supervisor is awake, again and again.

Rules of this file:
- Each renewal follows a turn of the step (``Permit.turn``): a step that stands still renews nothing, and the machine's permit runs out.
- It goes over the session of the monitoring, so that a slow order cannot hold it up.
- An order to a machine with a permit waits until the permit was renewed lately, or refused: then the machine says why itself.
"""

import asyncio
import logging

from supervisor.cell.profile_language import RenewedPermit, Supported
from supervisor.cell.profile_uses import way_there
from supervisor.shell.permit import RENEWALS_PER_LEASE, NotPermitted, Permit
from supervisor.stations.connection import Connection
from supervisor.stations.opcua import UaError
from supervisor.stations.orders import Answer, Desk
from supervisor.stations.trouble import LinkLost, OrderImpossible

LASTS_S_MIN = 1.0
"""A permit of a simulated machine shrinks with its speed, but not below what a busy desk computer can keep."""

log = logging.getLogger(__name__)


def lasts_s(renewed: RenewedPermit, speed: float) -> float:
    """How long a machine's permit lasts, in real seconds."""
    return (
        max(renewed.lasts_s / speed, min(renewed.lasts_s, LASTS_S_MIN))
        if speed > 1
        else renewed.lasts_s
    )


class MachinePermit:
    """The permit of one machine, kept as long as the step turns."""

    def __init__(self, name: str, renewed: RenewedPermit, permit: Permit, *, speed: float) -> None:
        order = way_there(renewed.renew)
        assert order is not None  # profile_problems refuses a permit that cannot be renewed
        self._name = name
        self._order: Supported = order
        self._permit = permit
        self._lasts_s = lasts_s(renewed, speed)
        self._connection: Connection | None = None
        self._until_s = 0.0
        self._answered = asyncio.Event()
        self.refusal = ""

    def connected(self, connection: Connection | None) -> None:
        """A new connection: the machine may have forgotten everything."""
        self._connection = connection
        self._until_s, self.refusal = 0.0, ""
        self._wake()

    async def keep(self) -> None:
        """Renew until cancelled."""
        while True:
            turn = await self._permit.turn()
            connection = self._connection
            if connection is not None:
                await self._renew(connection, turn)
            await asyncio.sleep(self._lasts_s / RENEWALS_PER_LEASE)

    async def given(self, connection: Connection) -> None:
        """Wait until the machine has been told lately, has refused, or the connection is gone."""
        loop = asyncio.get_running_loop()
        while self._connection is connection and not self.refusal and loop.time() >= self._until_s:
            await self._answered.wait()

    async def _renew(self, connection: Connection, turn: int) -> None:
        begun_s = asyncio.get_running_loop().time()
        answer = await self._asked(connection, turn)
        if self._connection is connection:
            if answer.outcome == "accepted":
                self._until_s = begun_s + self._lasts_s
            self._note("" if answer.outcome in ("accepted", "unknown") else answer.why)
        self._wake()

    def _wake(self) -> None:
        self._answered.set()
        self._answered = asyncio.Event()

    async def _asked(self, connection: Connection, turn: int) -> Answer:
        fields = {
            "fence": self._permit.fence,
            "beat": turn,
            "permit_ms": round(self._lasts_s * 1000),
        }
        try:
            desk = Desk(connection, connection.signals, self._lasts_s)
            return await desk.give(self._order, fields)
        except OrderImpossible as impossible:
            return Answer(outcome="failed", why=str(impossible))
        except (LinkLost, OSError, TimeoutError, UaError, NotPermitted) as lost:
            return Answer(outcome="unknown", why=str(lost))

    def _note(self, refusal: str) -> None:
        """Log once when it is refused and once when it is given again."""
        if refusal and refusal != self.refusal:
            log.warning("%s: does not let us move it: %s", self._name, refusal)
        elif self.refusal and not refusal:
            log.info("%s: lets us move it", self._name)
        self.refusal = refusal

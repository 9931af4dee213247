"""The tag reader's information model, with the person behind it who brings and takes pallets. See docs/reference/simulators.md."""

import asyncio
from collections.abc import Mapping
from typing import Any

from asyncua import Server

from simulators.models.reader import TagStatus
from simulators.servers.panel import STATUS, Argument, Panel, Type, Variable
from simulators.servers.reading import ReadingMachine

STATUSES: dict[TagStatus, int] = {"read": 0, "no tag": 1, "several tags": 2, "failed": 3}
READ = (STATUS[0], Argument(name="Payload", type=Type.ByteString), STATUS[1])


class RackMachine(ReadingMachine):
    """The reader model behind its panel."""

    uri = "urn:pointsman:sim:rack"
    root = ("Rack",)
    ids = "names"

    async def build(self, server: Server, panel: Panel) -> None:
        """See ``Machine``."""
        await panel.show(
            [
                Variable(path=f"Places/{place}/Occupied", type=Type.Boolean, start=False)
                for place in self.model.places
            ]
        )
        await panel.offer(
            "ReadTag", self._read, takes=(Argument(name="Place", type=Type.String),), gives=READ
        )

    def values(self) -> Mapping[str, Any]:
        """See ``Machine``."""
        return {f"Places/{place}/Occupied": there for place, there in self.model.image().items()}

    async def _read(self, place: str) -> tuple[int, bytes, str]:
        await asyncio.sleep(self._world.clock.seconds(self.model.read_ms))
        answer = self.model.read(place)
        return STATUSES[answer.status], answer.payload, answer.text

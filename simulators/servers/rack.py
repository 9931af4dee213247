"""The tag reader's information model, with the person behind it who brings and takes pallets. See docs/reference/simulators.md."""

import asyncio
from collections.abc import Mapping
from typing import Any, get_args

from asyncua import Server

from simulators.models.operator import WHO, OperatorModel
from simulators.models.reader import ReaderModel, TagStatus
from simulators.servers.machine import Machine, Switch, World
from simulators.servers.panel import STATUS, Argument, Panel, Type, Variable

STATUSES: dict[TagStatus, int] = {"read": 0, "no tag": 1, "several tags": 2, "failed": 3}
READ = (STATUS[0], Argument(name="Payload", type=Type.ByteString), STATUS[1])


class RackMachine(Machine):
    """The reader model behind its panel."""

    uri = "urn:pointsman:sim:rack"
    root = ("Rack",)
    ids = "names"

    def __init__(self, world: World) -> None:
        super().__init__(world)
        self.model = ReaderModel(world.physics, floor=world.floor)
        self.person = OperatorModel(
            world.physics,
            floor=world.floor,
            seed=world.parts.seed,
            memory=world.floor.recall(WHO),
        )

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

    def due_ms(self) -> int | None:
        """See ``Machine``."""
        return self.person.due_ms()

    def advance(self, now_ms: int) -> None:
        """See ``Machine``."""
        self.person.advance(now_ms)

    def values(self) -> Mapping[str, Any]:
        """See ``Machine``."""
        return {f"Places/{place}/Occupied": there for place, there in self.model.image().items()}

    def switches(self) -> Mapping[str, Switch]:
        """See ``Machine``."""
        return {"NextRead": Switch(type=Type.String, throw=self._answer_next, show=lambda: "")}

    def _answer_next(self, status: str) -> None:
        if status in get_args(TagStatus):
            self.model.answer_next(status)  # type: ignore[arg-type] - checked one line above

    async def _read(self, place: str) -> tuple[int, bytes, str]:
        await asyncio.sleep(self._world.clock.seconds(self.model.read_ms))
        answer = self.model.read(place)
        return STATUSES[answer.status], answer.payload, answer.text

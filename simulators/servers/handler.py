"""The handler's information model: methods take orders and permits, levels show what becomes of them. See docs/reference/simulators.md."""

import asyncio
from collections.abc import Mapping
from typing import Any

from asyncua import Server

from simulators.models.handler import HandlerModel, Mode, OrderAnswer, OrderStatus, Phase
from simulators.servers.machine import Machine, Switch, World, pulse
from simulators.servers.panel import Argument, Panel, Type, Variable

MODES: dict[Mode, int] = {"off": 0, "manual": 1, "automatic": 2, "fault": 3}
PHASES: dict[Phase, int] = {"none": 0, "accepted": 1, "busy": 2, "done": 3, "failed": 4}
STATUS: dict[OrderStatus, int] = {"accepted": 0, "refused": 1, "known": 2}
VARIABLES = (
    Variable(path="Mode", type=Type.Int32, start=0),
    Variable(path="OrderId", type=Type.UInt32, start=0),
    Variable(path="OrderPhase", type=Type.Int32, start=0),
    Variable(path="OrderText", type=Type.String, start=""),
    Variable(path="Inside", type=Type.String, start=""),
    Variable(path="At", type=Type.String, start=""),
    Variable(path="Jaw1", type=Type.Boolean, start=False),
    Variable(path="Jaw2", type=Type.Boolean, start=False),
    Variable(path="Permit", type=Type.Boolean, start=False),
    Variable(path="Fence", type=Type.UInt32, start=0),
)
ORDER = (
    Argument(name="Order", type=Type.UInt32),
    Argument(name="Action", type=Type.String),
    Argument(name="Place", type=Type.String),
    Argument(name="PickJaw", type=Type.Byte),
    Argument(name="PutJaw", type=Type.Byte),
)
FENCE = Argument(name="Fence", type=Type.UInt32)
RENEWAL = (FENCE, Argument(name="LastsMs", type=Type.UInt32))


class HandlerMachine(Machine):
    """The handler model behind its panel."""

    uri = "urn:pointsman:sim:handler"
    root = ("Handler",)
    ids = "names"

    def __init__(self, world: World) -> None:
        super().__init__(world)
        self.model = HandlerModel(world.physics, floor=world.floor)
        self._answer_delay_s = 0.0

    async def build(self, server: Server, panel: Panel) -> None:
        """See ``Machine``."""
        await panel.show(VARIABLES)
        await panel.offer("Execute", self._execute, takes=ORDER)
        await panel.offer("Move", self._move, takes=(FENCE, *ORDER))
        await panel.offer("Renew", self._renew, takes=RENEWAL)

    def due_ms(self) -> int | None:
        """See ``Machine``."""
        return self.model.due_ms()

    def advance(self, now_ms: int) -> None:
        """See ``Machine``."""
        self.model.advance(now_ms)

    def values(self) -> Mapping[str, Any]:
        """See ``Machine``."""
        image = self.model.image()
        return {
            "Mode": MODES[image.mode],
            "Inside": image.inside,
            "At": image.at,
            "Jaw1": image.jaws[0],
            "Jaw2": len(image.jaws) > 1 and image.jaws[1],
            "Permit": image.permit != "ran out",
            "Fence": image.fence,
            "OrderId": image.order,
            "OrderText": image.text,
            "OrderPhase": PHASES[image.phase],
        }

    def switches(self) -> Mapping[str, Switch]:
        """See ``Machine``."""
        return {
            "Manual": self._mode_switch("manual"),
            "Fault": self._mode_switch("fault"),
            "FailOrder": pulse(self.model.fail_next),
            "LeadOut": pulse(self.model.lead_out),
            "AnswerDelay": Switch(
                type=Type.Double, throw=self._answer_late, show=lambda: self._answer_delay_s
            ),
        }

    def _mode_switch(self, mode: Mode) -> Switch:
        return Switch(
            type=Type.Boolean,
            throw=lambda value: self.model.befall(mode if value else "automatic"),
            show=lambda: self.model.image().mode == mode,
        )

    def _answer_late(self, seconds: float) -> None:
        self._answer_delay_s = seconds

    async def _execute(
        self, order: int, action: str, place: str, pick_jaw: int, put_jaw: int
    ) -> tuple[int, str]:
        self.catch_up()
        return await self._answered(self.model.execute(order, action, place, pick_jaw, put_jaw))

    async def _move(
        self, fence: int, order: int, action: str, place: str, pick_jaw: int, put_jaw: int
    ) -> tuple[int, str]:
        self.catch_up()
        return await self._answered(self.model.move(fence, order, action, place, pick_jaw, put_jaw))

    async def _answered(self, answer: OrderAnswer) -> tuple[int, str]:
        if self._answer_delay_s:
            await asyncio.sleep(self._answer_delay_s)
        return STATUS[answer.status], answer.text

    async def _renew(self, fence: int, lasts_ms: int) -> tuple[int, str]:
        """Real time on the wire, the cell's time in the model."""
        self.catch_up()
        answer = self.model.renew(fence, self._world.clock.cell_ms(lasts_ms))
        return STATUS[answer.status], answer.text

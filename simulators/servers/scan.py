"""The optical station's information model: methods, a state number, results as JSON text. See docs/reference/simulators.md."""

import asyncio
import json
from collections.abc import Mapping
from typing import Any

from asyncua import Server

from simulators.models.station import Answer, Result, Status, Work
from simulators.servers.machine import Switch
from simulators.servers.measuring import MeasuringMachine
from simulators.servers.panel import Argument, Panel, Type, Variable

MODES = {"automatic": "AUTO", "manual": "MANUAL", "fault": "FAULT"}
DOORS = {"closed": 1, "opening": 2, "open": 3, "closing": 4}
WORK: dict[Work, int] = {
    "idle": 0,
    "prepared": 1,
    "acquiring": 2,
    "evaluating": 3,
    "finished": 4,
    "aborted": 5,
}
STATUS: dict[Status, int] = {"ok": 0, "refused": 1, "unknown run": 2}
VARIABLES = (
    Variable(path="Mode", type=Type.String, start="AUTO"),
    Variable(path="Door/State", type=Type.Int32, start=0),
    Variable(path="Nest/Occupied", type=Type.Boolean, start=False),
    Variable(path="Work/State", type=Type.Int32, start=0),
    Variable(path="Work/RunId", type=Type.String, start=""),
    Variable(path="Work/Serial", type=Type.String, start=""),
    Variable(path="Work/Program", type=Type.String, start=""),
    Variable(path="Work/Count", type=Type.UInt32, start=0),
    Variable(path="Result/Json", type=Type.String, start=""),
)
RUN_ID = Argument(name="RunId", type=Type.String)


class ScanMachine(MeasuringMachine):
    """Methods order, levels show. ``AnswerDelay`` lets a method answer late although it was executed."""

    uri = "urn:pointsman:sim:scan"
    root = ("Scanner",)
    ids = "names"

    async def build(self, server: Server, panel: Panel) -> None:
        """See ``Machine``."""
        await panel.show(VARIABLES)
        prepare = (
            Argument(name="Name", type=Type.String),
            Argument(name="Revision", type=Type.String),
        )
        start = (
            RUN_ID,
            Argument(name="Serial", type=Type.String),
            Argument(name="Program", type=Type.String),
        )
        await panel.offer("Door/Open", self._open, takes=())
        await panel.offer("Door/Close", self._close, takes=())
        await panel.offer("Prepare", self._prepare, takes=prepare)
        await panel.offer("Start", self._start, takes=start)
        await panel.offer("Abort", self._abort, takes=(RUN_ID,))
        await panel.offer("Acknowledge", self._acknowledge, takes=(RUN_ID,))
        await panel.offer("ClearFault", self._clear_fault, takes=())

    def values(self) -> Mapping[str, Any]:
        """See ``Machine``."""
        image = self.model.image()
        return {
            "Mode": MODES[image.mode],
            "Door/State": DOORS[image.door],
            "Nest/Occupied": image.nest == "occupied",
            "Result/Json": _result_json(image.result) if image.result else "",
            "Work/Count": image.count,
            "Work/RunId": image.run_id,
            "Work/Serial": image.serial,
            "Work/Program": image.program.name if image.program else "",
            "Work/State": WORK[image.work],
        }

    def switches(self) -> Mapping[str, Switch]:
        """See ``Machine``."""
        delay = Switch(type=Type.Double, throw=self._answer_late, show=lambda: self.answer_delay_s)
        return {**super().switches(), "AnswerDelay": delay}

    def _answer_late(self, seconds: float) -> None:
        self.answer_delay_s = seconds

    async def _open(self) -> tuple[int, str]:
        self.catch_up()
        return await self._answer(self.model.drive_door("open"))

    async def _close(self) -> tuple[int, str]:
        self.catch_up()
        return await self._answer(self.model.drive_door("closed"))

    async def _prepare(self, name: str, revision: str) -> tuple[int, str]:
        self.catch_up()
        return await self._answer(self.model.prepare(name, revision))

    async def _start(self, run_id: str, serial: str, program: str) -> tuple[int, str]:
        self.catch_up()
        return await self._answer(self.model.start(run_id, serial, program))

    async def _abort(self, run_id: str) -> tuple[int, str]:
        self.catch_up()
        return await self._answer(self.model.abort(run_id))

    async def _acknowledge(self, run_id: str) -> tuple[int, str]:
        self.catch_up()
        return await self._answer(self.model.acknowledge(run_id))

    async def _clear_fault(self) -> tuple[int, str]:
        self.catch_up()
        return await self._answer(self.model.clear_fault())

    async def _answer(self, answer: Answer) -> tuple[int, str]:
        if self.answer_delay_s:
            await asyncio.sleep(self.answer_delay_s)
        return STATUS[answer.status], answer.text


def _result_json(result: Result) -> str:
    values = [
        {"no": one.number, "value": one.value, "unit": one.unit, "quality": one.quality}
        for one in result.values
    ]
    content = {
        "runId": result.run_id,
        "serial": result.serial,
        "count": result.count,
        "values": values,
    }
    return json.dumps(content, separators=(",", ":"))

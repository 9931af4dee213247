"""The CT station's information model: pulse and acknowledge, results as structures. See docs/reference/simulators.md.

Rules of this file:
- A pulse is taken on its rising edge with the parameters that stand there; Ack or Nak stays until the client takes the pulse back.
- ``Message`` says why the last refused pulse was refused.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar

from asyncua import Server, ua
from asyncua.common.structures104 import new_struct, new_struct_field

from simulators.models.station import Answer, Result, Work
from simulators.servers.machine import World
from simulators.servers.measuring import MeasuringMachine
from simulators.servers.panel import Panel, Type, Variable

MODES = {"manual": 1, "automatic": 2, "fault": 3}
DOORS = {"closed": "CLOSED", "opening": "MOVING", "open": "OPEN", "closing": "MOVING"}
STAGES: dict[Work, int] = {
    "idle": 0,
    "prepared": 1,
    "acquiring": 2,
    "evaluating": 3,
    "finished": 4,
    "aborted": 5,
}
QUALITY = {"good": 0, "uncertain": 1, "bad": 2}
PULSES = ("OpenDoor", "CloseDoor", "Prepare", "Start", "Cancel", "Accept", "Reset")
PARAMETERS = ("CmdProgram", "CmdRevision", "CmdRunId", "CmdSerial")
VARIABLES = (
    Variable(path="Mode", type=Type.Int32, start=0),
    Variable(path="Door", type=Type.String, start="UNKNOWN"),
    Variable(path="Loaded", type=Type.Boolean, start=False),
    Variable(path="Stage", type=Type.Int32, start=0),
    Variable(path="RunId", type=Type.String, start=""),
    Variable(path="Serial", type=Type.String, start=""),
    Variable(path="ProgramName", type=Type.String, start=""),
    Variable(path="ResultCounter", type=Type.UInt32, start=0),
    Variable(path="ResultRunId", type=Type.String, start=""),
    Variable(path="ResultSerial", type=Type.String, start=""),
    Variable(path="Message", type=Type.String, start=""),
    *(Variable(path=f"Ack{name}", type=Type.Boolean, start=False) for name in PULSES),
    *(Variable(path=f"Nak{name}", type=Type.Boolean, start=False) for name in PULSES),
)


@dataclass
class CtValue:
    """One result on the wire, as the data type ``CtValue`` of this server."""

    data_type: ClassVar[ua.NodeId]
    Number: ua.String = field(default=ua.String(""))
    Value: ua.Double = field(default=ua.Double(0.0))
    Unit: ua.String = field(default=ua.String(""))
    Quality: ua.Byte = field(default=ua.Byte(0))


class CtMachine(MeasuringMachine):
    """Levels show, pulses order."""

    uri = "urn:pointsman:sim:ct"
    root = ("CT",)
    ids = "numbers"

    def __init__(self, world: World, station: str) -> None:
        super().__init__(world, station)
        self._parameters: dict[str, str] = dict.fromkeys(PARAMETERS, "")
        self._levels: dict[str, bool] = dict.fromkeys(PULSES, False)
        self._answers: dict[str, Answer | None] = dict.fromkeys(PULSES)
        self._message = ""

    async def build(self, server: Server, panel: Panel) -> None:
        """See ``Machine``."""
        data_type = await _add_data_type(server, panel.index)
        await panel.show(VARIABLES)
        results = Variable(path="Results", type=Type.ExtensionObject, start=[], data_type=data_type)
        await panel.show([results])
        for name in PARAMETERS:
            await panel.take(
                Variable(path=name, type=Type.String, start=""), self._on_parameter(name)
            )
        for name in PULSES:
            await panel.take(
                Variable(path=f"Req{name}", type=Type.Boolean, start=False), self._on_pulse(name)
            )

    def values(self) -> Mapping[str, Any]:
        """See ``Machine``."""
        image = self.model.image()
        return {
            **(_result_values(image.result) if image.result else {}),
            "Mode": MODES[image.mode],
            "Door": DOORS[image.door],
            "Loaded": image.nest == "occupied",
            "ResultCounter": image.count,
            "RunId": image.run_id,
            "Serial": image.serial,
            "ProgramName": image.program.name if image.program else "",
            "Stage": STAGES[image.work],
            "Message": self._message,
            **{f"Ack{name}": _is(answer, "taken") for name, answer in self._answers.items()},
            **{f"Nak{name}": _is(answer, "refused") for name, answer in self._answers.items()},
        }

    def _on_parameter(self, name: str) -> Any:
        def written(value: str) -> None:
            self._parameters[name] = value

        return written

    def _on_pulse(self, name: str) -> Any:
        def written(level: bool) -> None:  # noqa: FBT001 - the wire says so
            self.catch_up()
            if level and not self._levels[name]:
                answer = self._carry_out(name)
                self._answers[name] = answer
                self._message = answer.text
            elif not level:
                self._answers[name] = None
            self._levels[name] = level

        return written

    def _carry_out(self, name: str) -> Answer:
        sent = self._parameters
        match name:
            case "OpenDoor":
                return self.model.drive_door("open")
            case "CloseDoor":
                return self.model.drive_door("closed")
            case "Prepare":
                return self.model.prepare(sent["CmdProgram"], sent["CmdRevision"])
            case "Start":
                return self.model.start(sent["CmdRunId"], sent["CmdSerial"])
            case "Cancel":
                return self.model.abort(sent["CmdRunId"])
            case "Accept":
                return self.model.acknowledge(sent["CmdRunId"])
            case _:
                return self.model.clear_fault()


def _is(answer: Answer | None, what: str) -> bool:
    return answer is not None and (answer.status == "ok") == (what == "taken")


def _result_values(result: Result) -> Mapping[str, Any]:
    return {
        "Results": [
            CtValue(
                Number=ua.String(one.number),
                Value=ua.Double(math.nan if one.value is None else one.value),
                Unit=ua.String(one.unit),
                Quality=ua.Byte(QUALITY[one.quality]),
            )
            for one in result.values
        ],
        "ResultRunId": result.run_id,
        "ResultSerial": result.serial,
    }


async def _add_data_type(server: Server, index: int) -> ua.NodeId:
    fields = [
        new_struct_field("Number", Type.String),
        new_struct_field("Value", Type.Double),
        new_struct_field("Unit", Type.String),
        new_struct_field("Quality", Type.Byte),
    ]
    data_type, encodings = await new_struct(server, index, "CtValue", fields)
    CtValue.data_type = data_type.nodeid
    ua.register_extension_object("CtValue", encodings[0].nodeid, CtValue, data_type.nodeid)
    return data_type.nodeid

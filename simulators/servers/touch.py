"""The tactile station's information model: a data block with bits and words, commands by write and echo. See docs/reference/simulators.md.

Rules of this file:
- A command is taken when its variable is written, and only if it asks for something new: a number that was taken before does nothing.
- An echo follows when the command has been taken over; a refused command leaves the echo as it was.
"""

import math
import time
from collections.abc import Mapping
from typing import Any

from asyncua import Server

from simulators.models.station import Result, StationImage
from simulators.servers.machine import World
from simulators.servers.measuring import MeasuringMachine
from simulators.servers.panel import Panel, Type, Variable

ROWS = 64
QUALITY = {"good": 0, "uncertain": 1, "bad": 2}
HEARTBEAT_BIT = 15
VARIABLES = (
    Variable(path="StatusWord", type=Type.UInt16, start=0),
    Variable(path="AreaRequestEcho", type=Type.Boolean, start=False),
    Variable(path="ProgramEcho", type=Type.Int16, start=0),
    Variable(path="RunEcho", type=Type.UInt32, start=0),
    Variable(path="SerialEcho", type=Type.String, start=""),
    Variable(path="AbortEcho", type=Type.UInt32, start=0),
    Variable(path="ResultAckEcho", type=Type.UInt32, start=0),
    Variable(path="ResRun", type=Type.UInt32, start=0),
    Variable(path="ResSerial", type=Type.String, start=""),
    Variable(path="ResCount", type=Type.Int16, start=0),
    Variable(path="ResNumber", type=Type.Int16, start=[0] * ROWS),
    Variable(path="ResValue", type=Type.Double, start=[0.0] * ROWS),
    Variable(path="ResQuality", type=Type.Byte, start=[0] * ROWS),
)


class TouchMachine(MeasuringMachine):
    """Levels in a word, commands as variables."""

    uri = "urn:pointsman:sim:touch"
    root = ("PLC", "DB20")
    ids = "numbers"

    def __init__(self, world: World, station: str) -> None:
        super().__init__(world, station)
        self._serial = ""
        self._program_echo = 0
        self._run_echo = (0, "")
        self._abort_echo = 0
        self._ack_echo = 0
        self._area_echo = False
        self._fault_ack = False

    async def build(self, server: Server, panel: Panel) -> None:
        """See ``Machine``."""
        await panel.show(VARIABLES)
        commands = (
            (Variable(path="AreaRequest", type=Type.Boolean, start=False), self._area),
            (Variable(path="ProgramSelect", type=Type.Int16, start=0), self._program),
            (Variable(path="PartSerial", type=Type.String, start=""), self._part_serial),
            (Variable(path="RunRequest", type=Type.UInt32, start=0), self._run),
            (Variable(path="AbortRequest", type=Type.UInt32, start=0), self._abort),
            (Variable(path="ResultAck", type=Type.UInt32, start=0), self._acknowledge),
            (Variable(path="FaultAck", type=Type.Boolean, start=False), self._acknowledge_fault),
        )
        for variable, on_write in commands:
            await panel.take(variable, on_write)

    def advance(self, now_ms: int) -> None:
        """See ``Machine``."""
        super().advance(now_ms)
        program = self.model.image().program
        if program:
            self._program_echo = program.number

    def values(self) -> Mapping[str, Any]:
        """See ``Machine``."""
        image = self.model.image()
        return {
            **(_result_block(image.result) if image.result else {}),
            "AreaRequestEcho": self._area_echo,
            "ProgramEcho": self._program_echo,
            "SerialEcho": self._run_echo[1],
            "RunEcho": self._run_echo[0],
            "AbortEcho": self._abort_echo,
            "ResultAckEcho": self._ack_echo,
            "StatusWord": _status_word(image) | self._heartbeat() << HEARTBEAT_BIT,
        }

    def next_beat_s(self) -> float:
        """See ``Machine``."""
        return 1.0 - time.monotonic() % 1.0

    def _heartbeat(self) -> int:
        return int(time.monotonic()) % 2

    def _area(self, wanted: bool) -> None:  # noqa: FBT001 - the wire says so
        self.catch_up()
        if self.model.drive_door("open" if wanted else "closed").status == "ok":
            self._area_echo = wanted

    def _program(self, number: int) -> None:
        self.catch_up()
        self.model.prepare_number(number)

    def _part_serial(self, serial: str) -> None:
        self._serial = serial

    def _run(self, run_no: int) -> None:
        self.catch_up()
        if run_no and self.model.start(str(run_no), self._serial).status == "ok":
            self._run_echo = (run_no, self._serial)

    def _abort(self, run_no: int) -> None:
        self.catch_up()
        if run_no and self.model.abort(str(run_no)).status == "ok":
            self._abort_echo = run_no

    def _acknowledge(self, run_no: int) -> None:
        self.catch_up()
        if run_no and self.model.acknowledge(str(run_no)).status == "ok":
            self._ack_echo = run_no

    def _acknowledge_fault(self, level: bool) -> None:  # noqa: FBT001 - the wire says so
        self.catch_up()
        if level and not self._fault_ack:
            self.model.clear_fault()
        self._fault_ack = level


def _status_word(image: StationImage) -> int:
    bits = (
        image.mode == "automatic",
        image.mode == "fault",
        image.door == "open",
        image.door in {"opening", "closing"},
        image.nest == "occupied",
        image.program is not None,
        image.work in {"acquiring", "evaluating"},
        image.work == "finished",
        image.work == "aborted",
    )
    return sum(1 << place for place, bit in enumerate(bits) if bit)


def _result_block(result: Result) -> Mapping[str, Any]:
    rest = ROWS - len(result.values)
    values = [math.nan if one.value is None else one.value for one in result.values]
    return {
        "ResRun": int(result.run_id),
        "ResSerial": result.serial,
        "ResCount": len(result.values),
        "ResNumber": [int(one.number) for one in result.values] + [0] * rest,
        "ResValue": values + [0.0] * rest,
        "ResQuality": [QUALITY[one.quality] for one in result.values] + [0] * rest,
    }

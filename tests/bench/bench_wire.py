"""The whole cell over real OPC UA: orders per second, beside a bare loop of start, result, acknowledgement and next start.

Rules of this file:
- Simulators and supervisor are the processes of ``pointsman bench``; the example cell with short programs runs as fast as it goes
  without a person being asked. A run that asks one is not counted: the next lower speed is tried.
- The bare loop is a client by hand at one of the same simulators: a subscription that pushes at once, a program that takes no time.
  Both count orders on the wire.
- The cell also moves doors and a handler in its own time and waits for them; the loop does not. What an order costs in processor
  time, beside the loop's, is free of that.
"""

import asyncio
import logging
import os
import tempfile
import time
from pathlib import Path
from typing import Any

import asyncua
import uvloop
from asyncua import ua

from simulators.bench.ports import free_ports
from simulators.bench.run import RunFailed, Watch, running
from simulators.bench.staging import Stage
from simulators.models import physics as physics_file
from simulators.servers.floor_file import FloorFile
from supervisor.core.commands import OWN_SIDE
from supervisor.store import open_archive
from tests.bench.figure import ROUNDS, Figure, Size, at_least, beside
from tests.bench.wired import machines, quick_stage

PALLETS: dict[Size, int] = {"full": 36, "smallest": 1}
LOOPS: dict[Size, int] = {"full": 500, "smallest": 20}
SPEEDS = (500.0, 250.0, 120.0, 60.0)
PROGRAM_S = 60
NO_GOALS = OWN_SIDE
POLL_S = 0.5
PATIENCE_S = 240.0
TICKS_PER_S = os.sysconf("SC_CLK_TCK")


class Asked(Exception):  # noqa: N818 - it says what happened
    """A person is asked: at this speed limits fire that mean nothing."""


# --- the cell ---------------------------------------------------------------------------------------------------------------------


def cell(pallets: int) -> tuple[float, float]:
    """Orders per real second of the whole cell at the highest speed at which nobody is asked, and processor seconds per order.

    Raises:
        Asked: somebody is asked even at the lowest speed.
    """
    for speed in SPEEDS[:-1]:
        try:
            return cell_at(speed, pallets)
        except Asked:
            continue
    return cell_at(SPEEDS[-1], pallets)


def cell_at(speed: float, pallets: int) -> tuple[float, float]:
    """The same at one speed."""
    with tempfile.TemporaryDirectory() as name:
        stage = quick_stage(Path(name), pallets, speed=speed, program_s=PROGRAM_S)
        with running(stage, speed=speed, port=free_ports(1)[0]) as live:
            before_s = cpu_s(live.supervisor.pid)
            wait(live.watch, pallets)
            spent_s = cpu_s(live.supervisor.pid) - before_s
        orders, real_s = ordered(stage, speed)
    return orders / real_s, spent_s / orders


def wait(watch: Watch, pallets: int) -> None:
    """Wait until every part has its record and has left; seldom asked, because answers cost processor time."""
    until_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < until_s:
        time.sleep(POLL_S)
        counts = watch.get("/api/v1/cell")["counts"]
        if counts["holds"]:
            raise Asked
        if counts["pallets"] == 0 and len(watch.get("/api/v1/records")["records"]) == pallets:
            return
    raise RunFailed(f"not finished after {PATIENCE_S:.0f} s")


def ordered(stage: Stage, speed: float) -> tuple[int, float]:
    """How many orders a finished run gave, and the real seconds from the first to the end."""
    with open_archive(stage.database) as archive:
        entries = list(archive.journal.read(1))
    giving = [e for e in entries if any(not isinstance(c, NO_GOALS) for c in e.commands)]
    orders = sum(not isinstance(c, NO_GOALS) for e in giving for c in e.commands)
    return orders, (entries[-1].at_ms - giving[0].at_ms) / 1000 / speed


def cpu_s(pid: int) -> float:
    """Processor seconds of a process so far, proc(5)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS_PER_S


# --- the bare loop ----------------------------------------------------------------------------------------------------------------


def bare(loops: int) -> tuple[float, float]:
    """Orders per second of a loop by hand at one simulator, and processor seconds of the client per order."""
    with tempfile.TemporaryDirectory() as name:
        logging.getLogger("asyncua").setLevel(logging.CRITICAL)
        stage = quick_stage(Path(name), 1, speed=1_000, program_s=1)
        with machines(stage):
            physics = physics_file.load(stage.folder / "physics.json")
            floor = FloorFile(stage.floor, physics, member="bench")
            floor.set_down("touch-1", stage.pallets[0].pallet)
            floor.close()
            station = next(s for s in stage.cell.stations if s.station == "touch-1")
            program = next(
                p.number
                for p in stage.cell.programs
                if (p.station, p.part_type) == (station.station, stage.pallets[0].part_type)
            )
            return uvloop.run(ByHand(program, stage.pallets[0].serial).loop(station.url, loops))


class ByHand:
    """What somebody would write by hand for one station; also the handler of its subscription."""

    def __init__(self, program: int, serial: str) -> None:
        self._program = program
        self._serial = serial
        self._word = 0
        self._changed = asyncio.Event()

    def datachange_notification(self, _node: Any, word: int, _data: Any) -> None:
        self._word = word
        self._changed.set()

    async def loop(self, url: str, loops: int) -> tuple[float, float]:
        """Start, wait for the result, acknowledge, start again."""
        async with asyncua.Client(url) as client:
            index = await client.get_namespace_index("urn:pointsman:sim:touch")
            root = await client.nodes.objects.get_child([f"{index}:PLC", f"{index}:DB20"])
            subscription = await client.create_subscription(0, self)
            await subscription.subscribe_data_change(await root.get_child(f"{index}:StatusWord"))
            names = ("ProgramSelect", "PartSerial", "RunRequest", "ResultAck")
            select, serial, request, take = [await root.get_child(f"{index}:{n}") for n in names]
            await select.write_value(_value(self._program, ua.VariantType.Int16))
            await serial.write_value(_value(self._serial, ua.VariantType.String))
            await self._bit(READY)
            begun_s, begun_cpu_s = time.perf_counter(), time.process_time()
            for run in range(1, loops + 1):
                await request.write_value(_value(run, ua.VariantType.UInt32))
                await self._bit(FINISHED)
                await take.write_value(_value(run, ua.VariantType.UInt32))
            spent_s, spent_cpu_s = time.perf_counter() - begun_s, time.process_time() - begun_cpu_s
        return 2 * loops / spent_s, spent_cpu_s / (2 * loops)

    async def _bit(self, bit: int) -> None:
        """Wait until the status word has a bit, and forget it."""
        async with asyncio.timeout(10):
            while not self._word >> bit & 1:
                self._changed.clear()
                await self._changed.wait()
        self._word = 0


READY, FINISHED = 5, 7


def _value(content: Any, kind: ua.VariantType) -> ua.DataValue:
    return ua.DataValue(ua.Variant(content, kind))


def measure(size: Size) -> list[Figure]:
    """Orders per second and processor time per order, whole cell beside bare loop."""
    cells, loops = [], []
    for _ in range(ROUNDS[size]):
        loops.append(bare(LOOPS[size]))
        cells.append(cell(PALLETS[size]))
    by_hand = "bare loop at one simulator"
    return [
        beside(
            "whole cell over OPC UA, orders per second",
            [rate for rate, _ in cells],
            "/s",
            (by_hand, [rate for rate, _ in loops]),
            at_least(0.5),
        ),
        beside(
            "CPU of the supervisor per order",
            [spent for _, spent in cells],
            "ms",
            (by_hand, [spent for _, spent in loops]),
        ),
    ]

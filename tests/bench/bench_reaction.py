"""From a result's message to the bytes of the next order, through the whole step: link, inbox, core, journal, outbox, wire.

Rules of this file:
- Nothing is stood in for: the quickened example cell runs in processes of its own, and this process drives it with the production
  adapters, runtime, core and store, as ``supervisor.app`` wires them. Only the interface is left out.
- It begins when the publish callback is given the message in which a station first shows a result that is not taken, and ends when
  the first bytes of its acknowledgement are with the socket.
- The optical station's result comes with that message. The other two have to be asked for it first: a round trip that belongs to
  their information models, so they have lines of their own.
- The cell is paused until every machine is connected: a pallet that comes while a station is still missing goes to another.
- The denominator is one raw write of asyncua, back to back, in the same process, to one of the same servers, right after the run.
"""

import asyncio
import multiprocessing
import tempfile
import time
from collections import defaultdict
from contextvars import ContextVar
from importlib.metadata import version
from pathlib import Path
from statistics import median
from typing import Any

import asyncua
import uvloop
from asyncua import ua
from asyncua.client.ua_client import UASocketProtocol

from supervisor.api.lookout import Lookout
from supervisor.app import adapters_of, turn_s
from supervisor.cell.load import LoadedCell, load_cell
from supervisor.core.commands import AcknowledgeResult, Goal, StoreRecord
from supervisor.core.decide import Core
from supervisor.core.events import CellOrdered, SupervisorStarted
from supervisor.core.state import CellState
from supervisor.shell.clock import start_clock
from supervisor.shell.outbox import outbox_for
from supervisor.shell.permit import LeasedPermit
from supervisor.shell.ports import Published
from supervisor.shell.recovery import recover
from supervisor.shell.runtime import Runtime, Wiring, Writer
from supervisor.stations.connection import Connection
from supervisor.stations.security import keys_in
from supervisor.stations.station import StationAdapter
from supervisor.store import Store, open_store
from supervisor.store.database import Durability
from tests.bench.figure import ROUNDS, Figure, Size, at_most, beside, percentile
from tests.bench.wired import machines, quick_stage

PALLETS: dict[Size, int] = {"full": 60, "smallest": 1}
WRITES = 500
REST_S = 1.0
PATIENCE_S = 240.0
SPEED = 120.0
PROGRAM_S = 30
ORDERS = (ua.CallRequest, ua.WriteRequest)
WAYS: dict[str, tuple[Durability, Writer]] = {
    "journal not synced": ("process-safe", "inline"),
    "as shipped, power-safe": ("power-safe", "thread"),
}
STATIONS = {"scan-1": "result in the message", "touch-1": "result to be read first"}
KINDS: dict[Size, int] = {"full": 2, "smallest": 1}
AIMS = {
    "reaction p50, result in the message, journal not synced": at_most(0.5),
    "reaction p99, result in the message, journal not synced": at_most(1.0),
}
Spans = dict[str, list[float]]

_carried: ContextVar[Goal | None] = ContextVar("carried", default=None)


class Stopwatch:
    """Seconds from a result's message to its acknowledgement's bytes by station, and processor time of this thread meanwhile."""

    def __init__(self) -> None:
        """Look over the shoulders of link, adapter and socket."""
        self.spans: dict[str, list[float]] = defaultdict(list)
        self.cpu: dict[str, list[float]] = defaultdict(list)
        self._taken = (0.0, 0.0)
        self._ready: dict[str, tuple[float, float]] = {}
        take: Any = Connection._take
        new_result: Any = StationAdapter._new_result
        carried_out: Any = StationAdapter._carried_out
        send: Any = UASocketProtocol._send_request

        def noted_take(connection: Any, message: Any) -> None:
            self._taken = now()
            take(connection, message)

        def noted_result(adapter: Any, seen: Any) -> Any:
            mark = new_result(adapter, seen)
            if mark is not None:
                self._ready.setdefault(adapter.name, self._taken)
            return mark

        async def noted_carried_out(adapter: Any, connection: Any, goal: Goal) -> Any:
            _carried.set(goal)
            return await carried_out(adapter, connection, goal)

        def noted_send(protocol: Any, request: Any, *rest: Any, **named: Any) -> Any:
            future = send(protocol, request, *rest, **named)
            if type(request) in ORDERS:
                self._sent(_carried.get())
            return future

        patched: Any = (Connection, StationAdapter, UASocketProtocol)
        patched[0]._take = noted_take
        patched[1]._new_result = noted_result
        patched[1]._carried_out = noted_carried_out
        patched[2]._send_request = noted_send

    def _sent(self, goal: Goal | None) -> None:
        if isinstance(goal, AcknowledgeResult) and goal.station in self._ready:
            (begun, begun_cpu), (ended, ended_cpu) = self._ready.pop(goal.station), now()
            self.spans[goal.station].append(ended - begun)
            self.cpu[goal.station].append(ended_cpu - begun_cpu)


def now() -> tuple[float, float]:
    """This moment on the wall and in this thread's processor time, in seconds."""
    return time.perf_counter(), time.thread_time()


class Counting(Lookout):
    """The lookout of the interface, which also knows when all is connected, and when every part has its record and has left."""

    def __init__(self, pallets: int) -> None:
        super().__init__()
        self._missing = pallets
        self.connected = asyncio.Event()
        self.finished = asyncio.Event()

    def publish(self, published: Published[CellState]) -> None:
        super().publish(published)
        state = published.state
        links = (state.handler, *state.stations.values(), *state.readers.values())
        if all(machine.link == "up" for machine in links):
            self.connected.set()
        self._missing -= sum(
            isinstance(command, StoreRecord) and command.record.revision == 1
            for entry in published.entries
            for command in entry.commands
        )
        if self._missing <= 0 and not published.state.pallets:
            self.finished.set()


async def drive(loaded: LoadedCell, store: Store, writer: Writer, pallets: int) -> None:
    """Drive the cell until every part has its record and has left."""
    permit = LeasedPermit(store.lease, turn_s=turn_s(loaded, SPEED))
    adapters = adapters_of(loaded, SPEED, keys_in(Path("pointsman-keys")), permit)
    watched = Counting(pallets)
    core = Core(loaded.cell)
    wiring = Wiring(
        journal=store.journal,
        snapshots=store.snapshots(CellState),
        clock=start_clock(after_ms=0, speed=SPEED),
        outbox=outbox_for(loaded.cell, adapters),
        publisher=watched,
        writer=writer,
        pulse=permit,
    )
    runtime = Runtime(recover(lambda _: core, store.journal, wiring.snapshots), wiring)
    started = SupervisorStarted(
        declaration=loaded.cell.digest, version=version("pointsman"), fence=store.fence
    )
    runtime.inbox.put(CellOrdered(want="pause", by="bench"), source="bench")
    works = [asyncio.create_task(runtime.run(started))]
    works += [asyncio.create_task(a.run(runtime.inbox.emitter(a.name))) for a in adapters]
    try:
        async with asyncio.timeout(PATIENCE_S):
            await watched.connected.wait()
            await runtime.submit(CellOrdered(want="run", by="bench"), source="bench")
            await watched.finished.wait()
    finally:
        for work in works:
            work.cancel()
        await asyncio.gather(*works, return_exceptions=True)
        await permit.close()


async def round_trips(url: str) -> list[float]:
    """Seconds of raw writes, one after another, to a parameter that means nothing without its pulse."""
    async with asyncua.Client(url) as client:
        index = await client.get_namespace_index("urn:pointsman:sim:ct")
        node = await client.nodes.objects.get_child([f"{index}:CT", f"{index}:CmdProgram"])
        times = []
        for number in range(WRITES):
            value = ua.DataValue(ua.Variant(f"P{number}", ua.VariantType.String))
            before = time.perf_counter()
            await node.write_value(value)
            times.append(time.perf_counter() - before)
        return times


async def measured(
    pipe: Any, cell: Path, database: str, way: tuple[Durability, Writer], pallets: int
) -> None:
    """Send the spans of one run, their processor time, and the raw round trips after it."""
    stopwatch = Stopwatch()
    loaded = load_cell(cell)
    with open_store(database, durability=way[0]) as store:
        await drive(loaded, store, way[1], pallets)
    await asyncio.sleep(REST_S)
    url = next(s.url for s in loaded.cell.stations if s.station == "ct-1")
    pipe.send((dict(stopwatch.spans), dict(stopwatch.cpu), await round_trips(url)))


def supervisor_process(pipe: Any, *arguments: Any) -> None:
    uvloop.run(measured(pipe, *arguments))


def one_run(way: tuple[Durability, Writer], pallets: int) -> tuple[Spans, Spans, list[float]]:
    """One run of the quickened cell: spans and processor time by station, and raw round trips."""
    context = multiprocessing.get_context("spawn")
    with tempfile.TemporaryDirectory() as name:
        stage = quick_stage(Path(name), pallets, speed=SPEED, program_s=PROGRAM_S)
        with machines(stage):
            ours, theirs = context.Pipe()
            arguments = (theirs, stage.cell_folder, stage.database, way, pallets)
            child = context.Process(target=supervisor_process, args=arguments)
            child.start()
            theirs.close()
            found = ours.recv()
            child.join()
    return found


def measure(size: Size) -> list[Figure]:
    """Reaction by what has to be done first, and by the way of keeping the journal."""
    found: dict[str, list[float]] = defaultdict(list)
    trips: dict[str, list[float]] = defaultdict(list)

    def note(name: str, second: float, trip: list[float]) -> None:
        found[name].append(second)
        trips[name].append(median(trip))

    for _ in range(ROUNDS[size]):
        for way, kept in list(WAYS.items())[: KINDS[size]]:
            spans, cpu, trip = one_run(kept, PALLETS[size])
            for station, what in STATIONS.items():
                note(f"reaction p50, {what}, {way}", percentile(spans[station], 50), trip)
                note(f"reaction p99, {what}, {way}", percentile(spans[station], 99), trip)
                note(f"reaction CPU p50, {what}, {way}", percentile(cpu[station], 50), trip)
    return [
        beside(name, seconds, "µs", ("raw write round trip", trips[name]), AIMS.get(name))
        for name, seconds in found.items()
    ]

"""Memory: the idle supervisor with three stations beside a bare client process, and whether it grows while pallets go through.

Rules of this file:
- Resident memory as the kernel counts it (VmRSS, proc(5)), of ``pointsman serve`` connected to the simulated example cell.
- The bare client connects to one station, subscribes to one node and waits: what a script by hand would be.
- Growth is that of the production runtime, core, store and lookout in this process. The facts come from a run of modelled machines in
  virtual time instead of the wire, each at its recorded time, so that hundreds of pallets take seconds; the first hundred fill what
  has a bound and are not counted.
"""

import asyncio
import gc
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from simulators.bench.parts import pallets_for, physics_of
from simulators.bench.ports import free_ports
from simulators.bench.run import Watch, running
from simulators.bench.scenarios import small_cell
from simulators.bench.world import World
from supervisor.api.lookout import Lookout
from supervisor.core.commands import Goal, StoreRecord
from supervisor.core.decide import Core
from supervisor.core.events import SupervisorStarted
from supervisor.core.state import CellState
from supervisor.shell.outbox import outbox_for
from supervisor.shell.ports import JournalEntry
from supervisor.shell.recovery import recover
from supervisor.shell.runtime import Runtime, Wiring
from supervisor.store import open_store
from tests.bench.figure import Figure, Size, alone, at_most, beside
from tests.bench.wired import quick_stage

ROUNDS: dict[Size, int] = {"full": 3, "smallest": 0}
PALLETS: dict[Size, tuple[int, int]] = {"full": (100, 500), "smallest": (1, 2)}
START_MS = 1_764_000_000_000
EVERY_MS = 8 * 3_600_000 // 110
READINGS = 5
READ_EVERY_S = 1.0
READY_S_MAX = 60.0
BARE = """
import asyncio, logging, sys
import asyncua
logging.getLogger("asyncua").setLevel(logging.CRITICAL)

class Handler:
    def datachange_notification(self, node, value, data):
        pass

async def main(url):
    async with asyncua.Client(url) as client:
        index = await client.get_namespace_index("urn:pointsman:sim:scan")
        node = await client.nodes.objects.get_child([f"{index}:Scanner", f"{index}:Mode"])
        subscription = await client.create_subscription(100, Handler())
        await subscription.subscribe_data_change(node)
        print("subscribed", flush=True)
        await asyncio.Event().wait()

asyncio.run(main(sys.argv[1]))
"""


def resident(pid: int) -> int:
    """Resident bytes of a process."""
    status = Path(f"/proc/{pid}/status").read_text()
    return int(status.partition("VmRSS:")[2].split()[0]) * 1024


def settled(pid: int) -> float:
    """The median of some seconds' readings."""
    readings = []
    for _ in range(READINGS):
        time.sleep(READ_EVERY_S)
        readings.append(resident(pid))
    return statistics.median(readings)


# --- at rest ----------------------------------------------------------------------------------------------------------------------


def idle() -> tuple[float, float]:
    """Resident bytes of the supervisor with everything connected and nothing to do, and of a bare client beside it."""
    with tempfile.TemporaryDirectory() as name:
        stage = quick_stage(Path(name), 0, speed=1, program_s=60)
        with running(stage, speed=1, port=free_ports(1)[0]) as live:
            wait_connected(live.watch, len(stage.cell.stations))
            url = next(s.url for s in stage.cell.stations if s.station == "scan-1")
            with bare_client(url) as client:
                return settled(live.supervisor.pid), settled(client.pid)


def wait_connected(watch: Watch, stations: int) -> None:
    until_s = time.monotonic() + READY_S_MAX
    while watch.get("/api/v1/cell")["counts"]["stations_connected"] < stations:
        assert time.monotonic() < until_s, "the stations never connected"
        time.sleep(0.2)


@contextmanager
def bare_client(url: str) -> Iterator[subprocess.Popen[str]]:
    """A client by hand that is subscribed."""
    arguments = [sys.executable, "-c", BARE, url]
    with subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True) as client:
        try:
            assert client.stdout is not None
            assert client.stdout.readline() == "subscribed\n"
            yield client
        finally:
            client.kill()


# --- while pallets go through -----------------------------------------------------------------------------------------------------


def facts(pallets: int) -> Sequence[JournalEntry]:
    """The journal of so many pallets in virtual time."""
    cell = small_cell()
    physics = physics_of(
        cell,
        pallets=pallets_for(cell, pallets, 3),
        arrivals_ms=[number * EVERY_MS for number in range(pallets)],
        bad_share=0.05,
    )
    world = World(cell, physics, seed=3, start_ms=START_MS)
    world.run(START_MS + pallets * EVERY_MS * 2, done=lambda w: len(w.records) == pallets)
    return world.journal.entries


class Recorded:
    """The clock of a recorded run. Its timers are facts already, so none of ours may fire."""

    def __init__(self) -> None:
        self.at_ms = START_MS

    def now_ms(self) -> int:
        return self.at_ms

    def real_s(self, _cell_ms: int) -> float:
        return 3_600.0


class Silent:
    """An adapter whose machine is recorded."""

    def __init__(self, name: str) -> None:
        self.name = name

    async def run(self, emit: object) -> None:
        """Unused."""

    def give(self, goal: Goal) -> None:
        """The recorded machine has done it already."""


async def growth(entries: Sequence[JournalEntry], warm_up: int) -> float:
    """Resident bytes that this process gained for each pallet after the warm-up."""
    cell = small_cell()
    core = Core(cell)
    names = [*(s.station for s in cell.stations), cell.handler.handler, cell.readers[0].reader]
    clock = Recorded()
    with (
        tempfile.TemporaryDirectory() as name,
        open_store(str(Path(name) / "cell.db"), durability="process-safe") as store,
    ):
        wiring = Wiring(
            journal=store.journal,
            snapshots=store.snapshots(CellState),
            clock=clock,
            outbox=outbox_for(cell, [Silent(each) for each in names]),
            publisher=Lookout(),
            writer="inline",
        )
        runtime = Runtime(recover(lambda _: core, store.journal, wiring.snapshots), wiring)
        begun, *rest = entries
        assert isinstance(begun.event, SupervisorStarted)
        stepping = asyncio.create_task(runtime.run(begun.event))
        before = pallets = 0
        for entry in rest:
            clock.at_ms = entry.at_ms
            await runtime.submit(entry.event, source="recorded")
            pallets += sum(isinstance(c, StoreRecord) for c in entry.commands)
            if pallets == warm_up and not before:
                before = now_resident()
        gained = now_resident() - before
        assert runtime.status().phase == "running", runtime.status().why
        stepping.cancel()
        await asyncio.gather(stepping, return_exceptions=True)
    return gained / (pallets - warm_up)


def now_resident() -> int:
    gc.collect()
    return resident(os.getpid())


def measure(size: Size) -> list[Figure]:
    """The idle process, then growth."""
    rounds = [idle() for _ in range(ROUNDS[size])]
    warm_up, more = PALLETS[size]
    entries = facts(warm_up + more)
    grown = [asyncio.run(growth(entries, warm_up)) for _ in range(max(1, ROUNDS[size]))]
    found = [alone(f"memory gained per pallet over {more} pallets", grown, "KB", at_most(1.0))]
    if rounds:
        mine, theirs = zip(*rounds, strict=True)
        name = "memory of the idle supervisor, three stations"
        found.insert(0, beside(name, mine, "MB", ("bare client process", theirs), at_most(2.2)))
    return found

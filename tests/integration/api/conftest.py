"""The interface over a real store, the real runtime and the real core, in this process.

Rules of this file: the cell's past comes from the bench's modelled machines; from then on only the test speaks for the machines.
"""

import asyncio
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest

from simulators.bench.parts import pallets_for, physics_of
from simulators.bench.world import World
from supervisor.api.link_view import UNKNOWN
from supervisor.api.lookout import Lookout
from supervisor.api.ports import Sources
from supervisor.api.service import create_service
from supervisor.app import StoredRecords, deciders_of
from supervisor.cell.canonical import cell_to_json
from supervisor.cell.load import load_cell
from supervisor.cell.model import Cell
from supervisor.cell.value import replace
from supervisor.core.decide import Core
from supervisor.core.events import (
    Event,
    HandlerObserved,
    PlacesObserved,
    StationObserved,
    SupervisorStarted,
)
from supervisor.core.state import CellState
from supervisor.shell.clock import CellClock
from supervisor.shell.outbox import outbox_for
from supervisor.shell.ports import JournalEntry
from supervisor.shell.recovery import recover
from supervisor.shell.runtime import Runtime, Wiring
from supervisor.store import Store, open_store
from supervisor.store.head_note import Seal, note_of
from supervisor.web.pages import add_pages

MINUTE_MS = 60_000
BEGUN_MS = 1_764_000_000_000


@dataclass(frozen=True)
class Past:
    """What happened before: the entries and what was true at their end."""

    cell: Cell
    entries: tuple[JournalEntry, ...]
    state: CellState
    serials: tuple[str, ...]


@pytest.fixture(scope="session")
def past(repository: Path) -> Past:
    """25 minutes of the example cell with nine pallets: some parts have a verdict, some are still measured."""
    cell = load_cell(repository / "deploy/cells/vane-pumps").cell
    pallets = pallets_for(cell, 9, seed=7)
    physics = physics_of(
        cell, pallets=pallets, arrivals_ms=[n * 20_000 for n in range(9)], bad_share=0.3
    )
    world = World(cell, physics, seed=7, start_ms=BEGUN_MS)
    world.run(BEGUN_MS + 25 * MINUTE_MS)
    assert world.records, "the past should hold a verdict"
    assert world.state.pallets, "the past should hold a pallet on its way"
    serials = tuple(record.serial for record in world.records)
    return Past(cell=cell, entries=tuple(world.journal.entries), state=world.state, serials=serials)


class Machine:
    """A machine that keeps what it is asked for and says nothing by itself."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.goals: list[object] = []

    async def run(self, emit: Callable[[Event], None]) -> None:  # noqa: ARG002 - the port's form
        await asyncio.Event().wait()

    def give(self, goal: object) -> None:
        self.goals.append(goal)


@dataclass
class Running:
    """A cell that runs: ask it by ``client``, speak for its machines by ``tell``."""

    client: httpx.AsyncClient
    core: Core
    sources: Sources
    runtime: Runtime[CellState]
    lookout: Lookout
    store: Store
    past: Past
    machines: dict[str, Machine]

    async def tell(self, event: Event) -> int:
        return await self.runtime.submit(event, source="test")

    async def tell_images(self) -> None:
        """The machines connect again and show what they showed last."""
        newest: dict[str, Event] = {}
        for entry in self.past.entries:
            match entry.event:
                case StationObserved() | HandlerObserved() | PlacesObserved():
                    newest[_source(entry.event)] = entry.event
        for image in newest.values():
            await self.tell(replace(image, boot="2"))

    async def hold(self, station: str = "scan-1") -> str:
        """Have a station report a fault; the id of the hold that follows."""
        before = self.state().stations[station]
        seen = StationObserved(
            station=station, source_ms=before.source_ms + 1, boot="2", link="up", mode="fault",
            door=before.door, nest=before.nest, work=before.work, run_id=before.run_id, serial=before.serial,
            program=before.program, counter=before.counter, gate="",
        )  # fmt: skip
        await self.tell(seen)
        return next(h.hold for h in self.state().holds.values() if h.subject == station)

    async def disconnect(self, station: str) -> None:
        """A station's link goes down."""
        gone = StationObserved(
            station=station, source_ms=0, boot="", link="down", mode="unknown", door="unknown",
            nest="unknown", work="unknown", run_id="", serial="", program="", counter=-1, gate="",
        )  # fmt: skip
        await self.tell(gone)

    def state(self) -> CellState:
        published = self.lookout.published
        assert published is not None
        return published.state


def _source(image: StationObserved | HandlerObserved | PlacesObserved) -> str:
    match image:
        case StationObserved():
            return image.station
        case HandlerObserved():
            return "handler"
        case PlacesObserved():
            return image.reader


@asynccontextmanager
async def running(folder: Path, past: Past, seal: Seal | None = None) -> AsyncIterator[Running]:
    """Start a cell on the journal in a folder, written from the past where there is none yet."""
    core = Core(past.cell)
    with open_store(f"{folder}/cell.db", durability="process-safe") as store:
        store.declarations.keep(past.cell.digest, cell_to_json(past.cell))
        if store.journal.head().seq == 0 and past.entries:
            store.journal.append(past.entries)
        recovered = recover(
            deciders_of(store.declarations, core), store.journal, store.snapshots(CellState)
        )
        cell = past.cell
        names = [s.station for s in cell.stations] + [cell.handler.handler]
        names += [reader.reader for reader in cell.readers]
        machines = {name: Machine(name) for name in names}
        lookout = Lookout()
        clock = CellClock(
            base_ms=recovered.head.at_ms, speed=1.0, monotonic=time.monotonic
        )  # the past goes on, no wait of it is over yet
        wiring = Wiring(
            journal=store.journal,
            snapshots=store.snapshots(CellState),
            clock=clock,
            outbox=outbox_for(cell, machines.values()),
            publisher=lookout,
            writer="thread",
        )
        runtime = Runtime(recovered, wiring)
        sources = Sources(
            core=core,
            lookout=lookout,
            orders=runtime,
            entries=store.journal,
            records=StoredRecords(store.records),
            clock=clock,
            links=lambda: dict.fromkeys(names, UNKNOWN),
            head_note=lambda head: note_of(head, seal),
            version="0.0.0",
        )
        app = create_service(sources, reach="this machine")
        add_pages(app)
        started = SupervisorStarted(declaration=cell.digest, version="0.0.0", fence=store.fence)
        step = asyncio.create_task(runtime.run(started))
        transport = httpx.ASGITransport(app, raise_app_exceptions=False)
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
            await lookout.wait_after(0, 5)
            yield Running(
                client=client, core=core, sources=sources, runtime=runtime, lookout=lookout, store=store, past=past,
                machines=machines,
            )  # fmt: skip
        lookout.close()
        step.cancel()
        await asyncio.gather(step, return_exceptions=True)


@pytest.fixture
async def cell(tmp_path: Path, past: Past) -> AsyncIterator[Running]:
    """A cell just after a restart: nothing is connected yet."""
    async with running(tmp_path, past) as started:
        yield started


@pytest.fixture
async def connected(cell: Running) -> Running:
    """A cell whose machines have connected again."""
    await cell.tell_images()
    return cell


@pytest.fixture
def start_cell(past: Past) -> Callable[[Path], object]:
    """Starts a cell on the journal in a folder."""
    return lambda folder, **options: running(folder, past, **options)


@pytest.fixture
def start_on() -> Callable[[Path, Past], object]:
    """Starts a cell in a folder on another past."""
    return running

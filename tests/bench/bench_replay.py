"""Reading a journal back: events per second from the file to the state, decide alone, and how long a restart takes after a day.

Rules of this file:
- The journal is that of one day of the small cell in virtual time, three shifts, kept by the production store.
- The rates are those of the rule. A cell whose file says nothing looks ahead, and replay looks ahead once more for each choice: that has
  a figure of its own, over a quarter of the pallets.
- Rates are per second of processor time, restarts are on the wall: what somebody waits for before the cell goes on.
- A restart is what ``supervisor.app`` does before it listens: open the store, take the newest snapshot, fold what came after.
"""

import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from simulators.bench.parts import pallets_for, physics_of
from simulators.bench.scenarios import small_cell
from simulators.bench.world import World
from supervisor.cell.model import Cell
from supervisor.cell.value import replace
from supervisor.core.decide import Core
from supervisor.core.state import CellState
from supervisor.shell.fold import Fold
from supervisor.shell.ports import JournalEntry, Snapshot
from supervisor.shell.recovery import recover
from supervisor.shell.runtime import SNAPSHOT_EVERY
from supervisor.store import open_archive, open_store
from tests.bench.figure import ROUNDS, Figure, Size, alone, at_least, at_most

LOOK_AHEAD_STEPS = 1_000
DAY_MS = 24 * 3_600_000
PALLETS: dict[Size, int] = {"full": 330, "smallest": 5}
START_MS = 1_764_000_000_000


def looking_ahead() -> Cell:
    """The small cell with the look-ahead that a cell file gets which says nothing about it."""
    cell = small_cell()
    return replace(cell, routing=replace(cell.routing, look_ahead_steps=LOOK_AHEAD_STEPS))


def day(cell: Cell, pallets: int) -> list[JournalEntry]:
    """The journal of a day with so many pallets, evenly spread."""
    physics = physics_of(
        cell,
        pallets=pallets_for(cell, pallets, 3),
        arrivals_ms=[number * DAY_MS // pallets for number in range(pallets)],
        bad_share=0.05,
    )
    world = World(cell, physics, seed=3, start_ms=START_MS)
    world.run(START_MS + 2 * DAY_MS, done=lambda w: len(w.records) == pallets)
    return world.journal.entries


def snapshot_of(core: Core, entries: Sequence[JournalEntry]) -> Snapshot[CellState]:
    """The newest snapshot that a runtime would have kept before it died after the last entry."""
    upto = len(entries) // SNAPSHOT_EVERY * SNAPSHOT_EVERY or 1
    fold: Fold[CellState] = Fold(lambda _: core)
    for entry in entries[:upto]:
        fold.take(entry.event, entry.at_ms)
    last = entries[upto - 1]
    return Snapshot(seq=last.seq, at_ms=last.at_ms, declaration=fold.declaration, state=fold.state)


def keep(address: str, entries: Sequence[JournalEntry]) -> None:
    """A journal of these entries in a new database."""
    with open_store(address, durability="process-safe") as store:
        for first in range(0, len(entries), 500):
            store.journal.append(entries[first : first + 500])


def keep_snapshot(address: str, snapshot: Snapshot[CellState]) -> None:
    """A snapshot beside the journal."""
    with open_store(address, durability="process-safe") as store:
        store.snapshots(CellState).keep(snapshot)


def replayed(address: str, core: Core) -> None:
    """Decode every entry and fold it."""
    with open_archive(address) as archive:
        fold: Fold[CellState] = Fold(lambda _: core)
        for entry in archive.journal.read(1):
            fold.take(entry.event, entry.at_ms)


def cpu_s(work: Callable[[], object]) -> float:
    """Processor seconds of a piece of work."""
    before = time.process_time()
    work()
    return time.process_time() - before


def decide_all(core: Core, entries: Sequence[JournalEntry]) -> None:
    """Every fact through decide and nothing else."""
    state = core.initial()
    for entry in entries:
        state = core.decide(state, entry.event, entry.at_ms).state


def restart_s(address: str, core: Core) -> float:
    """Seconds from nothing to the state after the journal's last entry."""
    before = time.perf_counter()
    with open_store(address, durability="process-safe") as store:
        recover(lambda _: core, store.journal, store.snapshots(CellState))
        return time.perf_counter() - before


def measure(size: Size) -> list[Figure]:
    """Rates and restarts."""
    core = Core(small_cell())
    entries = day(small_cell(), PALLETS[size])
    ahead = looking_ahead()
    looked = day(ahead, -(-PALLETS[size] // 4))
    snapshot = snapshot_of(core, entries)
    folded, decided, whole, short, searched = [], [], [], [], []
    for _ in range(ROUNDS[size]):
        with tempfile.TemporaryDirectory() as name:
            address = str(Path(name) / "cell.db")
            keep(address, entries)
            folded.append(len(entries) / cpu_s(lambda: replayed(address, core)))  # noqa: B023 - called at once
            decided.append(len(entries) / cpu_s(lambda: decide_all(core, entries)))
            searched.append(len(looked) / cpu_s(lambda: decide_all(Core(ahead), looked)))
            whole.append(restart_s(address, core))
            keep_snapshot(address, snapshot)
            short.append(restart_s(address, core))
    return [
        alone(
            "replay from SQLite to the state, events per CPU second",
            folded,
            "/s",
            at_least(200_000),
        ),
        alone("decide alone, events per CPU second", decided, "/s"),
        alone("decide alone with look-ahead, 1000 steps, events per CPU second", searched, "/s"),
        alone(
            f"restart after a day of {len(entries):,} events, with its snapshot",
            short,
            "ms",
            at_most(0.5),
        ),
        alone("the same restart without any snapshot", whole, "ms"),
    ]

"""The journal: commit beside fdatasync, CPU beside a bare insert, the step beside its commit, decoding and verifying.

Rules of this file:
- Ratios within one run, medians of three interleaved rounds. Nothing is asserted: a machine that is busy is only named.
- The events are those of a shift of the small cell in virtual time, so their sizes and commands are what a cell writes.
- A run whose fdatasync takes over 1 ms is on a busy disk path and is judged by the figure for such.
"""

import asyncio
import os
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from pathlib import Path
from types import SimpleNamespace

import uvloop

from simulators.bench.parts import pallets_for, physics_of
from simulators.bench.scenarios import small_cell
from simulators.bench.world import World
from supervisor.core.commands import Goal
from supervisor.core.events import Event, SupervisorStarted
from supervisor.shell.clock import start_clock
from supervisor.shell.memory import MemorySnapshots
from supervisor.shell.outbox import outbox_for
from supervisor.shell.ports import JournalEntry
from supervisor.shell.recovery import recover
from supervisor.shell.runtime import Runtime, Wiring, Writer
from supervisor.store import Store, open_store
from supervisor.store.codec import encode_body
from supervisor.store.database import Durability
from tests.bench.figure import ROUNDS, Figure, Size, alone, at_most, beside

COMMITS: dict[Size, int] = {"full": 300, "smallest": 5}
LOG_ENTRIES: dict[Size, int] = {"full": 6_000, "smallest": 10}
# In full: enough for the write-ahead log to be full once, at 1,000 pages.
PALLETS: dict[Size, int] = {"full": 60, "smallest": 3}
READ_BACK: dict[Size, int] = {"full": 50_000, "smallest": 500}
SHIFT_MS = 8 * 3_600_000
START_MS = 1_764_000_000_000
BUSY_DISK_S = 0.001


def shift(pallets: int) -> list[JournalEntry]:
    """The journal of so many pallets, as close as in a shift of 110."""
    cell = small_cell()
    every_ms = SHIFT_MS // 110
    physics = physics_of(
        cell,
        pallets=pallets_for(cell, pallets, 3),
        arrivals_ms=[n * every_ms for n in range(pallets)],
        bad_share=0.05,
    )
    world = World(cell, physics, seed=3, start_ms=START_MS)
    world.run(START_MS + 2 * SHIFT_MS, done=lambda w: len(w.records) >= pallets)
    return world.journal.entries


def repeated(entries: Sequence[JournalEntry], count: int) -> list[JournalEntry]:
    """That many entries with consecutive numbers, cut from the run again and again; records are left to the first round."""
    plain = [e for e in entries if not any(type(c).__name__ == "StoreRecord" for c in e.commands)]
    return [
        JournalEntry(seq=n + 1, at_ms=e.at_ms, schema=e.schema, event=e.event, commands=e.commands)
        for n, e in ((n, plain[n % len(plain)]) for n in range(count))
    ]


# --- one commit beside one fdatasync --------------------------------------------------------------------------------------------


def fdatasyncs(folder: Path, size: int, count: int) -> list[float]:
    """Seconds of so many appends of so many bytes with fdatasync."""
    file = os.open(folder / "plain", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    content = b"x" * size
    times = []
    for _ in range(count):
        before = time.perf_counter()
        os.write(file, content)
        os.fdatasync(file)
        times.append(time.perf_counter() - before)
    os.close(file)
    return times


def commits(store: Store, entries: Sequence[JournalEntry]) -> list[float]:
    """Seconds of each append of one entry."""
    times = []
    for entry in entries:
        before = time.perf_counter()
        store.journal.append([entry])
        times.append(time.perf_counter() - before)
    return times


def fresh_and_used(
    folder: Path, entries: Sequence[JournalEntry], durability: Durability, size: Size
) -> tuple[float, float]:
    """Median seconds of a commit while the write-ahead log still grows, and once it is written over again."""
    count = COMMITS[size]
    used_from = count + LOG_ENTRIES[size]
    with open_store(str(folder / "cell.db"), durability=durability) as store:
        fresh = commits(store, entries[:count])
        append(store, entries[count:used_from], 100)
        used = commits(store, entries[used_from : used_from + count])
    return statistics.median(fresh), statistics.median(used)


def of_commits(entries: Sequence[JournalEntry], size: Size) -> list[Figure]:
    """Commits beside an append with fdatasync of as many bytes."""
    bytes_each = round(statistics.mean(len(encode_body(e)) for e in entries))
    many = repeated(entries, 2 * COMMITS[size] + LOG_ENTRIES[size])
    syncs, fresh, used, quick = [], [], [], []
    for folder in fresh_folders(size):
        early, late = fresh_and_used(folder / "safe", many, "power-safe", size)
        fresh.append(early)
        used.append(late)
        syncs.append(statistics.median(fdatasyncs(folder, bytes_each, COMMITS[size])))
        quick.append(fresh_and_used(folder / "quick", many, "process-safe", size)[1])
    busy = statistics.median(syncs) > BUSY_DISK_S
    one = (f"one fdatasync of {bytes_each} bytes", syncs)
    aim = at_most(1.1 if busy else 1.7)
    return [
        beside("power-safe commit of one event", used, "µs", one, aim),
        beside("the same while a new process's log grows", fresh, "µs", one),
        beside("process-safe commit of one event", quick, "µs", one),
    ]


# --- CPU beside a bare insert -----------------------------------------------------------------------------------------------------


CHUNK = 250
CHUNKS: dict[Size, int] = {"full": 12, "smallest": 1}


def bare(folder: Path) -> sqlite3.Connection:
    """A database for ready texts and nothing else."""
    connection = sqlite3.connect(folder / "bare.db")
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = NORMAL")
    connection.execute("CREATE TABLE bare (seq INTEGER PRIMARY KEY, body TEXT)")
    return connection


def insert(connection: sqlite3.Connection, rows: Sequence[tuple[int, str]]) -> None:
    """Insert ready texts, one commit each."""
    cursor = connection.cursor()
    for row in rows:
        cursor.execute("INSERT INTO bare VALUES (?, ?)", row)
        connection.commit()


def append(store: Store, entries: Sequence[JournalEntry], batch: int) -> None:
    """Append entries, so many to a commit."""
    for first in range(0, len(entries), batch):
        store.journal.append(entries[first : first + batch])


def of_cpu(entries: Sequence[JournalEntry], size: Size) -> list[Figure]:
    """Short turns of each kind in alternation, so that a machine that changes its speed does so for all."""
    many = repeated(entries, CHUNK * CHUNKS[size])
    found: dict[str, list[float]] = {}
    for folder in fresh_folders(size):
        one = open_store(str(folder / "one.db"), durability="process-safe")
        ten = open_store(str(folder / "ten.db"), durability="process-safe")
        with one, ten, closing(bare(folder)) as plain:
            for first in range(0, len(many), CHUNK):
                chunk = many[first : first + CHUNK]
                rows = [(e.seq, encode_body(e)) for e in chunk]
                timed(found, "bare", lambda r=rows, c=plain: insert(c, r))
                timed(found, "one", lambda c=chunk, s=one: append(s, c, 1))
                timed(found, "ten", lambda c=chunk, s=ten: append(s, c, 10))
    each = {name: [spent / CHUNK for spent in turns] for name, turns in found.items()}
    insert_alone = ("bare sqlite3 insert and commit", each["bare"])
    return [
        beside("CPU per journalled event", each["one"], "µs", insert_alone, at_most(2.0)),
        beside("the same, ten events to a commit", each["ten"], "µs", insert_alone),
    ]


# --- from a fact to the goal it leads to ------------------------------------------------------------------------------------------


class Machine:
    """An adapter that notes when a goal reached it."""

    def __init__(self, name: str, given: Callable[[], None]) -> None:
        self.name = name
        self._given = given

    async def run(self, emit: Callable[[Event], None]) -> None:
        """Unused."""

    def give(self, _goal: Goal) -> None:
        self._given()


class TwoDoors:
    """The production core's place, taken by the least that turns a fact into a goal: what is measured is the step, not the rules."""

    def __init__(self, goal: Goal) -> None:
        self._decision = SimpleNamespace(
            state=SimpleNamespace(timers={}), commands=(goal,), choices=()
        )

    def initial(self) -> SimpleNamespace:
        return self._decision.state

    def decide(self, _state: object, event: Event, _at_ms: int) -> SimpleNamespace:
        if isinstance(event, SupervisorStarted):
            return SimpleNamespace(state=self._decision.state, commands=(), choices=())
        return self._decision

    def broken(self, _state: object) -> tuple[str, ...]:
        return ()


async def reactions(
    folder: Path, fact: Event, goal: Goal, way: tuple[Durability, Writer], count: int
) -> list[float]:
    """Seconds from emitting a fact until its goal is given, so many times with 2 ms of rest between."""
    durability, writer = way
    cell = small_cell()
    done = asyncio.Event()
    names = [*(s.station for s in cell.stations), "handler", *(r.reader for r in cell.readers)]
    times = []
    with open_store(str(folder / "cell.db"), durability=durability) as store:
        core = TwoDoors(goal)
        wiring = Wiring(
            journal=store.journal,
            snapshots=MemorySnapshots(),
            clock=start_clock(after_ms=0),
            outbox=outbox_for(cell, [Machine(name, done.set) for name in names]),
            publisher=SimpleNamespace(publish=lambda _: None),
            writer=writer,
        )
        runtime = Runtime(recover(lambda _: core, store.journal, wiring.snapshots), wiring)
        started = SupervisorStarted(declaration="d", version="bench", fence=store.fence)
        stepping = asyncio.create_task(runtime.run(started))
        emit = runtime.inbox.emitter("scan-1")
        for _ in range(count):
            await asyncio.sleep(0.002)
            done.clear()
            before = time.perf_counter()
            emit(fact)
            await done.wait()
            times.append(time.perf_counter() - before)
        stepping.cancel()
        await asyncio.gather(stepping, return_exceptions=True)
    return times


def paced_fdatasyncs(folder: Path, count: int) -> list[float]:
    """As ``fdatasyncs``, with the same rest between as ``reactions``."""
    file = os.open(folder / "paced", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    times = []
    for _ in range(count):
        time.sleep(0.002)
        before = time.perf_counter()
        os.write(file, b"x" * 500)
        os.fdatasync(file)
        times.append(time.perf_counter() - before)
    os.close(file)
    return times


WAYS: dict[str, tuple[Durability, Writer]] = {
    "process-safe, inline": ("process-safe", "inline"),
    "power-safe, inline": ("power-safe", "inline"),
    "power-safe, thread": ("power-safe", "thread"),
}


def of_reactions(entries: Sequence[JournalEntry], size: Size) -> list[Figure]:
    """The step without rules, from a fact to its goal, by the way of keeping the journal."""
    observed = next(e.event for e in entries if type(e.event).__name__ == "StationObserved")
    goal = next(c for e in entries for c in e.commands if hasattr(c, "station"))
    syncs: list[float] = []
    found: dict[str, list[float]] = {way: [] for way in WAYS}
    for folder in fresh_folders(size):
        syncs.append(statistics.median(paced_fdatasyncs(folder, COMMITS[size])))
        for name, way in WAYS.items():
            place = folder / name
            place.mkdir()
            with asyncio.Runner(loop_factory=uvloop.new_event_loop) as runner:
                spans = runner.run(reactions(place, observed, goal, way, COMMITS[size]))
            found[name].append(statistics.median(spans))
    return [
        beside(f"fact to goal without rules, {name}", spans, "µs", ("one paced fdatasync", syncs))
        for name, spans in found.items()
    ]


# --- reading back -----------------------------------------------------------------------------------------------------------------


def of_reading(entries: Sequence[JournalEntry], size: Size) -> list[Figure]:
    """Rows, decoded entries and verified entries per second of processor time."""
    many = repeated(entries, READ_BACK[size])
    found: dict[str, list[float]] = {}
    for folder in fresh_folders(size):
        with open_store(str(folder / "many.db"), durability="process-safe") as store:
            append(store, many, 1_000)
            timed(found, "rows read", lambda s=store: sum(1 for _ in s.journal.rows(1)))
            timed(found, "entries decoded", lambda s=store: sum(1 for _ in s.journal.read(1)))
            timed(found, "entries verified", lambda s=store: s.verify())
    return [
        alone(f"{what}, per CPU second", [len(many) / max(each, 1e-9) for each in spent], "/s")
        for what, spent in found.items()
    ]


def timed(found: dict[str, list[float]], what: str, work: Callable[[], object]) -> None:
    before = time.process_time()
    work()
    found.setdefault(what, []).append(time.process_time() - before)


def fresh_folders(size: Size) -> Iterator[Path]:
    """A new folder for each round, with room for two stores."""
    for _ in range(ROUNDS[size]):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            (folder / "safe").mkdir()
            (folder / "quick").mkdir()
            yield folder


def measure(size: Size) -> list[Figure]:
    """Commits, processor time, the step without rules, reading back."""
    entries = shift(PALLETS[size])
    parts = (of_commits, of_cpu, of_reactions, of_reading)
    return [figure for part in parts for figure in part(entries, size)]

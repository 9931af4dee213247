"""The journal: commit beside fdatasync, CPU beside a bare insert, the step beside its commit, decoding, replay and verifying.

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
from supervisor.core.decide import Core
from supervisor.core.events import Event, SupervisorStarted
from supervisor.core.state import CellState
from supervisor.shell.clock import start_clock
from supervisor.shell.memory import MemorySnapshots
from supervisor.shell.outbox import outbox_for
from supervisor.shell.ports import JournalEntry
from supervisor.shell.recovery import recover
from supervisor.shell.replay import replay
from supervisor.shell.runtime import Runtime, Wiring, Writer
from supervisor.store import Store, open_store
from supervisor.store.codec import encode_body
from supervisor.store.database import Durability

ROUNDS = 3
COMMITS = 300
LOG_ENTRIES = 6_000  # enough for the write-ahead log to be full once, at 1,000 pages
PALLETS = 60
SHIFT_MS = 8 * 3_600_000
START_MS = 1_764_000_000_000
BUSY_DISK_S = 0.001


def say(line: str) -> None:
    print(line)  # noqa: T201 - a bench prints


def shift() -> list[JournalEntry]:
    """The journal of half a shift."""
    cell = small_cell()
    every_ms = SHIFT_MS // 110
    physics = physics_of(
        cell,
        pallets=pallets_for(cell, PALLETS, 3),
        arrivals_ms=[n * every_ms for n in range(PALLETS)],
        bad_share=0.05,
    )
    world = World(cell, physics, seed=3, start_ms=START_MS)
    world.run(START_MS + 2 * SHIFT_MS, done=lambda w: len(w.records) >= PALLETS)
    return world.journal.entries


def repeated(entries: Sequence[JournalEntry], count: int) -> list[JournalEntry]:
    """That many entries with consecutive numbers, cut from the run again and again; records are left to the first round."""
    plain = [e for e in entries if not any(type(c).__name__ == "StoreRecord" for c in e.commands)]
    return [
        JournalEntry(seq=n + 1, at_ms=e.at_ms, schema=e.schema, event=e.event, commands=e.commands)
        for n, e in ((n, plain[n % len(plain)]) for n in range(count))
    ]


# --- one commit beside one fdatasync --------------------------------------------------------------------------------------------


def fdatasyncs(folder: Path, size: int) -> list[float]:
    """Seconds of each append of so many bytes with fdatasync."""
    file = os.open(folder / "plain", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    content = b"x" * size
    times = []
    for _ in range(COMMITS):
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
    folder: Path, entries: Sequence[JournalEntry], durability: Durability
) -> tuple[float, float]:
    """Median seconds of a commit while the write-ahead log still grows, and once it is written over again."""
    used_from = COMMITS + LOG_ENTRIES
    with open_store(str(folder / "cell.db"), durability=durability) as store:
        fresh = commits(store, entries[:COMMITS])
        append(store, entries[COMMITS:used_from], 100)
        used = commits(store, entries[used_from : used_from + COMMITS])
    return statistics.median(fresh), statistics.median(used)


def print_commits(entries: Sequence[JournalEntry]) -> None:
    size = statistics.mean(len(encode_body(e)) for e in entries)
    many = repeated(entries, 2 * COMMITS + LOG_ENTRIES)
    found: dict[str, list[float]] = {}
    for folder in fresh_folders():
        safe = fresh_and_used(folder / "safe", many, "power-safe")
        sync = statistics.median(fdatasyncs(folder, int(size)))
        quick = fresh_and_used(folder / "quick", many, "process-safe")
        turn = (sync, safe[0] / sync, safe[1] / sync, quick[1] / sync)
        for name, figure in zip(("sync", "fresh", "used", "quick"), turn, strict=True):
            found.setdefault(name, []).append(figure)
    median = {name: statistics.median(figures) for name, figures in found.items()}
    path = "busy disk path, aim 1.1" if median["sync"] > BUSY_DISK_S else "idle, aim 1.7"
    say(f"one fdatasync of {size:.0f} bytes: {median['sync'] * 1e6:.0f} us")
    say(f"power-safe commit of one event / one fdatasync: {median['used']:.2f} ({path})")
    say(f"the same in the first minutes of a process, while the log grows: {median['fresh']:.2f}")
    say(f"process-safe commit of one event / one fdatasync: {median['quick']:.2f}")


# --- CPU beside a bare insert -----------------------------------------------------------------------------------------------------


CHUNK = 250
CHUNKS = 12


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


def print_cpu(entries: Sequence[JournalEntry]) -> None:
    """Short turns of each kind in alternation, so that a machine that changes its speed does so for all."""
    many = repeated(entries, CHUNK * CHUNKS)
    found: dict[str, list[float]] = {}
    for folder in fresh_folders():
        one = open_store(str(folder / "one.db"), durability="process-safe")
        ten = open_store(str(folder / "ten.db"), durability="process-safe")
        with one, ten, closing(bare(folder)) as plain:
            for first in range(0, len(many), CHUNK):
                chunk = many[first : first + CHUNK]
                rows = [(e.seq, encode_body(e)) for e in chunk]
                timed(found, "bare", lambda r=rows, c=plain: insert(c, r))
                timed(found, "one", lambda c=chunk, s=one: append(s, c, 1))
                timed(found, "ten", lambda c=chunk, s=ten: append(s, c, 10))
    spent = statistics.median(found["bare"]) / CHUNK
    say(f"one bare sqlite3 insert with its commit: {spent * 1e6:.0f} us of CPU")
    say(f"CPU per journalled event / a bare sqlite3 insert: {ratio(found, 'one'):.2f} (aim 2)")
    say(f"the same, ten events to a commit: {ratio(found, 'ten'):.2f}")


def ratio(found: dict[str, list[float]], what: str) -> float:
    """The median over turns beside each other."""
    return statistics.median(a / b for a, b in zip(found[what], found["bare"], strict=True))


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
    folder: Path, fact: Event, goal: Goal, *, durability: Durability, writer: Writer
) -> list[float]:
    """Seconds from emitting a fact until its goal is given, with 2 ms of rest between."""
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
        for _ in range(COMMITS):
            await asyncio.sleep(0.002)
            done.clear()
            before = time.perf_counter()
            emit(fact)
            await done.wait()
            times.append(time.perf_counter() - before)
        stepping.cancel()
        await asyncio.gather(stepping, return_exceptions=True)
    return times


def paced_fdatasyncs(folder: Path) -> list[float]:
    """As ``fdatasyncs``, with the same rest between as ``reactions``."""
    file = os.open(folder / "paced", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    times = []
    for _ in range(COMMITS):
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


def print_reactions(entries: Sequence[JournalEntry]) -> None:
    observed = next(e.event for e in entries if type(e.event).__name__ == "StationObserved")
    goal = next(c for e in entries for c in e.commands if hasattr(c, "station"))
    syncs: list[float] = []
    found: dict[str, list[float]] = {way: [] for way in WAYS}
    for folder in fresh_folders():
        syncs += paced_fdatasyncs(folder)
        for way, (durability, writer) in WAYS.items():
            place = folder / way
            place.mkdir()
            with asyncio.Runner(loop_factory=uvloop.new_event_loop) as runner:
                found[way] += runner.run(
                    reactions(place, observed, goal, durability=durability, writer=writer)
                )
    say(f"one paced fdatasync: p50 {p(syncs, 50):.0f} us, p99 {p(syncs, 99):.0f} us")
    for way, times in found.items():
        say(
            f"fact to goal, {way}: p50 {p(times, 50):.0f} us, p99 {p(times, 99):.0f} us;"
            f" / paced fdatasync: {p(times, 50) / p(syncs, 50):.2f}"
        )


def p(times: Sequence[float], percent: int) -> float:
    """A percentile in microseconds."""
    return statistics.quantiles(times, n=100)[percent - 1] * 1e6


# --- reading back -----------------------------------------------------------------------------------------------------------------


def print_reading(entries: Sequence[JournalEntry]) -> None:
    cell = small_cell()
    core = Core(cell)
    many = repeated(entries, 50_000)
    found: dict[str, list[float]] = {}
    for folder in fresh_folders():
        with open_store(str(folder / "many.db"), durability="process-safe") as store:
            for first in range(0, len(many), 1_000):
                store.journal.append(many[first : first + 1_000])
            timed(found, "rows", lambda s=store: sum(1 for _ in s.journal.rows(1)))
            timed(found, "decoded", lambda s=store: sum(1 for _ in s.journal.read(1)))
            timed(found, "verified", lambda s=store: s.verify())
        with open_store(str(folder / "run.db"), durability="process-safe") as store:
            store.journal.append(entries)
            timed(found, "replayed", lambda s=store: replay(lambda _: core, s.journal.read(1)))
            timed(
                found,
                "recovered",
                lambda s=store: recover(lambda _: core, s.journal, s.snapshots(CellState)),
            )
    for what, spent in found.items():
        count = len(entries) if what in ("replayed", "recovered") else len(many)
        say(f"{what}: {count / statistics.median(spent):,.0f} events per CPU second")


def timed(found: dict[str, list[float]], what: str, work: Callable[[], object]) -> None:
    before = time.process_time()
    work()
    found.setdefault(what, []).append(time.process_time() - before)


def fresh_folders() -> Iterator[Path]:
    """A new folder for each round, with room for two stores."""
    for _ in range(ROUNDS):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            (folder / "safe").mkdir()
            (folder / "quick").mkdir()
            yield folder


def main() -> None:
    """Measure and print."""
    entries = shift()
    say(f"{len(entries)} entries, load {os.getloadavg()[0]:.1f}")
    print_commits(entries)
    print_cpu(entries)
    print_reactions(entries)
    print_reading(entries)


if __name__ == "__main__":
    main()

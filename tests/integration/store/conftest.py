"""Both databases for the tests of the store: SQLite in a folder, and a PostgreSQL server of our own.

Rules of this file:
- The server runs as an unprivileged user in a temporary folder, on loopback and a free port, for the whole session.
- Each test finds its database empty. A desk without the server programs skips these tests and says what to install.
"""

import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from decimal import Decimal
from pathlib import Path
from types import SimpleNamespace

import psycopg
import pytest

from simulators.bench.ports import free_ports
from supervisor.core.commands import Command, SetDoor, StoreRecord
from supervisor.core.events import Event, StationObserved, SupervisorStarted, TimerFired
from supervisor.shell.ports import SCHEMA, JournalEntry
from supervisor.store import Store, open_store
from supervisor.verdict.record import Evidence, Finding, Record

READY_S_MAX = 30


class PostgresServer:
    """A server of our own; ``stop`` and ``start`` as a test likes."""

    def __init__(self, programs: Path, folder: Path) -> None:
        self.folder = folder
        (self.port,) = free_ports(1)
        self._programs = programs
        self._user = "nobody" if os.geteuid() == 0 else None
        if self._user:
            shutil.chown(folder, self._user)
        # fsync=off spares the other tests of this machine; a power cut is not what these tests are about.
        # trust: only this machine reaches the server, and it lives as long as the tests
        self._run(
            "initdb",
            "-D",
            str(folder / "data"),
            "-U",
            "cell",
            "-A",
            "trust",
            "--no-sync",
            "-E",
            "UTF8",
            "--locale=C",
        )
        self.start()

    def start(self) -> None:
        """Start and wait until it answers."""
        self._server = subprocess.Popen(
            [self._programs / "postgres", "-D", self.folder / "data", "-p", str(self.port),
             "-h", "127.0.0.1", "-k", self.folder, "-c", "fsync=off"],
            user=self._user,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )  # fmt: skip
        deadline_s = time.monotonic() + READY_S_MAX
        while self._run("pg_isready", "-q", "-h", "127.0.0.1", "-p", str(self.port), check=False):
            assert self._server.poll() is None, "the PostgreSQL server ended at once"
            assert time.monotonic() < deadline_s, "the PostgreSQL server does not answer"
            time.sleep(0.05)

    def stop(self) -> None:
        """Stop as in a crash of the server: at once, with every session cut off."""
        self._server.send_signal(signal.SIGQUIT)
        self._server.wait(timeout=READY_S_MAX)

    def emptied(self) -> str:
        """The address of the one database, after everything in it is gone and everybody is off it."""
        with psycopg.connect(self.address, autocommit=True) as connection:
            connection.execute(
                "SELECT pg_terminate_backend(pid, 5000) FROM pg_stat_activity"
                " WHERE datname = current_database() AND pid <> pg_backend_pid()"
            )
            connection.execute("DROP SCHEMA public CASCADE")
            connection.execute("CREATE SCHEMA public")
        return self.address

    @property
    def address(self) -> str:
        """The address of the one database."""
        return f"postgresql://cell@127.0.0.1:{self.port}/postgres"

    def _run(self, program: str, *arguments: str, check: bool = True) -> int:
        return subprocess.run(
            [self._programs / program, *arguments],
            user=self._user,
            check=check,
            stdout=subprocess.DEVNULL,
        ).returncode


@pytest.fixture(scope="session")
def postgres_server(postgres_programs: Path) -> Iterator[PostgresServer]:
    """The server."""
    with tempfile.TemporaryDirectory(prefix="pg-") as folder:
        server = PostgresServer(postgres_programs, Path(folder))
        yield server
        server.stop()


@pytest.fixture
def postgres(postgres_server: PostgresServer) -> str:
    """An empty database on the server."""
    return postgres_server.emptied()


@pytest.fixture
def sqlite(tmp_path: Path) -> str:
    """A database file that does not exist yet."""
    return str(tmp_path / "cell.db")


@pytest.fixture(params=["sqlite", "postgres"])
def address(request: pytest.FixtureRequest) -> str:
    """A store that does not exist yet, on each database in turn."""
    return request.getfixturevalue(request.param)


@pytest.fixture
def opened() -> Iterator[Callable[..., Store]]:
    """Opens stores and closes whatever is still open at the end."""
    stores: list[Store] = []

    def make(where: str, **options: object) -> Store:
        stores.append(open_store(where, **options))
        return stores[-1]

    yield make
    for store in stores:
        store.close()


def entry(seq: int, event: Event | None = None, *commands: Command) -> JournalEntry:
    event = event or TimerFired(timer=f"timer {seq}")
    return JournalEntry(seq=seq, at_ms=1_000 + seq, schema=SCHEMA, event=event, commands=commands)


def entries(first: int, last: int) -> list[JournalEntry]:
    """Entries of several kinds."""
    kinds: list[tuple[Event, ...]] = [
        (SupervisorStarted(declaration="d1", version="1", fence=1),),
        (observed(),),
        (TimerFired(timer="door ä€\x00"), SetDoor(order=7, station="scan-1", door="open")),
    ]
    return [entry(seq, *kinds[(seq - 1) % len(kinds)]) for seq in range(first, last + 1)]


def observed() -> StationObserved:
    return StationObserved(
        station="scan-1",
        source_ms=1_764_000_000_000,
        boot="2025-11-24T16:00:00Z",
        link="up",
        mode="automatic",
        door="closed",
        nest="empty",
        work="idle",
        run_id="",
        serial="",
        program="",
        counter=-1,
        gate="",
    )


def evidence(value: float | None, station: str, measured_ms: int) -> Evidence:
    return Evidence(
        value=value,
        unit="mm",
        quality="good",
        expanded_u=Decimal("0.0020"),
        k=Decimal(2),
        station=station,
        program=f"pump-body at {station}",
        program_revision="3",
        run_id="R1",
        result_id=f"{station}/1",
        measured_ms=measured_ms,
    )


def finding(number: str, value: float | None, station: str, measured_ms: int = 5) -> Finding:
    return Finding(
        number=number,
        name="bore",
        kind="diameter",
        unit="mm",
        nominal=Decimal("25.000"),
        lower=Decimal("25.000"),
        upper=Decimal("25.021"),
        accept_lower=None,
        accept_upper=None,
        need="mandatory",
        verdict="conforming" if station else "not measured",
        why="",
        decided_by=evidence(value, station, measured_ms) if station else None,
        monitored_by=(),
    )


def record(serial: str = "1", **changes: object) -> Record:
    fields: dict[str, object] = {
        "serial": serial,
        "part_type": "pump-body",
        "plan_revision": "A",
        "batch": "B1",
        "produced": "",
        "pallet": "grai:1",
        "declaration": "d1",
        "rule": "1.65",
        "revision": 1,
        "entered_ms": 0,
        "decided_ms": 10,
        "verdict": "conforming",
        "why": "",
        "findings": (finding("12", 25.0104, "touch-1"), finding("13", None, "")),
    }
    return Record(**{**fields, **changes})


def keeping(seq: int, *records: Record) -> JournalEntry:
    """An entry that commands records to be kept."""
    return entry(seq, None, *(StoreRecord(record=kept) for kept in records))


@pytest.fixture(scope="session")
def make() -> SimpleNamespace:
    """The makers of this file."""
    return SimpleNamespace(
        entry=entry, entries=entries, record=record, finding=finding, keeping=keeping
    )

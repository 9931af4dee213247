"""The database fails while a cell works: nothing new is begun, people are told, nothing is lost, and it goes on by itself.

Hazard 32 (database down or disk full) and 33 as far as a failing disk could cut a journal.
"""

import os
import resource
import signal
import sqlite3
import subprocess
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

import pytest

from tests.integration.faults.conftest import RunningCell

pytestmark = [pytest.mark.integration, pytest.mark.timeout(240)]

UNDER_WAY = 40  # entries after which pallets are inside and stations at work
TOO_SMALL = 32_768  # bytes: less than any journal under way, more than the supervisor's log
MEGABYTE = 1 << 20


def watch_the_refusal(cell: RunningCell, *words: str) -> None:
    """What everybody is told while the journal takes nothing; and that nothing goes on."""
    status, headers, health = cell.ask("/healthz")
    assert (status, health["step"]) == (503, "journal refused")
    assert headers["retry-after"] == "1"
    assert any(word in health["trouble"] for word in words), health
    (first, *_) = cell.ask("/api/v1/holds")[2]
    assert (first["code"], first["about"], first["answers"]) == ("journal-refused", "cell", [])
    assert first["seen"] == cell.ask("/api/v1/cell")[2]["trouble"]
    seq = cell.seq()
    time.sleep(1.5)  # three minutes of the cell's time, in which a part would have been begun
    assert cell.seq() == seq


def watch_the_end(cell: RunningCell) -> None:
    """It goes on by itself, every part is finished, and the log has one line for each of the two changes."""
    cell.until_taken()
    assert [hold["code"] for hold in cell.ask("/api/v1/holds")[2]] == []
    cell.finish()
    lines = cell.log()
    assert len(lines) == 2, lines
    assert lines[0].startswith("the journal takes nothing, so nothing is decided or sent: ")
    assert lines[1].startswith("the journal takes entries again, after ")


@contextmanager
def file_size_limit(process: subprocess.Popen[bytes], size: int) -> Iterator[None]:
    """No file of a process may grow beyond a size: what setrlimit(2) calls EFBIG and a quota is like."""
    before = resource.prlimit(process.pid, resource.RLIMIT_FSIZE)
    resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.prlimit(process.pid, resource.RLIMIT_FSIZE, before)


@pytest.mark.hazard(32)
def test_a_disk_that_takes_no_more_stops_the_cell_until_it_does(a_cell):
    cell = a_cell()
    cell.until_entries(UNDER_WAY)
    with file_size_limit(cell.live.supervisor, TOO_SMALL):
        cell.until_refused()
        watch_the_refusal(cell, "disk I/O error", "full")
    watch_the_end(cell)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of a few megabytes; only root may make one."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=6m", "tmpfs", disk], check=False, capture_output=True
    )
    if mounted.returncode != 0:
        pytest.skip(
            "needs to mount a small file system, which only root may; see the quota instead"
        )
    yield disk
    # The supervisor may hold its files a little longer than the test.
    subprocess.run(["umount", "--lazy", disk], check=True)


@pytest.mark.hazard(32)
def test_a_full_disk_stops_the_cell_until_there_is_room(small_disk, a_cell):
    cell = a_cell(database=f"sqlite:///{small_disk / 'journal.db'}")
    cell.until_entries(UNDER_WAY)
    filler = small_disk / "filler"
    with filler.open("wb", buffering=0) as file, suppress(OSError):
        while True:
            file.write(bytes(4_096))
    cell.until_refused()
    watch_the_refusal(cell, "disk is full", "disk I/O error")
    filler.unlink()
    watch_the_end(cell)


@pytest.mark.hazard(32)
def test_a_database_that_somebody_else_holds_stops_the_cell_until_they_let_go(a_cell):
    cell = a_cell()
    cell.until_entries(UNDER_WAY)
    path = cell.stage.database.removeprefix("sqlite:///")
    with closing(sqlite3.connect(path, isolation_level=None, timeout=10)) as somebody:
        somebody.execute("BEGIN IMMEDIATE")
        cell.until_refused()
        watch_the_refusal(cell, "locked", "not answered for 5 s")
        somebody.execute("ROLLBACK")
    watch_the_end(cell)


@pytest.mark.hazard(32)
def test_a_postgres_server_that_is_down_stops_the_cell_until_it_is_back(a_cell, postgres_server):
    cell = a_cell(database=postgres_server.emptied())
    cell.until_entries(UNDER_WAY)
    postgres_server.stop()
    cell.until_refused()
    watch_the_refusal(cell, "did not take a write")
    status, headers, problem = cell.ask("/api/v1/records")
    assert (status, headers["retry-after"]) == (503, "1")
    assert problem["code"] == 32
    postgres_server.start()
    watch_the_end(cell)


@pytest.mark.hazard(32)
def test_a_postgres_server_that_is_restarted_costs_nothing_but_the_wait(a_cell, postgres_server):
    cell = a_cell(pallets=3, database=postgres_server.emptied())
    for entries in (UNDER_WAY, 2 * UNDER_WAY, 3 * UNDER_WAY):
        cell.until_entries(entries)
        postgres_server.stop()
        postgres_server.start()
    cell.finish()


@pytest.mark.hazard(32)
def test_a_postgres_server_that_does_not_answer_is_shown_and_waited_for(a_cell, postgres_server):
    cell = a_cell(database=postgres_server.emptied())
    cell.until_entries(UNDER_WAY)
    backends = backends_of(postgres_server)
    for pid in backends:
        os.kill(pid, signal.SIGSTOP)
    try:
        cell.until_refused()
        watch_the_refusal(cell, "has not answered for 5 s")
    finally:
        for pid in backends:
            os.kill(pid, signal.SIGCONT)
    watch_the_end(cell)


def backends_of(server) -> list[int]:
    """The processes of a server: its own and those that it has started."""
    own = server._server.pid
    children = Path(f"/proc/{own}/task/{own}/children").read_text(encoding="ascii").split()
    return [own, *map(int, children)]

"""Hazards 19 and 34 with real processes: one supervisor drives, a frozen one loses the cell, and thawed it can send nothing.

Rules of this file:
- Two supervisors and the simulated machines, each a process; freezing is SIGSTOP, thawing SIGCONT.
- What reached the handler stands in the simulators' truth, with the fencing number that it came with.
- A wait has a limit that only a failure meets; how long a takeover took stands in docs/explanation/one-driver.md.
"""

import json
import signal
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from simulators.bench.bench import report_of_run
from simulators.bench.run import Watch, process, wait_finished
from simulators.bench.staging import Stage, Wishes, prepare
from simulators.servers.floor_file import truth_path
from supervisor.core.events import SupervisorStarted
from supervisor.store import open_archive
from supervisor.store.database import place_of, writing_engine
from tests.integration.store.conftest import PostgresServer

pytestmark = [pytest.mark.system, pytest.mark.timeout(300)]

SPEED = 60.0
LEASE_S = 1.0
WAIT_S_MAX = 90.0


class Supervisor:
    """One ``pointsman serve`` process, and what it says."""

    def __init__(self, stack: ExitStack, stage: Stage, folder: Path, name: str, *options: str):
        log = (folder / f"{name}.log").open("w")
        stack.enter_context(log)
        command = [sys.executable, "-m", "supervisor", "serve", str(stage.cell_folder), "--json"]
        command += ["--database", stage.database, "--port", "0", "--speed", str(SPEED)]
        self.log = folder / f"{name}.log"
        self.process = subprocess.Popen(
            [*command, "--lease", str(LEASE_S), *options],
            stdout=subprocess.PIPE,
            stderr=log,
            text=True,
        )
        stack.callback(self._end)
        self.said = self.next_line()
        self.watch = Watch(self.said["url"].rstrip("/"))

    def next_line(self) -> dict[str, Any]:
        """The next thing that it says."""
        assert self.process.stdout
        return json.loads(self.process.stdout.readline())

    def send(self, number: signal.Signals) -> None:
        self.process.send_signal(number)

    def _end(self) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGCONT)
            self.process.kill()
        self.process.communicate()


@pytest.fixture
def stack() -> Iterator[ExitStack]:
    with ExitStack() as opened:
        yield opened


@pytest.fixture(params=["sqlite", "postgres"])
def staged(request: pytest.FixtureRequest, tmp_path: Path, repository: Path, stack: ExitStack):
    """Makes a prepared run on each database in turn."""

    def make(pallets: int) -> Stage:
        cell = repository / "deploy" / "cells" / "vane-pumps"
        stage = prepare(Wishes(cell=cell, pallets=pallets, seed=7, speed=SPEED), tmp_path / "run")
        address = stage.database
        if request.param == "postgres":
            programs = request.getfixturevalue("postgres_programs")
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="pg-")))
            server = PostgresServer(programs, folder)
            stack.callback(server.stop)
            address = server.address
        return replace(stage, database=address)

    return make


def until(what: str, holds, limit_s: float = WAIT_S_MAX):
    """What ``holds`` gives, once it gives something."""
    deadline_s = time.monotonic() + limit_s
    while time.monotonic() < deadline_s:
        found = holds()
        if found:
            return found
        time.sleep(0.02)
    pytest.fail(f"never: {what}")


def truth(stage: Stage) -> list[dict[str, Any]]:
    path = truth_path(stage.floor)
    return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []


def orders_of(stage: Stage, fence: int) -> list[dict[str, Any]]:
    return [f for f in truth(stage) if f["fact"] == "ordered" and f["fence"] == fence]


def drives(supervisor: Supervisor) -> bool:
    health = supervisor.watch.get("/healthz")
    return health is not None and health["driver"]["permitted"] == "yes"


@pytest.mark.hazard(19)
def test_a_frozen_supervisor_loses_the_cell_and_thawed_it_sends_nothing(staged, stack, tmp_path):
    stage = staged(pallets=6)
    stack.enter_context(
        process(
            ["simulators.servers", "cell", "--plan", str(stage.plan), "--with-parent"],
            tmp_path / "simulators.log",
        )
    )
    first = Supervisor(stack, stage, tmp_path, "first")
    second = Supervisor(stack, stage, tmp_path, "second", "--standby")
    assert (first.said["role"], second.said["role"]) == ("driving", "standing by")
    until("the handler carries", lambda: len(orders_of(stage, 1)) >= 4)

    first.send(signal.SIGSTOP)
    taken = second.next_line()
    assert (taken["role"], taken["fence"]) == ("driving", 2)
    until("the second one moves the handler", lambda: orders_of(stage, 2))
    of_the_first = len(orders_of(stage, 1))

    first.send(signal.SIGCONT)
    if (
        "it is killed" in second.log.read_text()
    ):  # it was frozen amid a write, and kept the file locked
        assert first.process.wait(30) == -signal.SIGKILL
    else:
        assert first.process.wait(30) == 1
        assert "taken by another supervisor after fence 1" in first.log.read_text()
    wait_finished(second.watch, stage, lambda _cell, _done: None)
    assert len(orders_of(stage, 1)) == of_the_first, "not even a refused one"
    second.send(signal.SIGTERM)
    assert second.process.wait(20) == 0

    assert report_of_run(stage).all_well(), report_of_run(stage)
    with open_archive(stage.database) as archive:
        starts = [
            e.event for e in archive.journal.read(1) if isinstance(e.event, SupervisorStarted)
        ]
    assert [start.fence for start in starts] == [1, 2]


@pytest.mark.hazard(34)
@pytest.mark.parametrize("staged", ["sqlite"], indirect=True)
def test_frozen_for_less_than_it_takes_it_goes_on_by_itself(staged, stack, tmp_path):
    """Nobody stands by: the lease ran out, the handler's permit too, and both come back with the first turns of the step."""
    stage = staged(pallets=3)
    stack.enter_context(
        process(
            ["simulators.servers", "cell", "--plan", str(stage.plan), "--with-parent"],
            tmp_path / "simulators.log",
        )
    )
    alone = Supervisor(stack, stage, tmp_path, "alone")
    until("the handler carries", lambda: orders_of(stage, 1))
    alone.send(signal.SIGSTOP)
    until(
        "the handler's permit runs out",
        lambda: any(f.get("permit") == "ran out" for f in truth(stage)),
    )
    time.sleep(LEASE_S)  # the lease of the cell runs out as well
    alone.send(signal.SIGCONT)
    wait_finished(alone.watch, stage, lambda _cell, _done: None)
    health = alone.watch.get("/healthz")
    assert health["driver"]["lapses"] >= 1
    assert health["driver"]["stalls"] >= 1
    assert report_of_run(stage).all_well(), report_of_run(stage)


# --- without machines --------------------------------------------------------------------------------------------------------


def asked(supervisor: Supervisor, path: str, accept: str = "*/*") -> tuple[int, Any, str]:
    """Status, headers and body of an answer."""
    request = urllib.request.Request(supervisor.watch.address + path, headers={"Accept": accept})
    try:
        with urllib.request.urlopen(request, timeout=10) as answer:
            return answer.status, answer.headers, answer.read().decode()
    except urllib.error.HTTPError as refused:
        return refused.code, refused.headers, refused.read().decode()


@pytest.mark.parametrize("staged", ["sqlite"], indirect=True)
def test_one_that_stands_by_says_so_and_when_to_ask_again(staged, stack, tmp_path):
    stage = staged(pallets=1)
    first = Supervisor(stack, stage, tmp_path, "first")
    second = Supervisor(stack, stage, tmp_path, "second", "--standby")
    for path in ("/healthz", "/api/v1/cell", "/api/v1/journal/head", "/nowhere"):
        status, headers, body = asked(second, path)
        assert (status, headers["Retry-After"]) == (503, "1")
        assert headers["Content-Type"] == "application/problem+json"
        problem = json.loads(body)
        assert problem["code"] == 35
        assert f"process {first.process.pid}" in problem["detail"]
    status, headers, body = asked(second, "/", accept="text/html")
    assert (status, "Standing by" in body) == (503, True)
    assert asked(second, "/livez")[0] == 200
    assert json.loads(asked(second, "/livez")[2]) == {"role": "standing by"}
    assert json.loads(asked(first, "/livez")[2]) == {"role": "driving"}
    driver = json.loads(asked(first, "/healthz")[2])["driver"]
    assert (driver["fence"], driver["permitted"], driver["lease_s"]) == (1, "yes", LEASE_S)
    second.send(signal.SIGTERM)
    assert second.process.wait(20) == 0, "told to end, a standby ends"


def forget_the_last_entries(address: str, kept: int) -> None:
    """Cut the end of a journal so that nothing in the database tells."""
    engine = writing_engine(place_of(address), "power-safe")
    with engine.begin() as connection:
        connection.exec_driver_sql(f"DELETE FROM journal WHERE seq > {kept}")
        connection.exec_driver_sql(
            f"UPDATE meta SET head_seq = {kept}, head_hash = (SELECT hash FROM journal WHERE seq = {kept})"
        )
    engine.dispose()


@pytest.mark.hazard(33)
@pytest.mark.parametrize("staged", ["postgres"], indirect=True)
def test_a_second_file_has_the_last_entry_of_a_quiet_cell_and_no_supervisor_starts_short_of_it(
    staged, stack, tmp_path
):
    stage, kept = staged(pallets=1), tmp_path / "elsewhere.head"
    in_the_way = kept.with_name(kept.name + ".new")
    in_the_way.mkdir()
    alone = Supervisor(stack, stage, tmp_path, "alone", "--head-file", str(kept))
    until(
        "people are told that the file cannot be written",
        lambda: f"{kept} cannot be written" in json.loads(asked(alone, "/healthz")[2])["trouble"],
    )
    in_the_way.rmdir()

    def is_kept() -> bool:
        """Whether the file has the last entry; it is written once a second, and nothing comes after the machines are found missing."""
        head = json.loads(asked(alone, "/api/v1/journal/head/note")[2])
        return (
            head["seq"] > 1
            and kept.exists()
            and json.loads(kept.read_text())["hash"] == head["hash"]
        )

    until("the file has the last entry", is_kept)
    alone.send(signal.SIGKILL)
    alone.process.wait(20)
    forget_the_last_entries(stage.database, 1)
    again = subprocess.run(
        [sys.executable, "-m", "supervisor", "serve", str(stage.cell_folder), "--port", "0",
         "--database", stage.database, "--head-file", str(kept)],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert again.returncode == 1
    assert "its end was cut off" in again.stderr
    assert f"{kept} knows entry" in again.stderr


@pytest.mark.parametrize(
    ("staged", "end"),
    [("sqlite", signal.SIGTERM), ("postgres", signal.SIGKILL)],
    indirect=["staged"],
    ids=["in order", "killed"],
)
def test_a_standby_drives_when_the_first_one_has_ended(staged, stack, tmp_path, end):
    stage = staged(pallets=1)
    first = Supervisor(stack, stage, tmp_path, "first")
    second = Supervisor(stack, stage, tmp_path, "second", "--standby")
    first.send(end)
    first.process.wait(20)
    assert second.next_line()["fence"] == 2
    until("it drives", lambda: drives(second))

"""A simulated cell that runs for real, whose database or networks fail: processes, files and sockets as in a plant.

Rules of this file:
- A wait has a limit and ends with what was seen last.
- What a test breaks it mends before it ends, also when it fails; only processes started here are touched.
"""

import json
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from simulators.bench.bench import report_of_run
from simulators.bench.ports import free_ports
from simulators.bench.run import Live, running, wait_finished
from simulators.bench.staging import Stage, Wishes, prepare
from tests.integration.store.conftest import PostgresServer

SPEED = 120.0
WAIT_S_MAX = 60.0


@dataclass(frozen=True, slots=True)
class RunningCell:
    """The example cell, running."""

    live: Live
    stage: Stage

    def ask(self, path: str) -> tuple[int, dict[str, str], Any]:
        """Status, headers and body of an answer, whatever the status."""
        try:
            with urllib.request.urlopen(self.live.watch.address + path, timeout=10) as answer:
                return answer.status, dict(answer.headers), json.load(answer)
        except urllib.error.HTTPError as refused:
            with refused:
                return refused.code, dict(refused.headers), json.load(refused)

    def until(self, what: str, path: str, holds: Callable[[int, Any], bool]) -> Any:
        """Wait until an answer is as wanted; its body."""
        begun_s = time.monotonic()
        while time.monotonic() - begun_s < WAIT_S_MAX:
            status, _, body = self.ask(path)
            if holds(status, body):
                return body
            time.sleep(0.05)
        pytest.fail(f"never saw: {what}; last answer of {path}: {status} {str(body)[:2000]}")

    def until_refused(self) -> Any:
        """Wait until the journal takes nothing."""
        return self.until(
            "a refusal", "/healthz", lambda _, body: body["step"] == "journal refused"
        )

    def until_taken(self) -> Any:
        """Wait until it takes entries again."""
        return self.until("no refusal", "/healthz", lambda status, _: status == 200)

    def seq(self) -> int:
        """The last entry that is durable."""
        return self.ask("/healthz")[2]["seq"]

    def until_entries(self, count: int) -> None:
        """Wait until there are so many entries."""
        self.until("entries", "/healthz", lambda _, body: body["seq"] >= count)

    def finish(self) -> None:
        """Wait until every pallet has its record and has left, then check everything that can be checked."""
        wait_finished(self.live.watch, self.stage, lambda _cell, _done: None)
        report = report_of_run(self.stage)
        assert report.all_well(), report

    def log(self) -> list[str]:
        """What the supervisor logged of its journal."""
        text = (self.stage.folder / "supervisor.log").read_text(encoding="utf-8")
        return [line.partition("runtime: ")[2] for line in text.splitlines() if "runtime: " in line]


@pytest.fixture
def a_cell(tmp_path: Path, repository: Path) -> Iterator[Callable[..., RunningCell]]:
    """Makes a running example cell; it ends with the test."""
    with ExitStack() as stack:

        def make(*, pallets: int = 2, database: str = "") -> RunningCell:
            cell = repository / "deploy" / "cells" / "vane-pumps"
            wishes = Wishes(cell=cell, pallets=pallets, seed=7, speed=SPEED, database=database)
            stage = prepare(wishes, tmp_path / "run")
            live = stack.enter_context(running(stage, speed=SPEED, port=free_ports(1)[0]))
            return RunningCell(live, stage)

        yield make


@pytest.fixture
def postgres_server(postgres_programs: Path) -> Iterator[PostgresServer]:
    """A server of this test's own, running again at its end whatever the test did, so that it can be stopped."""
    with tempfile.TemporaryDirectory(prefix="pg-") as folder:
        server = PostgresServer(postgres_programs, Path(folder))
        yield server
        server.stop()

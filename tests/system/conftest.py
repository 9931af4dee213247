"""A simulated cell that runs for real, for tests that throw faults at it."""

import os
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from simulators.bench.bench import report_of_run
from simulators.bench.ports import free_ports
from simulators.bench.report import Report
from simulators.bench.run import Live, running, wait_finished
from simulators.bench.staging import Stage, Wishes, prepare

SPEED = 120.0
AS_AT_A_USER = {name: text for name, text in os.environ.items() if name != "POINTSMAN_FROZEN"}
"""The environment of a process as a user starts it: values are not really frozen there."""
WAIT_S_MAX = 60.0


@dataclass(frozen=True, slots=True)
class RunningCell:
    """The example cell, running."""

    live: Live
    stage: Stage

    def wait(self, what: str, seen: Callable[[Any], bool], *, at: str) -> Any:
        """Wait until the answer at an address of the interface is as wanted; fail with the last answer."""
        answer: Any = None
        begun = time.monotonic()
        while time.monotonic() - begun < WAIT_S_MAX:
            answer = self.live.watch.get(f"/api/v1{at}")
            if answer is not None and seen(answer):
                return answer
            time.sleep(0.05)
        pytest.fail(f"never saw: {what}; last answer of {at}: {str(answer)[:3000]}")

    def set_mode(self, mode: str) -> None:
        """Let the cell rest ("pause"), or go on ("run")."""
        self.live.post("/api/v1/cell/mode", {"mode": mode, "by": "M. Weaver"})

    def finish(self) -> None:
        """Wait until every pallet has its record and has left."""
        wait_finished(self.live.watch, self.stage, lambda _cell, _done: None)

    def report(self) -> Report:
        """The report so far, from the journal and the machines' truth."""
        return report_of_run(self.stage)


@pytest.fixture
def a_cell(tmp_path: Path, repository: Path) -> Iterator[Callable[..., RunningCell]]:
    """Makes a running example cell with so many pallets; it ends with the test."""
    with ExitStack() as stack:

        def make(*, pallets: int, seed: int = 7) -> RunningCell:
            cell = repository / "deploy" / "cells" / "vane-pumps"
            stage = prepare(
                Wishes(cell=cell, pallets=pallets, seed=seed, speed=SPEED), tmp_path / "run"
            )
            live = stack.enter_context(running(stage, speed=SPEED, port=free_ports(1)[0]))
            return RunningCell(live, stage)

        yield make

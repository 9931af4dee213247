"""One simulated cell whose supervisor is killed again and again while the machines run on.

Rules of this file:
- The machines are started once for the whole run; only the service dies and is started anew, on the same journal.
- Only processes started here are ended here, by their handle.
- Whether a service died where it should is told by its exit code: minus SIGKILL. Any other end is a failure with the log's last lines.
"""

import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context
from multiprocessing.process import BaseProcess
from random import Random
from typing import Literal

from simulators.bench.ports import free_ports
from simulators.bench.run import (
    HOST,
    PATIENCE_S,
    Json,
    Live,
    RunFailed,
    Watch,
    end,
    process,
    wait_ready,
)
from simulators.bench.staging import Stage
from supervisor.app import Settings
from tests.system.kills.points import Death
from tests.system.kills.service import TAKEN, Start, run

POLL_S = 0.2
TAKEN_TRIES_MAX = 40
OUTSIDE_S = (0.3, 2.5)

Ending = Literal["killed", "finished"]
Woke = Literal["ended", "done", "seen"]
"""Why a wait is over: the service ended, the cell's work is done, or what was waited for was seen."""

_forks = get_context("forkserver")
_forks.set_forkserver_preload(["tests.system.kills.service"])


@dataclass(slots=True, kw_only=True)
class Waited:
    """What a run has cost so far: starts of the service, seconds until it was killed, starts that found the cell still taken."""

    starts: int = 0
    taken: int = 0


def nobody() -> None:
    """No person is at the cell."""


def never() -> bool:
    """Nothing is waited for but the end."""
    return False


class DyingCell:
    """A running simulated cell, and one service process after the other."""

    def __init__(self, stage: Stage, machines: subprocess.Popen[bytes], speed: float) -> None:
        """Made by ``dying_cell``."""
        self.stage = stage
        self.speed = speed
        self.port = free_ports(1)[0]
        self.watch = Watch(f"http://{HOST}:{self.port}")
        self.live = Live(self.watch, machines, machines)
        self.waited = Waited()
        self.defect = "none"
        """What is wrong with the service, to see that it is found."""
        self.log = stage.folder / "supervisor.log"
        self.tend: Callable[[], None] = nobody
        """Called while something is waited for: the person at the cell."""

    # --- one life ---

    def live_until(self, death: Death) -> Ending:
        """Run the service until it dies at its point, or until the cell's work is done."""
        for _ in range(TAKEN_TRIES_MAX):
            service = self.start(death)
            woke = self.wait(service)
            if service.exitcode == -signal.SIGKILL:
                return "killed"
            if woke == "done":
                service.terminate()
                service.join()
                return "finished"
            if service.exitcode != TAKEN:
                raise RunFailed(f"the service ended with {service.exitcode}:\n{self._last_words()}")
            self.waited.taken += 1
        raise RunFailed("the cell stays taken although nobody drives it")

    def start(self, death: Death | None) -> BaseProcess:
        """Start the service, forked from a process that has loaded it."""
        self.waited.starts += 1
        settings = Settings(
            cell=self.stage.cell_folder,
            database=self.stage.database,
            host=HOST,
            port=self.port,
            speed=self.speed,
        )
        handler = self.stage.cell.handler.handler
        start = Start(
            settings=settings, handler=handler, death=death, defect=self.defect, log=self.log
        )
        service = _forks.Process(target=run, args=(start,), daemon=True)
        service.start()
        return service

    def live_and_be_killed(self, draw: Random) -> None:
        """Run ``pointsman serve`` as people run it, and kill it from outside at any moment."""
        self.waited.starts += 1
        serve = ["supervisor", "serve", str(self.stage.cell_folder), "--host", HOST]
        serve += ["--port", str(self.port), "--database", self.stage.database]
        with process(
            [*serve, "--speed", str(self.speed)], self.stage.folder / "serve.log"
        ) as service:
            wait_ready(self.watch, [service])
            time.sleep(draw.uniform(*OUTSIDE_S))
            service.kill()
            service.wait()

    @contextmanager
    def serving(self) -> Iterator[BaseProcess]:
        """The service, alive until the block ends."""
        service = self.start(None)
        try:
            yield service
        finally:
            service.terminate()
            service.join()

    def finish(self) -> None:
        """Run the service without harm until all parts are done."""
        with self.serving() as service:
            if self.wait(service) == "ended":
                raise RunFailed(f"the service ended with {service.exitcode}:\n{self._last_words()}")

    # --- waiting ---

    def wait(self, service: BaseProcess, seen: Callable[[], bool] = never) -> Woke:
        """Wait for something; fail when nothing happens any more."""
        last: object = None
        moved = time.monotonic()
        while True:
            service.join(POLL_S)
            if service.exitcode is not None:
                return "ended"
            cell = self.watch.get("/api/v1/cell")
            if cell is not None and seen():
                return "seen"
            if cell is not None and self._done(cell):
                return "done"
            if cell is not None and cell["counts"]["holds"]:
                self._asked()
            if cell is not None and cell["seq"] != last:
                last, moved = cell["seq"], time.monotonic()
            if time.monotonic() - moved > PATIENCE_S:
                service.kill()
                raise RunFailed(
                    f"nothing happens any more: {str(cell)[:2000]}\n{self._last_words()}"
                )

    def _asked(self) -> None:
        """A hold stands: the person sees to it; where nobody is, nothing should have been asked."""
        if self.tend is not nobody:
            self.tend()
        elif holds := self.watch.get("/api/v1/holds"):
            asked = "; ".join(
                f"{hold['code']} at {hold['subject']}: {hold['seen']}" for hold in holds
            )
            raise RunFailed(f"a person was asked although no machine failed: {asked}")

    def _done(self, cell: Json) -> bool:
        if cell["counts"]["pallets"]:
            return False
        records = self.watch.get("/api/v1/records?limit=500")
        return records is not None and len(records["records"]) >= len(self.stage.pallets)

    def _last_words(self) -> str:
        return "\n".join(self.log.read_text(errors="replace").splitlines()[-30:])


@contextmanager
def dying_cell(stage: Stage, speed: float) -> Iterator[DyingCell]:
    """The machines of a prepared run, up until the block ends."""
    arguments = ["simulators.servers", "cell", "--plan", str(stage.plan), "--with-parent"]
    with process(arguments, stage.folder / "simulators.log") as machines:
        yield DyingCell(stage, machines, speed)
        end(machines)

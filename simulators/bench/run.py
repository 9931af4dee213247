"""A whole simulated cell for real: simulators and supervisor as processes, OPC UA between them, REST to watch.

Rules of this file:
- Only processes started here are ended here, by their handle; they end when the run ends, however it ends.
- A run that makes no progress for ``PATIENCE_S`` of real time has failed, and says what the cell waits for. Where a person watches, only one
  whose supervisor does not answer: a person may take any time to mend what the cell asks about.
"""

import http.client
import json
import os
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
import uuid
from collections.abc import Callable, Generator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal, cast

from simulators.bench.staging import Stage

Json = dict[str, Any]

HOST = "127.0.0.1"
READY_S_MAX = 120.0
PATIENCE_S = 90.0
POLL_S = 0.25
END_S_MAX = 10.0

BROKEN_OFF = (urllib.error.URLError, http.client.HTTPException, OSError)
"""What asking a supervisor raises that does not answer, or dies amid its answer."""


class RunFailed(Exception):  # noqa: N818 - it says what became of the run
    """The simulated cell did not do its work; the text says what was seen last."""


def end_as_by_a_person() -> None:
    """A terminal that is closed, or ``kill``, ends what this process does as Ctrl-C does.

    Else its children would be left alone: a supervisor that keeps the port and shows a cell whose machines are gone, or processes that wait for work for ever.
    """
    for ending in (signal.SIGTERM, signal.SIGHUP):
        if signal.getsignal(ending) == signal.SIG_DFL:
            signal.signal(ending, signal.default_int_handler)


@contextmanager
def process(arguments: list[str], log: Path) -> Generator[subprocess.Popen[bytes]]:
    """A process of this Python that ends with the block; what it prints goes to a file."""
    with (
        log.open("wb") as output,
        subprocess.Popen(  # noqa: S603 - our own modules with our own arguments
            [sys.executable, "-m", *arguments],
            stdin=subprocess.PIPE,
            stdout=output,
            stderr=subprocess.STDOUT,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        ) as child,
    ):
        try:
            yield child
        finally:
            end(child)


def end(child: subprocess.Popen[bytes]) -> None:
    """End one process of ours: ask, then insist."""
    if child.poll() is None:
        child.send_signal(signal.SIGTERM)
        try:
            child.wait(END_S_MAX)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()


@contextmanager
def running(stage: Stage, *, speed: float, port: int) -> Generator["Live"]:
    """Simulators and supervisor of a prepared run, up and connected to by REST."""
    simulators = ["simulators.servers", "cell", "--plan", str(stage.plan), "--with-parent"]
    serve = ["supervisor", "serve", str(stage.cell_folder), "--host", HOST, "--port", str(port)]
    serve += ["--database", stage.database, "--speed", str(speed)]
    with (
        process(simulators, stage.folder / "simulators.log") as machines,
        process(serve, stage.folder / "supervisor.log") as supervisor,
    ):
        watch = Watch(f"http://{HOST}:{port}")
        wait_ready(watch, [machines, supervisor])
        yield Live(watch, machines, supervisor)


class Live:
    """A running simulated cell: ``watch`` asks the supervisor, ``throw`` throws a switch of a machine."""

    def __init__(
        self, watch: "Watch", machines: subprocess.Popen[bytes], supervisor: subprocess.Popen[bytes]
    ) -> None:
        """Made by ``running``."""
        self.watch = watch
        self.machines = machines
        self.supervisor = supervisor

    def post(self, path: str, body: Json) -> Json:
        """Tell the supervisor something, as a person does."""
        headers = {"Content-Type": "application/json", "Idempotency-Key": uuid.uuid4().hex}
        request = urllib.request.Request(  # noqa: S310 - our own http address
            self.watch.address + path, json.dumps(body).encode(), headers
        )
        with urllib.request.urlopen(request, timeout=5.0) as answer:  # noqa: S310 - our own http address
            return cast("Json", json.load(answer))

    def throw(self, station: str, switch: str, value: object) -> None:
        """Throw a switch of a machine's bench panel (docs/reference/simulators.md)."""
        self._say({"station": station, "switch": switch, "value": value})

    def kill(self, station: str) -> None:
        """Kill a machine's process as a power cut would."""
        self._say({"station": station, "do": "kill"})

    def start(self, station: str, *, shift: int) -> None:
        """Start a killed machine anew, with another number of foreign namespaces before its own."""
        self._say({"station": station, "do": "start", "shift": shift})

    def _say(self, line: Json) -> None:
        assert self.machines.stdin is not None
        self.machines.stdin.write(json.dumps(line).encode() + b"\n")
        self.machines.stdin.flush()


class Watch:
    """Reads the supervisor's REST interface."""

    def __init__(self, address: str) -> None:
        """Watch the supervisor at ``http://...``."""
        self.address = address

    def get(self, path: str) -> Any:  # noqa: ANN401 - an object or a list, as the address has it
        """What the supervisor answers; None while it does not."""
        try:
            with urllib.request.urlopen(f"{self.address}{path}", timeout=5.0) as answer:  # noqa: S310 - our own http address
                return json.load(answer)
        except (*BROKEN_OFF, ValueError):
            return None


def wait_ready(watch: Watch, children: list[subprocess.Popen[bytes]]) -> None:
    """Wait until the supervisor answers."""
    begun = time.monotonic()
    while watch.get("/healthz") is None:
        for child in children:
            if child.poll() is not None:
                raise RunFailed(
                    f"process {child.args!r} ended with code {child.returncode} before the cell was up"
                )
        if time.monotonic() - begun > READY_S_MAX:
            raise RunFailed(f"nobody answers at {watch.address} after {READY_S_MAX:.0f} s")
        time.sleep(POLL_S)


def wait_finished(
    watch: Watch,
    stage: Stage,
    tell: Callable[[Json, int], None],
    *,
    watched_by: Literal["nobody", "a person"] = "nobody",
) -> None:
    """Wait until every pallet has its record and has left the cell.

    Raises:
        RunFailed: nothing happened for ``PATIENCE_S``.
    """
    seen: object = None
    moved = time.monotonic()
    cell: Json | None = None
    done = 0
    while time.monotonic() - moved <= PATIENCE_S:
        cell = watch.get("/api/v1/cell")
        records = watch.get("/api/v1/records?limit=500")
        if cell is not None and records is not None:
            done = len(records["records"])
            tell(cell, done)
            if done >= len(stage.pallets) and cell["counts"]["pallets"] == 0:
                return
            if cell["seq"] != seen or watched_by == "a person":
                seen, moved = cell["seq"], time.monotonic()
        time.sleep(POLL_S)
    if cell is None:
        raise RunFailed(f"nobody answers at {watch.address} any more")
    holds = cast("list[Json]", watch.get("/api/v1/holds") or [])
    raise RunFailed(standstill(cell, holds, f"{done} of {len(stage.pallets)}"))


def standstill(cell: Json, holds: list[Json], decided: str) -> str:
    """What a cell in which nothing happens any more waits for, in lines for people."""
    lines = [
        f"nothing has happened for {PATIENCE_S:.0f} s: {decided} parts are decided, pallets inside: {cell['counts']['pallets']}",
        f"  the handler waits: {cell['stay'] or 'nothing to carry'}",
    ]
    if cell["trouble"]:
        lines.append(f"  trouble: {cell['trouble']}")
    lines += [
        f"  a person is asked about {hold['subject']}: {hold['title']} ({hold['code']}); {hold['seen']}"
        for hold in holds
    ]
    return "\n".join(lines)

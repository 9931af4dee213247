"""A whole simulated cell for real: simulators and supervisor as processes, OPC UA between them, REST to watch.

Rules of this file:
- Only processes started here are ended here, by their handle; they end when the run ends, however it ends.
- A run that makes no progress for ``PATIENCE_S`` of real time has failed, and says what the cell waits for.
"""

import json
import os
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, cast

from simulators.bench.staging import Stage

Json = dict[str, Any]

READY_S_MAX = 60.0
PATIENCE_S = 90.0
POLL_S = 0.25
END_S_MAX = 10.0


class RunFailed(Exception):  # noqa: N818 - it says what became of the run
    """The simulated cell did not do its work; the text says what was seen last."""


@contextmanager
def process(arguments: list[str], log: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A process of this Python that ends with the block; what it prints goes to a file."""
    with log.open("wb") as output:
        child = subprocess.Popen(  # noqa: S603 - our own modules with our own arguments
            [sys.executable, "-m", *arguments],
            stdout=output,
            stderr=subprocess.STDOUT,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )
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


class Watch:
    """Reads the supervisor's REST interface."""

    def __init__(self, address: str) -> None:
        """Watch the supervisor at ``http://...``."""
        self.address = address

    def get(self, path: str) -> Json | None:
        """What the supervisor answers; None while it does not."""
        try:
            with urllib.request.urlopen(f"{self.address}{path}", timeout=5.0) as answer:  # noqa: S310 - our own http address
                return cast("Json", json.load(answer))
        except (urllib.error.URLError, OSError, ValueError):
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


def wait_finished(watch: Watch, stage: Stage, tell: Callable[[Json, int], None]) -> None:
    """Wait until every pallet has its record and has left the cell."""
    seen: object = None
    moved = time.monotonic()
    while True:
        cell = watch.get("/api/v1/cell")
        records = watch.get("/api/v1/records?limit=500")
        if cell is not None and records is not None:
            done = len(records["records"])
            tell(cell, done)
            if done >= len(stage.pallets) and cell["counts"]["pallets"] == 0:
                return
            if cell["seq"] != seen:
                seen, moved = cell["seq"], time.monotonic()
        if time.monotonic() - moved > PATIENCE_S:
            raise RunFailed(f"nothing happens any more: {json.dumps(cell)[:2000]}")
        time.sleep(POLL_S)

"""Stations on a second OPC UA stack (node-opcua, npm) with the official nodesets.

Rules of this file:
- `make test` brings the stack into `.tools/peers` where there is npm; without it these tests are skipped, with the reason.
- What watches adapters is that of tests/integration/stations.
"""

import importlib.util
import json
import os
import queue
import shutil
import signal
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
MODULES = ROOT / ".tools/peers/node_modules"
START_S_MAX = 60
ANSWER_S_MAX = 10

_spec = importlib.util.spec_from_file_location(
    "stations_conftest", HERE.parent / "integration/stations/conftest.py"
)
assert _spec is not None
assert _spec.loader is not None
_stations: Any = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(_stations)

watch = _stations.watch
shipped = _stations.shipped
keys = _stations.keys


class Peer:
    """A server of the second stack in a process of its own."""

    def __init__(self, script: str, folder: Path, port: int = 0) -> None:
        node = shutil.which("node")
        assert node is not None
        self._process = subprocess.Popen(
            [node, str(HERE / script), str(folder), str(port)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "NODE_PATH": str(MODULES)},
        )
        self._lines: queue.Queue[dict[str, Any]] = queue.Queue()
        self._reading = threading.Thread(target=self._read, daemon=True)
        self._reading.start()
        ready = self._lines.get(timeout=START_S_MAX)
        self.url: str = ready["url"]
        self.certificate = Path(ready.get("certificate", ""))

    def _read(self) -> None:
        assert self._process.stdout
        for line in self._process.stdout:
            if line.startswith(b"{"):
                self._lines.put(json.loads(line))

    def switch(self, name: str, value: object) -> None:
        """Turn a switch of the simulated station; holds when this returns."""
        self._say({"switch": name, "value": value})

    def trust(self, what: str, certificate: Path) -> None:
        """Have a certificate (DER) of an `application` or a `user` trusted; holds when this returns."""
        self._say({"trust": what, "value": str(certificate)})

    def _say(self, line: dict[str, object]) -> None:
        assert self._process.stdin
        self._process.stdin.write(json.dumps(line).encode() + b"\n")
        self._process.stdin.flush()
        answer = self._lines.get(timeout=ANSWER_S_MAX)
        assert answer == {"done": line}

    def freeze(self) -> None:
        """Stop the process where it stands."""
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it go on."""
        self._process.send_signal(signal.SIGCONT)

    def end(self) -> None:
        """End the process."""
        assert self._process.stdin
        assert self._process.stdout
        self.thaw()
        self._process.stdin.close()
        self._process.terminate()
        self._process.wait(timeout=10)
        self._reading.join(timeout=5)
        self._process.stdout.close()


@pytest.fixture(scope="session")
def peer(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[[str], Peer]]:
    """Starts peers by their script; each is started once."""
    if not MODULES.is_dir() or shutil.which("node") is None:
        pytest.skip("needs the second stack: make peers (node and npm)")
    started: dict[str, Peer] = {}

    def start(script: str) -> Peer:
        if script not in started:
            started[script] = Peer(script, tmp_path_factory.mktemp("peer"))
        return started[script]

    yield start
    for one in started.values():
        one.end()

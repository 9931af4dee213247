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
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from supervisor.cell.profile import profile_problems, read_profile
from supervisor.cell.profile_extends import extended
from supervisor.cell.reading import read_table
from supervisor.cell.security import CURRENT, SecurityEntry
from supervisor.cell.shipped import shipped_names, shipped_profile, shipped_table
from supervisor.cell.value import replace
from supervisor.core.events import ResultArrived, StationObserved
from supervisor.stations.adapter import Wiring
from supervisor.stations.browse import Survey, survey
from supervisor.stations.certificate import encoded
from supervisor.stations.connection import LinkOptions
from supervisor.stations.first_profile import first_profile
from supervisor.stations.own_keys import OwnKeys
from supervisor.stations.secrets import Secrets
from supervisor.stations.security import Keys, NoSecurity, make_ready, security_of
from supervisor.stations.station import StationAdapter
from supervisor.stations.trust import TrustList, read_certificate, write_file
from tests.peers import steps

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
MODULES = ROOT / ".tools/peers/node_modules"
START_S_MAX = 60
ANSWER_S_MAX = 10
PASSWORD = "swordfish-7"  # of the peers, see serving.js
USERS = {
    "anonymous": {},
    "user name": {"user": "pointsman", "secret": "peer"},
    "certificate": {"user_certificate": "operator"},
}

_spec = importlib.util.spec_from_file_location(
    "stations_conftest", HERE.parent / "integration/stations/conftest.py"
)
assert _spec is not None
assert _spec.loader is not None
_stations: Any = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(_stations)

watch = _stations.watch
shipped = _stations.shipped
through_proxy = _stations.through_proxy
keys = _stations.keys
eventful = _stations.eventful
event_profile = _stations.event_profile


class Visits:
    """The steps of a visit at one station with job control, each waited for."""

    def __init__(self, watcher: Any, server: "Peer") -> None:
        self.watcher = watcher
        self.server = server

    @property
    def security(self) -> str:
        """How the connection is secured, in words."""
        return self.watcher.adapter.report().security

    @property
    def seen(self) -> Any:
        """The newest observation."""
        return self.watcher.last(StationObserved)

    @property
    def results(self) -> list[Any]:
        """Every result so far."""
        return self.watcher.of(ResultArrived)

    async def until(self, **shown: str) -> None:
        """Wait until the station shows this."""
        await steps.shows(self.watcher, **shown)

    async def door(self, goal: Any) -> None:
        """Move the door."""
        await steps.door(self.watcher, goal)

    async def load(self) -> None:
        """Put a pallet in; the door is closed after that."""
        await steps.bring_in(self.watcher, self.server)

    def start(self, run_no: int) -> None:
        """Start the run with this number, for a part of its own."""
        steps.start(self.watcher, run_no)

    async def result(self, run_no: int) -> Any:
        """The result of a run, once it has come."""
        await self.watcher.until(lambda: self.results and self.results[-1].run_id == f"R{run_no}")
        return self.results[-1]

    async def acknowledge(self, run_no: int) -> None:
        """Take note of a result; the station shows nothing of it any more."""
        await steps.acknowledge(self.watcher, run_no)


class Peer:
    """A server of the second stack in a process of its own."""

    def __init__(self, script: str, folder: Path, *options: str, port: int = 0) -> None:
        node = shutil.which("node")
        assert node is not None
        self._process = subprocess.Popen(
            [node, str(HERE / script), str(folder), str(port), *options],
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

    @contextmanager
    def without(self, *paths: str) -> Iterator[None]:
        """For a while these nodes, by browse names from Objects on, are not there for anybody who connects."""
        for path in paths:
            self._say({"hide": path})
        try:
            yield
        finally:
            for path in paths:
                self._say({"unhide": path})

    def ask(self, name: str) -> Any:
        """A field of the simulated station."""
        return self._say({"ask": name})["value"]

    def _say(self, line: dict[str, object]) -> dict[str, Any]:
        assert self._process.stdin
        self._process.stdin.write(json.dumps(line).encode() + b"\n")
        self._process.stdin.flush()
        answer = self._lines.get(timeout=ANSWER_S_MAX)
        assert answer["done"] == line
        return answer

    def freeze(self) -> None:
        """Stop the process where it stands."""
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it go on."""
        self._process.send_signal(signal.SIGCONT)

    @property
    def port(self) -> int:
        """Where it listens."""
        return int(self.url.removesuffix("/station").rpartition(":")[2])

    def kill(self) -> None:
        """End the process without a goodbye."""
        self._process.kill()
        self._process.wait(timeout=10)

    def end(self) -> None:
        """End the process."""
        assert self._process.stdin
        assert self._process.stdout
        if self._process.poll() is None:
            self.thaw()
        self._process.stdin.close()
        self._process.terminate()
        self._process.wait(timeout=10)
        self._reading.join(timeout=5)
        self._process.stdout.close()


@pytest.fixture(scope="module")
def peer(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., Peer]]:
    """Starts peers by their script and options, each once for a file: one that nobody asks any more costs the others time."""
    if not MODULES.is_dir() or shutil.which("node") is None:
        pytest.skip("needs the second stack: make peers (node and npm)")
    started: dict[tuple[str, ...], Peer] = {}

    def start(*script: str) -> Peer:
        if script not in started:
            started[script] = Peer(script[0], tmp_path_factory.mktemp("peer"), *script[1:])
        return started[script]

    yield start
    for one in started.values():
        one.end()


@pytest.fixture
def new_peer(tmp_path: Path) -> Iterator[Callable[..., Peer]]:
    """Starts peers of a test's own, at a port where one is given."""
    if not MODULES.is_dir() or shutil.which("node") is None:
        pytest.skip("needs the second stack: make peers (node and npm)")
    started: list[Peer] = []

    def start(script: str, port: int = 0) -> Peer:
        folder = tmp_path / f"peer-{len(started)}"
        folder.mkdir()
        started.append(Peer(script, folder, port=port))
        return started[-1]

    yield start
    for one in started:
        one.end()


@pytest.fixture
async def visits(watch: Callable[..., Any]) -> Callable[..., Any]:
    """Runs an adapter of a peer with a shipped profile, up and in automatic, and takes it through visits."""

    plain = Wiring(options=LinkOptions(interval_ms=20))

    async def make(server: Peer, profile: str, url: str = "", wiring: Wiring = plain) -> Visits:
        adapter = StationAdapter("touch-1", url or server.url, shipped_profile(profile), wiring)
        visited = Visits(watch(adapter), server)
        await visited.until(mode="automatic")
        return visited

    return make


@pytest.fixture(scope="session")
def our_keys(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Our own certificate, made once."""
    folder = tmp_path_factory.mktemp("ours")
    make_ready([SecurityEntry()], _keys_in(folder))
    return folder


def _keys_in(folder: Path) -> Keys:
    return Keys(own=OwnKeys(folder), trust=TrustList(folder), secrets=Secrets({}))


@pytest.fixture(scope="session")
def user_keys(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A user certificate with its key, in a folder for secrets."""
    folder = tmp_path_factory.mktemp("users")
    made = OwnKeys(folder / "operator").identity()
    write_file(folder / "operator.pem", (folder / "operator/own/current.pem").read_bytes())
    (folder / "operator.der").write_bytes(encoded(made.certificate))
    return folder


@pytest.fixture
def encrypted(our_keys: Path, user_keys: Path) -> Callable[..., Wiring]:
    """The wiring of a signed and encrypted connection with this policy, as this kind of user; both sides were told to trust each other."""

    def make(server: Peer, policy: str = CURRENT[0], user: str = "anonymous") -> Wiring:
        secrets = Secrets({"POINTSMAN_SECRET_PEER": PASSWORD, "POINTSMAN_SECRETS": str(user_keys)})
        ours = replace(_keys_in(our_keys), secrets=secrets)
        ours.trust.add(read_certificate(server.certificate), "trusted")
        server.trust("application", our_keys / "own/current.der")
        server.trust("user", user_keys / "operator.der")
        security = security_of(
            SecurityEntry.model_validate({"policy": policy, **USERS[user]}), ours
        )
        return Wiring(options=LinkOptions(interval_ms=20), security=security)

    return make


@pytest.fixture
def proposed(tmp_path: Path) -> Callable[..., Any]:
    """Browses a peer; the survey, the text of the profile that is proposed where the shipped one is not looked at, and that profile."""

    async def browse(server: Peer) -> tuple[Survey, str, Any]:
        found = await survey(server.url, NoSecurity())
        text = first_profile(replace(found, fits=()), "mine")
        (tmp_path / "mine.yaml").write_text(text)
        table, problems = read_table(tmp_path / "mine.yaml", "mine.yaml")
        assert not problems, problems
        assert table is not None
        whole, problems = extended(table, shipped_table, shipped_names())
        assert not problems, problems
        profile = read_profile(whole)
        assert not (wrong := profile_problems(profile)), wrong
        return found, text, profile

    return browse

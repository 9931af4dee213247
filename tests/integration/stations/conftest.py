"""What the tests of links and adapters share: real servers in processes of their own, and a network that can fail.

Rules of this file:
- Servers are started once per session: the simulated cell (one process per machine) and the strange server.
- A test waits for a fact with a limit; it never sleeps and then looks.
"""

import asyncio
import ipaddress
import json
import queue
import signal
import subprocess
import sys
import threading
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from asyncua import Client, ua
from asyncua.crypto.cert_gen import dump_private_key_as_pem, generate_private_key
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID
from ruamel.yaml import YAML

from simulators.bench.proxy import Proxy
from supervisor.cell.profile import profile_problems, read_profile
from supervisor.cell.shipped import shipped_table
from supervisor.core.events import Event
from supervisor.stations.adapter import WiredAdapter, Wiring
from supervisor.stations.connection import LinkOptions
from tests.integration.patience import patient

HERE = Path(__file__).parent
ROOT = HERE.parents[2]
SPEED = 100
KINDS = {"scan-1": "scan", "touch-1": "touch", "ct-1": "ct", "handler": "handler", "rack": "rack"}
OPEN_DIALECTS = {"scan-1": "vision", "touch-1": "job", "rack": "autoid"}
START_S_MAX = 50


class ServerProcess:
    """A process that says JSON lines and takes them."""

    def __init__(self, *command: str) -> None:
        self._process = subprocess.Popen(
            [sys.executable, *command], cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )
        self._lines: queue.Queue[dict[str, Any]] = queue.Queue()
        self._reading = threading.Thread(target=self._read, daemon=True)
        self._reading.start()

    def _read(self) -> None:
        assert self._process.stdout
        for line in self._process.stdout:
            self._lines.put(json.loads(line))

    def line(self) -> dict[str, Any]:
        return self._lines.get(timeout=START_S_MAX)

    def say(self, line: dict[str, Any]) -> None:
        assert self._process.stdin
        self._process.stdin.write(json.dumps(line).encode() + b"\n")
        self._process.stdin.flush()

    def send_signal(self, number: signal.Signals) -> None:
        self._process.send_signal(number)

    def end(self) -> None:
        assert self._process.stdin
        assert self._process.stdout
        self._process.stdin.close()
        self._process.terminate()
        self._process.wait(timeout=10)
        self._reading.join(timeout=5)
        self._process.stdout.close()


class Machines:
    """The simulated cell."""

    def __init__(
        self, folder: Path, kinds: dict[str, str] | None = None, keys: Path | None = None
    ) -> None:
        self.folder = folder
        self._kinds = KINDS if kinds is None else kinds
        physics = ROOT / "tests/unit/simulators/physics.json"
        seats = [
            {"kind": kind, "station": station, "shift": shift}
            for shift, (station, kind) in enumerate(self._kinds.items())
        ]
        plan = {
            "physics": str(physics),
            "floor": "floor",
            "speed": SPEED,
            "seed": 7,
            "servers": seats,
            "keys": None if keys is None else str(keys),
        }
        (folder / "plan.json").write_text(json.dumps(plan))
        self._launcher = ServerProcess(
            "-m", "simulators.servers", "cell", "--plan", str(folder / "plan.json"), "--with-parent"
        )
        self.urls: dict[str, str] = {}

    def wait_until_ready(self) -> None:
        while len(self.urls) < len(self._kinds):
            line = self._launcher.line()
            if "ready" in line:
                self.urls[line["ready"]] = line["url"]

    def switch(self, station: str, name: str, value: Any) -> None:
        self._launcher.say({"station": station, "switch": name, "value": value})
        while self._launcher.line() != {"thrown": name, "station": station}:
            pass

    def kill(self, station: str) -> None:
        self._launcher.say({"station": station, "do": "kill"})
        while self._launcher.line().get("ended") != station:
            pass

    def start(self, station: str, shift: int) -> None:
        """Start a killed machine again; it takes its old port."""
        port = self.urls.pop(station)
        self._launcher.say({"station": station, "do": "start", "shift": shift})
        self.wait_until_ready()
        self.moved = port != self.urls[station]

    def end(self) -> None:
        self._launcher.end()


TODAY = datetime.now(UTC)
YEAR = timedelta(days=365)
CERTIFICATES = {  # who: the URI named, the use, and from when on it is valid for a year
    "server": ("urn:pointsman:test:server", ExtendedKeyUsageOID.SERVER_AUTH, TODAY),
    "other": ("urn:pointsman:test:server", ExtendedKeyUsageOID.SERVER_AUTH, TODAY),
    "expired": ("urn:pointsman:test:server", ExtendedKeyUsageOID.SERVER_AUTH, TODAY - 2 * YEAR),
    "early": ("urn:pointsman:test:server", ExtendedKeyUsageOID.SERVER_AUTH, TODAY + 2 * YEAR),
    "elsewhere": ("urn:pointsman:test:server", ExtendedKeyUsageOID.SERVER_AUTH, TODAY),
    "for-clients": ("urn:pointsman:test:server", ExtendedKeyUsageOID.CLIENT_AUTH, TODAY),
    "misnamed": ("urn:somebody:else", ExtendedKeyUsageOID.SERVER_AUTH, TODAY),
    "client": ("urn:pointsman:test:client", ExtendedKeyUsageOID.CLIENT_AUTH, TODAY),
    "client-expired": (
        "urn:pointsman:test:client",
        ExtendedKeyUsageOID.CLIENT_AUTH,
        TODAY - 2 * YEAR,
    ),
    "client-misnamed": ("urn:somebody:else", ExtendedKeyUsageOID.CLIENT_AUTH, TODAY),
    "client-for-servers": ("urn:pointsman:test:client", ExtendedKeyUsageOID.SERVER_AUTH, TODAY),
    **{
        station: (f"urn:pointsman:sim:{kind}:{station}", ExtendedKeyUsageOID.SERVER_AUTH, TODAY)
        for station, kind in KINDS.items()
    },
}


def write_certificate(folder: Path, who: str) -> None:
    """A key and a self-signed application certificate (OPC 10000-6 6.2.2) as ``<who>.pem`` and ``<who>.der``."""
    uri, use, begins = CERTIFICATES[who]
    address = "10.1.0.21" if who == "elsewhere" else "127.0.0.1"
    host = x509.IPAddress(ipaddress.ip_address(address))
    key = generate_private_key()
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, who)])
    usage = dict.fromkeys(
        ("key_agreement", "crl_sign", "encipher_only", "decipher_only"), False
    ) | dict.fromkeys(
        (
            "digital_signature",
            "content_commitment",
            "key_encipherment",
            "data_encipherment",
            "key_cert_sign",
        ),
        True,
    )
    certificate = (
        x509.CertificateBuilder(issuer_name=name, subject_name=name, public_key=key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(begins - timedelta(days=1))
        .not_valid_after(begins + YEAR)
        .add_extension(
            x509.SubjectAlternativeName([x509.UniformResourceIdentifier(uri), host]), critical=False
        )
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=False)
        .add_extension(x509.KeyUsage(**usage), critical=False)
        .add_extension(x509.ExtendedKeyUsage([use]), critical=False)
        .sign(key, hashes.SHA256())
    )
    (folder / f"{who}.pem").write_bytes(dump_private_key_as_pem(key))
    (folder / f"{who}.der").write_bytes(certificate.public_bytes(serialization.Encoding.DER))


@pytest.fixture(scope="session")
def keys(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Keys and certificates of the strange server, of clients, and of somebody else: ``<who>.pem`` and ``<who>.der``."""
    folder = tmp_path_factory.mktemp("keys")
    for who in CERTIFICATES:
        write_certificate(folder, who)
    return folder


@pytest.fixture(scope="session")
def started(
    tmp_path_factory: pytest.TempPathFactory, keys: Path
) -> Iterator[tuple[Machines, ServerProcess]]:
    """Both kinds of servers, started side by side because each takes seconds to build its address space."""
    machines = Machines(tmp_path_factory.mktemp("cell"), keys=keys)
    strange = ServerProcess(str(HERE / "strange_server.py"), "2", "0", str(keys))
    try:
        machines.wait_until_ready()
        yield machines, strange
    finally:
        strange.end()
        machines.end()


@pytest.fixture(scope="session")
def machines(started: tuple[Machines, ServerProcess]) -> Machines:
    """The simulated cell."""
    return started[0]


@pytest.fixture(scope="session")
def open_dialects(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machines]:
    """The same machines, as far as they speak the dialect of an open standard. A test leaves them as it found them."""
    machines = Machines(tmp_path_factory.mktemp("open-dialects"), OPEN_DIALECTS)
    machines.wait_until_ready()
    yield machines
    machines.end()


class Strange:
    """The strange server, with a plain client that plays its operator."""

    def __init__(self, process: ServerProcess) -> None:
        self._process = process
        ready = process.line()
        self.url: str = ready["url"]
        self.index: int = ready["index"]

    def freeze(self) -> None:
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        self._process.send_signal(signal.SIGCONT)

    @asynccontextmanager
    async def operator(self) -> AsyncIterator["Operator"]:
        async with patient(self.url) as client:
            yield Operator(client, self.index)


class Operator:
    """Writes what a station would show."""

    def __init__(self, client: Client, index: int) -> None:
        self._client = client
        self._index = index

    async def say_of_itself(self, node: int, value: int, kind: Any) -> None:
        """Write a variable of the server's own."""
        content = ua.DataValue(ua.Variant(value, kind))
        await self._client.get_node(ua.NodeId(node)).write_attribute(ua.AttributeIds.Value, content)

    async def node(self, name: str) -> Any:
        root = self._client.nodes.objects
        return await root.get_child([f"{self._index}:Strange", f"{self._index}:{name}"])

    async def write(self, name: str, value: Any, kind: Any, status: int = 0) -> None:
        content = ua.DataValue(ua.Variant(value, kind), ua.StatusCode(status))
        node = await self.node(name)
        await node.write_attribute(ua.AttributeIds.Value, content)

    async def read(self, name: str) -> Any:
        return await (await self.node(name)).read_value()

    async def until(self, name: str, value: Any) -> None:
        """Wait until a variable has a value."""
        async with asyncio.timeout(2):
            while await self.read(name) != value:  # noqa: ASYNC110 - the server knows no event for it
                await asyncio.sleep(0.01)


@pytest.fixture(scope="session")
def strange_process(started: tuple[Machines, ServerProcess]) -> Strange:
    """The strange server's process."""
    return Strange(started[1])


@pytest.fixture
def strange(strange_process: Strange) -> Iterator[Strange]:
    """The strange server, running again after the test whatever the test did."""
    yield strange_process
    strange_process.thaw()


@pytest.fixture
async def through_proxy() -> AsyncIterator[Callable[[str], Any]]:
    """Makes a listening proxy in front of a server; ``url`` leads through it."""
    proxies: list[Proxy] = []

    async def make(url: str) -> Proxy:
        address, slash, path = url.removeprefix("opc.tcp://").partition("/")
        host, _, port = address.partition(":")
        proxy = Through(host, int(port))
        proxy.path = slash + path
        await proxy.listen()
        proxies.append(proxy)
        return proxy

    yield make
    for proxy in proxies:
        await proxy.stop()


class Through(Proxy):
    """A proxy with the address that leads through it."""

    path = ""

    @property
    def url(self) -> str:
        return f"opc.tcp://127.0.0.1:{self.port}{self.path}"


class Watcher:
    """Runs an adapter and keeps what it reports."""

    def __init__(self, adapter: WiredAdapter) -> None:
        self.adapter = adapter
        self.events: list[Event] = []
        self._news = asyncio.Event()
        self._task: asyncio.Task[None] | None = None

    def emit(self, event: Event) -> None:
        self.events.append(event)
        self._news.set()

    def of(self, kind: type[Event]) -> list[Any]:
        return [event for event in self.events if isinstance(event, kind)]

    def last(self, kind: type[Event]) -> Any:
        """The newest event of a kind; one that says nothing before there is any."""
        found = self.of(kind)
        return found[-1] if found else _Nothing()

    async def until(self, holds: Callable[[], Any], limit_s: float = 10.0) -> Any:
        """Wait until something holds; what it gave."""
        async with asyncio.timeout(limit_s):
            while not (found := holds()):
                self._news.clear()
                with suppress(TimeoutError):
                    await asyncio.wait_for(self._news.wait(), 0.05)
            return found

    def start(self) -> None:
        self._task = asyncio.create_task(self.adapter.run(self.emit))

    async def stop(self) -> None:
        if self._task:
            self._task.cancel()
            with suppress(asyncio.CancelledError):
                await self._task


class _Nothing:
    def __getattr__(self, name: str) -> None:
        return None


@pytest.fixture
async def watch() -> AsyncIterator[Callable[[WiredAdapter], Watcher]]:
    """Runs adapters until the test is over."""
    watchers: list[Watcher] = []

    def make(adapter: WiredAdapter) -> Watcher:
        watcher = Watcher(adapter)
        watcher.start()
        watchers.append(watcher)
        return watcher

    yield make
    for watcher in watchers:
        await watcher.stop()


@pytest.fixture
def wiring() -> Wiring:
    """A fast subscription, and orders as fast as the simulated cell runs."""
    return Wiring(options=LinkOptions(interval_ms=20), speed=SPEED)


def _changed(path: Path, changes: dict[tuple[Any, ...], Any] | None) -> Any:
    """The profile in a file, with other content at some paths of keys."""
    return _with(YAML(typ="safe").load(path.read_text(encoding="utf-8")), changes)


def _with(content: Any, changes: dict[tuple[Any, ...], Any] | None) -> Any:
    """The profile in a mapping, with other content at some paths of keys."""
    for (*way, last), new in (changes or {}).items():
        here = content
        for step in way:
            here = here[step]
        here[last] = new
    profile = read_profile(content)
    assert profile_problems(profile) == []
    return profile


@pytest.fixture
def shipped() -> Callable[..., Any]:
    """A shipped profile, changed where a test says so."""
    return lambda name, changes=None: _with(json.loads(json.dumps(shipped_table(name))), changes)


@pytest.fixture
def strange_profile() -> Callable[..., Any]:
    """The profile of the strange server, changed where a test says so."""
    return lambda changes=None: _changed(HERE / "strange.yaml", changes)


@pytest.fixture(scope="session")
def odd_station() -> Iterator[dict[str, Any]]:
    """The station that is strange on purpose: its address and the index of its namespace."""
    process = ServerProcess(str(HERE / "strange_station.py"))
    try:
        yield process.line()
    finally:
        process.end()


@pytest.fixture
def odd_profile() -> Callable[..., Any]:
    """The profile of the station that is strange on purpose, changed where a test says so."""
    return lambda changes=None: _changed(HERE / "strange_station.yaml", changes)


class Eventful:
    """The station that says by events what it does, and what happens to it."""

    def __init__(self, process: ServerProcess) -> None:
        self._process = process
        ready = process.line()
        self.url: str = ready["url"]
        self.index: int = ready["index"]

    def do(self, what: str, **more: Any) -> None:
        """Have something happen to it, and wait until it has."""
        line = {"do": what, **more}
        self._process.say(line)
        while self._process.line() != {"done": line}:
            pass

    async def read(self, name: str) -> Any:
        async with patient(self.url) as client:
            path = [f"{self.index}:Eventful", f"{self.index}:{name}"]
            return await (await client.nodes.objects.get_child(path)).read_value()


@pytest.fixture(scope="session")
def eventful() -> Iterator[Eventful]:
    """The station that says by events what it does."""
    process = ServerProcess(str(HERE / "event_station.py"))
    try:
        yield Eventful(process)
    finally:
        process.end()


@pytest.fixture
def event_profile() -> Callable[..., Any]:
    """The profile of that station, changed where a test says so."""
    return lambda changes=None: _changed(HERE / "event_station.yaml", changes)


@pytest.fixture
def open_files() -> Callable[[], int]:
    """How many files and sockets this process has open."""
    return lambda: len(list(Path("/proc/self/fd").iterdir()))

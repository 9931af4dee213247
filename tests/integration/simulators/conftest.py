"""One simulated cell for all tests of this folder, and hands to work on it as a client would."""

import asyncio
import contextlib
import json
import logging
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from asyncua import ua

from tests.integration.patience import patient

PHYSICS = Path(__file__).parents[2] / "unit" / "simulators" / "physics.json"
SPEED = 200
ROOTS = {
    "scan-1": ("urn:pointsman:sim:scan", ("Scanner",)),
    "touch-1": ("urn:pointsman:sim:touch", ("PLC", "DB20")),
    "ct-1": ("urn:pointsman:sim:ct", ("CT",)),
    "handler": ("urn:pointsman:sim:handler", ("Handler",)),
    "rack": ("urn:pointsman:sim:rack", ("Rack",)),
}
KINDS = {"scan-1": "scan", "touch-1": "touch", "ct-1": "ct", "handler": "handler", "rack": "rack"}
SHIFTS = {"scan-1": 2, "touch-1": 0, "ct-1": 1, "handler": 3, "rack": 0}


class Cell:
    """A launched cell: its processes, its records, and its answers."""

    def __init__(self, folder, physics):
        self.folder = folder
        self.floor = folder / "floor"
        (folder / "physics.json").write_text(json.dumps(physics))
        servers = [{"kind": KINDS[name], "station": name, "shift": SHIFTS[name]} for name in ROOTS]
        plan = {
            "physics": "physics.json",
            "floor": "floor",
            "speed": SPEED,
            "seed": 7,
            "servers": servers,
        }
        (folder / "plan.json").write_text(json.dumps(plan))
        command = [sys.executable, "-m", "simulators.servers", "cell", "--with-parent"]
        self.process = subprocess.Popen(
            [*command, "--plan", str(folder / "plan.json")],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        self.urls = {}
        while len(self.urls) < len(ROOTS):
            self.hear()

    def hear(self):
        line = json.loads(self.process.stdout.readline())
        if "ready" in line:
            self.urls[line["ready"]] = line["url"]
        return line

    def order(self, **fields):
        self.process.stdin.write(json.dumps(fields).encode() + b"\n")
        self.process.stdin.flush()

    def children(self):
        listing = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children")
        return [int(pid) for pid in listing.read_text().split()]

    def violations(self):
        return [
            json.loads(line)
            for line in (self.folder / "floor.violations.jsonl").read_text().splitlines()
        ]

    def truth(self, fact):
        lines = (self.folder / "floor.truth.jsonl").read_text().splitlines()
        return [entry for entry in map(json.loads, lines) if entry["fact"] == fact]

    def end(self, number=signal.SIGTERM):
        self.process.send_signal(number)
        self.process.communicate(timeout=20)
        return self.process.returncode


@pytest.fixture(scope="session", autouse=True)
def _quiet_library():
    logging.getLogger("asyncua").setLevel(logging.CRITICAL)


@pytest.fixture(scope="session")
def launch(tmp_path_factory):
    """Launch a cell; all that are launched end with the session."""
    cells = []

    def launched(**changes):
        physics = {**json.loads(PHYSICS.read_text()), **changes}
        cells.append(Cell(tmp_path_factory.mktemp("cell"), physics))
        return cells[-1]

    yield launched
    for cell in cells:
        if cell.process.poll() is None:
            children = cell.children()
            assert cell.end() == 0
            assert all(map(is_dead, children))


@pytest.fixture(scope="module")
def cell(launch):
    return launch()


class Station:
    """A client's view of one server: paths from the root, resolved by namespace URI."""

    def __init__(self, client, index, root, bench):
        self.client, self.index, self.root, self.bench = client, index, root, bench

    async def node(self, path):
        return await self.root.get_child([f"{self.index}:{name}" for name in path.split("/")])

    async def get(self, path):
        return await (await self.node(path)).read_value()

    async def put(self, path, value, variant_type):
        await (await self.node(path)).write_value(ua.DataValue(ua.Variant(value, variant_type)))

    async def call(self, path, *arguments):
        above, _, name = path.rpartition("/")
        parent = await self.node(above) if above else self.root
        return await parent.call_method(f"{self.index}:{name}", *arguments)

    async def throw(self, switch, value, variant_type=ua.VariantType.Boolean):
        node = await self.bench.get_child([f"{self.bench.nodeid.NamespaceIndex}:{switch}"])
        await node.write_value(ua.DataValue(ua.Variant(value, variant_type)))

    async def until(self, path, wanted, timeout_s=20):
        limit = time.monotonic() + timeout_s
        while (value := await self.get(path)) != wanted:
            assert time.monotonic() < limit, f"{path} is {value!r}, not {wanted!r}"
            await asyncio.sleep(0.005)

    async def until_bits(self, wanted, timeout_s=20):
        """Wait for bits of the status word: {bit: 0 or 1}."""
        limit = time.monotonic() + timeout_s
        while True:
            word = await self.get("StatusWord")
            if all(word >> bit & 1 == value for bit, value in wanted.items()):
                return
            assert time.monotonic() < limit, f"status word is {word:016b}, wanted {wanted}"
            await asyncio.sleep(0.005)

    async def pulse(self, name, **parameters):
        """Pulse and acknowledge; returns whether it was taken, and the message."""
        for parameter, value in parameters.items():
            await self.put(f"Cmd{parameter}", value, ua.VariantType.String)
        await self.put(f"Req{name}", True, ua.VariantType.Boolean)
        limit = time.monotonic() + 20
        answer = (False, False)
        while not any(answer):
            assert time.monotonic() < limit
            answer = (await self.get(f"Ack{name}"), await self.get(f"Nak{name}"))
        message = await self.get("Message")
        await self.put(f"Req{name}", False, ua.VariantType.Boolean)
        await self.until(f"Ack{name}", False)
        await self.until(f"Nak{name}", False)
        return answer[0], message


@contextlib.asynccontextmanager
async def connected(url, name):
    uri, path = ROOTS[name]
    async with patient(url) as client:
        index = await client.get_namespace_index(uri)
        bench_index = await client.get_namespace_index("urn:pointsman:sim:bench")
        root = await client.nodes.objects.get_child([f"{index}:{step}" for step in path])
        bench = await client.nodes.objects.get_child([f"{bench_index}:Bench"])
        yield Station(client, index, root, bench)


@pytest.fixture
def connect(cell):
    """Connect to one machine of the cell: ``async with connect("scan-1") as scan``."""
    return lambda name, of=cell: connected(of.urls[name], name)


class Hands:
    """Carries pallets like a careful person would, with order numbers that only grow."""

    order = int(time.monotonic()) % 1_000_000 * 100

    def __init__(self, handler):
        self.handler = handler

    async def move(self, action, place, pick_jaw=0, put_jaw=0):
        Hands.order += 1
        arguments = [
            ua.Variant(Hands.order, ua.VariantType.UInt32),
            action,
            place,
            ua.Variant(pick_jaw, ua.VariantType.Byte),
            ua.Variant(put_jaw, ua.VariantType.Byte),
        ]
        status, text = await self.handler.call("Execute", *arguments)
        assert status == 0, text
        limit = time.monotonic() + 20
        while (phase := await self.handler.get("OrderPhase")) not in (3, 4):
            assert time.monotonic() < limit
            await asyncio.sleep(0.005)
        return phase


@pytest.fixture
def hands():
    return Hands


def is_dead(pid):
    """Whether a process is gone; a zombie counts as gone."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except (ProcessLookupError, FileNotFoundError):
        return True


@pytest.fixture
def dead():
    return is_dead

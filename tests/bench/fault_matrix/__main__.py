"""The fault matrix of one station against two stacks: ``python -m tests.bench.fault_matrix [--silence 600] [--rounds 5]``.

Rules of this file:
- "Noticed" is from the fault to the report that the link is down; "delivering" from the server's return to the report of a value that it
  took on meanwhile, read whole with everything else. A cut returns at once, a restarted server when it says that it is ready.
- A server that stands still for less than the limit of silence is not noticed, and that is right: it counts as delivering only.
- Nothing is asserted; tests/peers/test_link_faults.py and tests/integration/stations/test_link_fault_table.py do, and the former runs a round of
  what is here, so that it goes on working. The load is printed with it.
"""

import argparse
import asyncio
import os
import queue
import signal
import statistics
import tempfile
from abc import ABC, abstractmethod
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from simulators.bench.proxy import Proxy
from supervisor.cell.shipped import shipped_profile
from supervisor.core.events import StationObserved
from supervisor.stations.adapter import Wiring
from supervisor.stations.connection import LinkOptions
from supervisor.stations.station import StationAdapter
from tests.integration.stations.conftest import ROOT, ServerProcess, Watcher
from tests.peers.conftest import Peer

PHYSICS = ROOT / "tests/unit/simulators/physics.json"
LIMIT_S = 30.0
PATIENCE = 5
BETWEEN_S = 1.0  # a link that is up for so long has nothing of its opening left to do


class Server(ABC):
    """A station server in a process of its own, with one thing about it that a test can change."""

    profile: str
    path = ""
    port = 0

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    @abstractmethod
    def start(self) -> None:
        """Start it, at the port that it had; returns when it can be connected to."""

    @abstractmethod
    def change(self, to: bool) -> None:
        """Have it show something else."""

    @abstractmethod
    def shows(self, seen: Any, to: bool) -> bool:
        """Whether an observation shows that."""

    @abstractmethod
    def freeze(self) -> None:
        """Stop its process where it stands."""

    @abstractmethod
    def thaw(self) -> None:
        """Let it go on."""

    @abstractmethod
    def kill(self) -> None:
        """End its process without a goodbye."""

    @abstractmethod
    def end(self) -> None:
        """End it."""

    def address(self, port: int) -> str:
        """Its address behind this port."""
        return f"opc.tcp://127.0.0.1:{port}{self.path}"


class Simulator(Server):
    """The simulated tactile station: asyncua, geometric measuring system with job control."""

    profile = "gms"

    def start(self) -> None:
        self._process = ServerProcess(
            *("-m", "simulators.servers", "job", "--station", "touch-1", "--port", str(self.port)),
            *("--floor", str(self.folder / "floor"), "--physics", str(PHYSICS)),
        )
        self.port = int(self._ready()["url"].rpartition(":")[2])

    def _ready(self) -> dict[str, Any]:
        """What it says when it can be connected to; a busy machine takes its time."""
        for _ in range(PATIENCE):
            with suppress(queue.Empty):
                return self._process.line()
        message = "the simulator did not start"
        raise RuntimeError(message)

    def change(self, to: bool) -> None:
        self._process.say({"switch": "Calibrated", "value": not to})
        while self._process.line().get("thrown") != "Calibrated":
            pass

    def shows(self, seen: Any, to: bool) -> bool:
        return seen.link == "up" and (seen.gate != "") == to

    def freeze(self) -> None:
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        self._process.send_signal(signal.SIGCONT)

    def kill(self) -> None:
        self._process.send_signal(signal.SIGKILL)

    def end(self) -> None:
        self.thaw()
        self._process.end()


class SecondStack(Server):
    """The station with job control of tests/peers: node-opcua with the official nodesets."""

    profile = "job-control"
    path = "/station"
    _peer: Peer

    @classmethod
    def lent(cls, folder: Path, peer: Peer) -> "SecondStack":
        """A station that somebody else has started, and ends."""
        server = cls(folder)
        server._peer, server.port = peer, peer.port
        return server

    def start(self) -> None:
        folder = Path(tempfile.mkdtemp(dir=self.folder))
        self._peer = Peer("job_station.js", folder, port=self.port)
        self.port = self._peer.port

    def change(self, to: bool) -> None:
        self._peer.switch("occupied", to)

    def shows(self, seen: Any, to: bool) -> bool:
        return seen.link == "up" and seen.nest == ("occupied" if to else "empty")

    def freeze(self) -> None:
        self._peer.freeze()

    def thaw(self) -> None:
        self._peer.thaw()

    def kill(self) -> None:
        self._peer.kill()

    def end(self) -> None:
        self._peer.end()


class Matrix:
    """One station watched through a proxy."""

    def __init__(self, server: Server, proxy: Proxy, watcher: Watcher) -> None:
        self.server = server
        self.proxy = proxy
        self.watcher = watcher
        self.state = False

    @property
    def seen(self) -> Any:
        """The newest observation."""
        return self.watcher.last(StationObserved)

    async def noticed(self, limit_s: float = LIMIT_S) -> float:
        """Seconds until the link is told to be down."""
        return await self._until(lambda: self.seen.link == "down", limit_s)

    async def delivering(self) -> float:
        """Seconds until what it shows by now is told."""
        return await self._until(lambda: self.server.shows(self.seen, self.state), LIMIT_S)

    async def changed(self) -> None:
        """Have it show something else."""
        self.state = not self.state
        await asyncio.to_thread(self.server.change, self.state)

    async def _until(self, holds: Callable[[], bool], limit_s: float) -> float:
        begun_s = asyncio.get_running_loop().time()
        await self.watcher.until(holds, limit_s)
        return asyncio.get_running_loop().time() - begun_s


Figures = tuple[float | None, float]


async def cut(at: Matrix) -> Figures:
    at.proxy.cut("reset")
    noticed_s = await at.noticed()
    begun_s = asyncio.get_running_loop().time()
    await at.changed()
    await at.delivering()
    return noticed_s, noticed_s + asyncio.get_running_loop().time() - begun_s


async def black_hole(at: Matrix) -> Figures:
    at.proxy.swallow()
    noticed_s = await at.noticed()
    await at.changed()
    await asyncio.sleep(1.0)
    at.proxy.free()
    return noticed_s, await at.delivering()


async def kill_and_restart(at: Matrix) -> Figures:
    at.server.kill()
    noticed_s = await at.noticed()
    await asyncio.to_thread(at.server.end)
    await asyncio.to_thread(at.server.start)
    begun_s = asyncio.get_running_loop().time()
    at.state = False
    await at.changed()
    await at.delivering()
    return noticed_s, asyncio.get_running_loop().time() - begun_s


def freeze(still_s: float) -> Callable[[Matrix], Awaitable[Figures]]:
    async def frozen(at: Matrix) -> Figures:
        loop = asyncio.get_running_loop()
        begun_s = loop.time()
        at.server.freeze()
        noticed_s = None
        with suppress(TimeoutError):
            noticed_s = await at.noticed(still_s)
        await asyncio.sleep(max(0.0, begun_s + still_s - loop.time()))
        at.server.thaw()
        begun_s = loop.time()
        await at.changed()
        await at.delivering()
        return noticed_s, loop.time() - begun_s

    return frozen


FAULTS: dict[str, Callable[[Matrix], Awaitable[Figures]]] = {
    "cut": cut,
    "black hole": black_hole,
    "kill and restart": kill_and_restart,
    "freeze 1.5 s": freeze(1.5),
    "freeze 6 s": freeze(6.0),
}
STACKS: dict[str, type[Server]] = {"asyncua": Simulator, "node-opcua": SecondStack}


async def measure(stack: str, rounds: int, options: LinkOptions) -> dict[str, list[Figures]]:
    """Every fault of the matrix so many times, in turn, at a server of its own."""
    with tempfile.TemporaryDirectory() as folder:
        server = STACKS[stack](Path(folder))
        await asyncio.to_thread(server.start)
        try:
            return await measured_at(server, FAULTS, rounds, options)
        finally:
            await asyncio.to_thread(server.end)


async def measured_at(
    server: Server,
    faults: Mapping[str, Callable[[Matrix], Awaitable[Figures]]],
    rounds: int,
    options: LinkOptions,
    between_s: float = BETWEEN_S,
) -> dict[str, list[Figures]]:
    """Some faults so many times, in turn, at a server that runs and shows what it shows at its start."""
    found: dict[str, list[Figures]] = {name: [] for name in faults}
    proxy = Proxy("127.0.0.1", server.port)
    await proxy.listen()
    profile: Any = shipped_profile(server.profile)
    url = server.address(proxy.port)
    watcher = Watcher(StationAdapter("touch-1", url, profile, Wiring(options=options)))
    watcher.start()
    at = Matrix(server, proxy, watcher)
    try:
        await at.delivering()
        for _ in range(rounds):
            for name, fault in faults.items():
                await asyncio.sleep(between_s)
                found[name].append(await fault(at))
    finally:
        await watcher.stop()
        await proxy.stop()
    return found


def line(stack: str, name: str, figures: list[Figures]) -> str:
    """A row of the table: medians and the worst."""
    noticed = [one[0] for one in figures if one[0] is not None]
    delivering = [one[1] for one in figures]
    cells = [
        f"{statistics.median(each):.2f} s | {max(each):.2f} s" if each else "not an outage | "
        for each in (noticed, delivering)
    ]
    return f"| {stack} | {name} | {' | '.join(cells)} |"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.fault_matrix", description=__doc__)
    parser.add_argument("--silence", type=int, default=600, help="silence_ms of the machine")
    parser.add_argument("--rounds", type=int, default=5)
    given = parser.parse_args()
    options = LinkOptions(silence_ms_max=given.silence)
    print("| stack | fault | noticed, median | most | delivering, median | most |")
    print("| --- | --- | --- | --- | --- | --- |")
    for stack in STACKS:
        for name, figures in asyncio.run(measure(stack, given.rounds, options)).items():
            print(line(stack, name, figures), flush=True)
    print(f"load {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()

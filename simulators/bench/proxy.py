"""A network between one client and one server on this machine, which fails as it is told to.

Rules of this file:
- It carries bytes and knows no protocol. Each direction has its own way; "up" is from client to server.
- What a network has lost it never brings again: a connection that lost a byte stays silent for ever, as a firewall that forgot it
  would keep it. What is held comes later, in order, as after a stall.
- A connection is cut either by a reset (RST) or in order (FIN), on both sides.
"""

import asyncio
import socket
import struct
from collections.abc import Callable, Coroutine, Generator
from contextlib import suppress
from typing import Literal

Direction = Literal["up", "down"]
Way = Literal["open", "held", "swallowed"]
Cut = Literal["reset", "orderly"]
Damage = Callable[[bytes], bytes]

RESET_ON_CLOSE = struct.pack("ii", 1, 0)  # SO_LINGER on, 0 s: close(2) resets (socket(7), tcp(7))
PIECES_PER_S = 20  # a narrow way carries this many pieces in a second
CHUNK = 65_536
WAITING_MAX = 1_000


class Proxy:
    """Listens on a port of its own and connects to ``host``:``port`` for every connection that comes in."""

    def __init__(self, host: str, port: int) -> None:
        self._target = (host, port)
        self._server: asyncio.Server | None = None
        self._port = 0
        self._kept: socket.socket | None = None
        self._connections: list[_Connection] = []
        self._tasks: set[asyncio.Task[None]] = set()
        self._ways: dict[Direction, Way] = {"up": "open", "down": "open"}
        self._freed = asyncio.Event()
        self._damages: list[tuple[int, Damage]] = []
        self.delay_s = 0.0
        """How long everything travels, each way."""
        self.bytes_per_s = 0
        """How much each direction of each connection carries; 0 = as much as comes."""
        self.connections = 0
        """How many connections have come in so far."""
        self.carried: dict[Direction, int] = {"up": 0, "down": 0}
        """Bytes handed on so far."""
        self.pieces: dict[Direction, int] = {"up": 0, "down": 0}
        """Pieces handed on so far; a message of OPC UA is one, or a few."""

    @property
    def port(self) -> int:
        """Where it listens, or listened last."""
        return self._port

    @property
    def listens(self) -> bool:
        """Whether it takes connections."""
        return self._server is not None

    @property
    def open_connections(self) -> int:
        """How many connections there are now, as far as clients know."""
        return len(self._alive())

    def _alive(self) -> list["_Connection"]:
        return [each for each in self._connections if each.client == "there"]

    async def listen(self, port: int = 0) -> None:
        """Take connections, at the same port as before where there was one.

        Raises:
            OSError: somebody else listens there.
        """
        kept, self._kept = self._kept or _bound(port or self._port), None
        self._server = await asyncio.start_server(self._accept, sock=kept)
        self._port = kept.getsockname()[1]

    async def refuse(self) -> None:
        """Take no connections: who tries is refused by the machine, as if no server ran. Those that exist stay.

        The port stays ours: somebody else on this machine may be looking for a free one.
        """
        if self._server is not None:
            self._server.close()
            self._server = None
            await asyncio.sleep(0)  # the loop lets go of the listening socket in its next turn
            self._kept = _bound(self._port)

    async def stop(self) -> None:
        """Cut everything and end."""
        await self.refuse()
        if self._kept is not None:
            self._kept.close()
            self._kept = None
        self.cut("reset")
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    # --- faults -------------------------------------------------------------------------------------------------------------

    def cut(self, how: Cut) -> None:
        """Break every connection."""
        for connection in list(self._connections):
            connection.cut(how)

    def half_open(self, *numbers: int) -> None:
        """Server sides are gone without the client hearing of it; new connections are as good as ever.

        Connections are numbered from 0 in the order in which they came in, as far as they still exist; no number means all.
        """
        alive = self._alive()
        for number in numbers or range(len(alive)):
            alive[number].lose_server()

    def hold(self, *directions: Direction) -> None:
        """Keep back what goes in these directions (both where none is named) until ``free``."""
        self._set("held", directions)

    def swallow(self, *directions: Direction) -> None:
        """Lose what goes in these directions (both where none is named) until ``free``."""
        self._set("swallowed", directions)

    def free(self) -> None:
        """Let everything pass again, and nothing be damaged."""
        self._set("open", ())
        self._damages.clear()
        self._freed.set()
        self._freed = asyncio.Event()

    def damage_next(self, damage: Damage, *, length_min: int = 1) -> None:
        """Change the next piece from the server that has at least so many bytes."""
        self._damages.append((length_min, damage))

    def _set(self, way: Way, directions: tuple[Direction, ...]) -> None:
        for direction in directions or ("up", "down"):
            self._ways[direction] = way

    # --- for connections ----------------------------------------------------------------------------------------------------

    def way(self, direction: Direction) -> Way:
        """How it stands with a direction."""
        return self._ways[direction]

    async def passable(self, direction: Direction) -> None:
        """Wait while a direction is held."""
        while self._ways[direction] == "held":
            await self._freed.wait()

    def as_it_arrives(self, data: bytes) -> bytes:
        """A piece from the server after what befalls it on its way."""
        for number, (length_min, damage) in enumerate(self._damages):
            if len(data) >= length_min:
                del self._damages[number]
                return damage(data)
        return data

    def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        self._start(self._connect(_Side(reader, writer)))

    async def _connect(self, near: "_Side") -> None:
        try:
            far = _Side(*await asyncio.open_connection(*self._target))
        except BaseException as error:
            near.cut("reset")
            if isinstance(error, OSError):
                return
            raise
        connection = _Connection(self, near, far)
        self._connections.append(connection)
        try:
            await asyncio.gather(
                self._start(connection.carry("up", near, far)),
                self._start(connection.carry("down", far, near)),
            )
        finally:
            connection.cut("orderly")
            self._connections.remove(connection)

    def _start(self, work: Coroutine[None, None, None]) -> asyncio.Task[None]:
        task = asyncio.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return task


class _Side:
    """One end of a connection."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader = reader
        self.writer = writer

    def cut(self, how: Cut) -> None:
        if how == "orderly":
            self.writer.close()
            return
        found: socket.socket | None = self.writer.get_extra_info("socket")
        if found is not None and found.fileno() >= 0:
            found.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET_ON_CLOSE)
        self.writer.transport.abort()


class _Connection:
    """One connection of a client, carried both ways."""

    def __init__(self, proxy: Proxy, near: _Side, far: _Side) -> None:
        self._proxy = proxy
        self._near = near
        self._far = far
        self._silent: Literal["no", "yes"] = "no"
        self.client: Literal["there", "gone"] = "there"

    def cut(self, how: Cut) -> None:
        self._near.cut(how)
        self._far.cut(how)

    def lose_server(self) -> None:
        self._silent = "yes"
        self._far.cut("reset")

    async def carry(self, direction: Direction, source: _Side, sink: _Side) -> None:
        """Carry one direction to its end, each piece after its time."""
        waiting: asyncio.Queue[tuple[float, bytes]] = asyncio.Queue(WAITING_MAX)
        giving = asyncio.create_task(self._give(direction, waiting, sink))
        try:
            with suppress(OSError):
                while data := await source.reader.read(CHUNK):
                    await waiting.put((_now_s() + self._proxy.delay_s, data))
            if direction == "up":
                self.client = "gone"
            await waiting.put((_now_s() + self._proxy.delay_s, b""))
            await giving
        finally:
            giving.cancel()

    async def _give(
        self, direction: Direction, waiting: asyncio.Queue[tuple[float, bytes]], sink: _Side
    ) -> None:
        while True:
            due_s, data = await waiting.get()
            await asyncio.sleep(due_s - _now_s())
            await self._proxy.passable(direction)
            if self._proxy.way(direction) == "swallowed":
                self._silent = "yes"
            if self._silent == "yes":
                if not data:
                    return
                continue
            if not data:
                sink.writer.close()
                return
            if direction == "down":
                data = self._proxy.as_it_arrives(data)
            with suppress(OSError):
                await self._write(direction, data, sink)

    async def _write(self, direction: Direction, data: bytes, sink: _Side) -> None:
        self._proxy.pieces[direction] += 1
        for piece in _pieces(data, self._proxy.bytes_per_s):
            sink.writer.write(piece)
            await sink.writer.drain()
            self._proxy.carried[direction] += len(piece)
            if self._proxy.bytes_per_s:
                await asyncio.sleep(len(piece) / self._proxy.bytes_per_s)


def _bound(port: int) -> socket.socket:
    """A socket at a port of this machine (0: any free one) that does not listen yet: who connects to it is refused."""
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    made.bind(("127.0.0.1", port))
    return made


def _pieces(data: bytes, bytes_per_s: int) -> Generator[bytes]:
    size = max(1, bytes_per_s // PIECES_PER_S) if bytes_per_s else len(data)
    for start in range(0, len(data), size):
        yield data[start : start + size]


def _now_s() -> float:
    return asyncio.get_running_loop().time()

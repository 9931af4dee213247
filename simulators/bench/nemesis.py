"""What befalls the networks of a cell, drawn from a seed.

Rules of this file:
- One fault at a time for each machine; several machines may be struck together.
- Every fault ends by itself after a while, and all of them when the nemesis is told to end: the cell then has to finish.
- The draws follow the seed alone. When they fall, in the life of a running cell, is up to the machine that it runs on.
"""

import asyncio
from collections import Counter
from collections.abc import Awaitable, Callable, Mapping
from random import Random
from typing import NamedTuple

from simulators.bench.proxy import Proxy

PAUSE_S = (0.2, 2.2)
NARROW_BYTES_PER_S = (300, 4_000)
FAR_S = (0.05, 0.3)

Strike = Callable[[Proxy, Random], Awaitable[None] | None]


class Kind(NamedTuple):
    """A kind of fault: how it begins, and between how many seconds it lasts. Its end is the same for all: a whole network."""

    begin: Strike
    lasts_s: tuple[float, float]


async def _away(proxy: Proxy, _draw: Random) -> None:
    await proxy.refuse()
    proxy.cut("reset")


def _far(proxy: Proxy, draw: Random) -> None:
    proxy.delay_s = draw.uniform(*FAR_S)


def _narrow(proxy: Proxy, draw: Random) -> None:
    proxy.bytes_per_s = draw.randint(*NARROW_BYTES_PER_S)


def _half_open_one(proxy: Proxy, draw: Random) -> None:
    if proxy.open_connections:
        proxy.half_open(draw.randrange(proxy.open_connections))


def _simply(strike: Callable[[Proxy], None]) -> Strike:
    """A strike that leaves nothing to chance."""

    def begin(proxy: Proxy, _draw: Random) -> None:
        strike(proxy)

    return begin


KINDS: Mapping[str, Kind] = {
    "reset": Kind(_simply(lambda p: p.cut("reset")), (0.0, 0.1)),
    "orderly close": Kind(_simply(lambda p: p.cut("orderly")), (0.0, 0.1)),
    "nobody listens": Kind(_away, (0.1, 3.0)),
    "black hole": Kind(_simply(lambda p: p.swallow()), (0.3, 4.0)),
    "black hole to the server": Kind(_simply(lambda p: p.swallow("up")), (0.3, 4.0)),
    "black hole from the server": Kind(_simply(lambda p: p.swallow("down")), (0.3, 4.0)),
    "stall": Kind(_simply(lambda p: p.hold()), (0.2, 4.0)),
    "half-open": Kind(_simply(lambda p: p.half_open()), (0.0, 0.1)),
    "half-open, one connection": Kind(_half_open_one, (0.0, 0.1)),
    "delay": Kind(_far, (0.5, 4.0)),
    "squeeze": Kind(_narrow, (0.5, 4.0)),
}


class Nemesis:
    """Strikes at proxies until it is told to end. ``struck`` counts the faults by kind."""

    def __init__(self, proxies: Mapping[str, Proxy], seed: int) -> None:
        self._proxies = proxies
        self._draw = Random(seed)
        self._free = set(proxies)
        self._strikes: set[asyncio.Task[None]] = set()
        self.struck: Counter[str] = Counter()

    async def run(self) -> None:
        """Strike until cancelled; every network is whole again afterwards."""
        try:
            while True:
                await asyncio.sleep(self._draw.uniform(*PAUSE_S))
                self._strike_somewhere()
        finally:
            for strike in self._strikes:
                strike.cancel()
            await asyncio.gather(*self._strikes, return_exceptions=True)

    def _strike_somewhere(self) -> None:
        kind = self._draw.choice(sorted(KINDS))
        machine = self._draw.choice(sorted(self._proxies))
        lasts_s = self._draw.uniform(*KINDS[kind].lasts_s)
        if machine in self._free:
            self._start(machine, kind, lasts_s)

    def _start(self, machine: str, kind: str, lasts_s: float) -> None:
        self._free.remove(machine)
        self.struck[kind] += 1
        task = asyncio.create_task(self._strike(machine, kind, lasts_s))
        self._strikes.add(task)
        task.add_done_callback(self._strikes.discard)

    async def _strike(self, machine: str, kind: str, lasts_s: float) -> None:
        proxy = self._proxies[machine]
        try:
            begun = KINDS[kind].begin(proxy, self._draw)
            if begun is not None:
                await begun
            await asyncio.sleep(lasts_s)
        finally:
            await mend(proxy)
            self._free.add(machine)


async def mend(proxy: Proxy) -> None:
    """A whole network again."""
    proxy.delay_s, proxy.bytes_per_s = 0.0, 0
    proxy.free()
    if not proxy.listens:
        await proxy.listen()

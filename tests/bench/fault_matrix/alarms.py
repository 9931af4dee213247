"""False alarms of links to servers that nothing befalls: ``python -m tests.bench.fault_matrix.alarms [--seconds 240]``.

Rules of this file:
- One link for each limit of silence watches the same server, so that all of them meet the same moments in which it has no processor.
- What matters is what else the machine does meanwhile: the load is printed, and how late our own loop was, which counts as no silence.
  Starve it with ``nice -n 19``.
"""

import argparse
import asyncio
import os
import sys
import tempfile
from pathlib import Path
from typing import Any

from supervisor.cell.shipped import shipped_profile
from supervisor.core.events import StationObserved
from supervisor.stations.adapter import Wiring
from supervisor.stations.connection import LinkOptions
from supervisor.stations.station import StationAdapter
from tests.bench.fault_matrix.__main__ import LIMIT_S, STACKS, Server
from tests.integration.stations.conftest import Watcher

LIMITS_MS = (600, 800, 1000, 1500)
LOOK_S = 0.1


def watcher_of(server: Server, silence_ms: int) -> Watcher:
    """A link to a server, with this limit of silence."""
    profile: Any = shipped_profile(server.profile)
    options = LinkOptions(silence_ms_max=silence_ms)
    name = f"{server.profile}-{silence_ms}"
    watcher = Watcher(StationAdapter(name, server.address(server.port), profile, Wiring(options=options)))  # fmt: skip
    watcher.start()
    return watcher


def downs(watcher: Watcher) -> int:
    """How often the link went down so far."""
    return sum(event.link == "down" for event in watcher.of(StationObserved))


async def late_s_max(seconds: float) -> float:
    """Let so much time pass; how late our own loop was at most."""
    loop = asyncio.get_running_loop()
    end_s, latest_s = loop.time() + seconds, 0.0
    while (now_s := loop.time()) < end_s:
        await asyncio.sleep(LOOK_S)
        latest_s = max(latest_s, loop.time() - now_s - LOOK_S)
    return latest_s


async def measure(stack: str, seconds: float) -> tuple[dict[int, int], float]:
    """False alarms by limit of silence, and how late our loop was at most."""
    with tempfile.TemporaryDirectory() as folder:
        server = STACKS[stack](Path(folder))
        await asyncio.to_thread(server.start)
        watchers = {limit_ms: watcher_of(server, limit_ms) for limit_ms in LIMITS_MS}
        try:
            for each in watchers.values():
                await each.until(lambda each=each: each.of(StationObserved) and each.last(StationObserved).link == "up", LIMIT_S)  # fmt: skip
            before = {limit_ms: downs(each) for limit_ms, each in watchers.items()}
            latest_s = await late_s_max(seconds)
            return {
                limit: downs(each) - before[limit] for limit, each in watchers.items()
            }, latest_s
        finally:
            for each in watchers.values():
                await each.stop()
            await asyncio.to_thread(server.end)


def main() -> None:
    """Print a line for each stack."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.fault_matrix.alarms", description=__doc__)  # fmt: skip
    parser.add_argument("--seconds", type=float, default=240)
    given = parser.parse_args()
    limits = " | ".join(f"{limit} ms" for limit in LIMITS_MS)
    say(f"| stack | {limits} | our loop late by at most | load |")
    say(f"| --- |{' --- |' * (len(LIMITS_MS) + 2)}")
    for stack in STACKS:
        found, latest_s = asyncio.run(measure(stack, given.seconds))
        cells = " | ".join(str(found[limit]) for limit in LIMITS_MS)
        say(f"| {stack} | {cells} | {latest_s:.2f} s | {os.getloadavg()[0]:.1f} |")


def say(line: str) -> None:
    """A line, at once."""
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()

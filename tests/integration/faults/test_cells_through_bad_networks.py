"""Whole cells at real sockets with a nemesis between supervisor and machines: everything is finished and nothing is wrong.

The long form is ``make wire-faults``; here one short run, and that the nemesis does what it says.
"""

import asyncio
import random
import socket
from pathlib import Path

import pytest

from simulators.bench.nemesis import KINDS, Nemesis, mend
from simulators.bench.proxy import Proxy
from simulators.bench.staging import Wishes
from simulators.bench.wire_faults import run_once

pytestmark = [pytest.mark.integration, pytest.mark.timeout(240)]


@pytest.mark.hazard(29, 39)
def test_a_cell_whose_every_network_fails_again_and_again_finishes_every_part(
    tmp_path: Path, repository: Path
):
    cell = repository / "deploy" / "cells" / "vane-pumps"
    wishes = Wishes(cell=cell, pallets=3, seed=5, speed=120.0, between="a network")
    outcome = run_once(wishes, tmp_path / "run", strike_s=15.0)
    assert outcome.wrong == []
    assert outcome.parts == 3
    assert outcome.struck.total() >= 5


@pytest.fixture
async def echo():
    """A server that sends back what it gets, behind a proxy."""

    async def answer(reader, writer):
        while data := await reader.read(1_000):
            writer.write(data)
        writer.close()

    server = await asyncio.start_server(answer, "127.0.0.1", 0)
    proxy = Proxy("127.0.0.1", server.sockets[0].getsockname()[1])
    await proxy.listen()
    yield proxy
    await proxy.stop()
    server.close()


async def said(proxy, within_s=0.3):
    """What comes back for a word on a new connection: the word, "" for an end, None for silence."""
    try:
        reader, writer = await asyncio.open_connection("127.0.0.1", proxy.port)
        writer.write(b"word")
        async with asyncio.timeout(within_s):
            return (await reader.read(100)).decode()
    except TimeoutError:
        return None
    except OSError:
        return ""
    finally:
        if "writer" in locals():
            writer.transport.abort()


@pytest.mark.parametrize("kind", sorted(KINDS))
async def test_every_kind_of_fault_ends_in_a_whole_network(kind, echo):
    for seed in range(3):
        begun = KINDS[kind].begin(echo, random.Random(seed))
        if begun is not None:
            await begun
        await mend(echo)
        assert await said(echo) == "word"


@pytest.mark.parametrize(
    ("kind", "answer"),
    [
        ("nobody listens", ""),
        ("black hole", None),
        ("black hole to the server", None),
        ("black hole from the server", None),
        ("stall", None),
    ],
)
async def test_a_fault_that_lasts_is_felt_while_it_lasts(kind, answer, echo):
    begun = KINDS[kind].begin(echo, random.Random(1))
    if begun is not None:
        await begun
    assert await said(echo) == answer


async def test_a_port_at_which_nobody_listens_is_taken_by_nobody_else(echo):
    """A busy machine gave it to another process: the network was never whole again, and the cell looked stuck."""
    await echo.refuse()
    assert await said(echo) == ""
    with socket.socket() as other, pytest.raises(OSError, match="in use"):
        other.bind(("127.0.0.1", echo.port))
    await mend(echo)
    assert await said(echo) == "word"


async def test_what_was_held_comes_later_and_what_was_swallowed_never(echo):
    reader, writer = await asyncio.open_connection("127.0.0.1", echo.port)
    echo.hold()
    writer.write(b"held")
    await asyncio.sleep(0.05)
    echo.free()
    assert await reader.read(100) == b"held"
    echo.swallow()
    writer.write(b"lost")
    await asyncio.sleep(0.05)
    echo.free()
    writer.write(b"more")
    with pytest.raises(TimeoutError):
        await asyncio.wait_for(reader.read(100), 0.1)
    writer.transport.abort()


async def test_the_same_seed_strikes_the_same(monkeypatch):
    async def at_once(_s):
        await real(0)

    real = asyncio.sleep
    monkeypatch.setattr("simulators.bench.nemesis.asyncio.sleep", at_once)
    found = []
    for _ in range(2):
        nemesis = Nemesis({name: Proxy("127.0.0.1", 1) for name in ("a", "b")}, seed=11)
        drawn = []
        monkeypatch.setattr(
            nemesis, "_start", lambda *strike, drawn=drawn: drawn.append(strike), raising=True
        )
        running = asyncio.create_task(nemesis.run())
        while len(drawn) < 20:
            await real(0)
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
        found.append(drawn[:20])
    assert found[0] == found[1]

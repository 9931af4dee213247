"""What befalls networks and servers, against the second stack: noticed in time, and delivering again after the server's return.

Rules of this file:
- Limits are those of tests/integration/stations/test_link_fault_table.py, which shows the same against the first stack: a dead link is
  down within 1 s and a silent one within 3 s, a value taken on during the outage is reported within 0.5 s of the server's return;
  each plus ``MARGIN_S`` for a machine that does other work. What was measured is logged.
- A server that stands still for a moment shorter than the silence limit may go unnoticed. It delivers after that, which is what counts.
"""

import asyncio
import logging
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pytest

from supervisor.stations.adapter import Wiring
from supervisor.stations.connection import LinkOptions
from tests.bench.fault_matrix.__main__ import FAULTS as FAULT_MATRIX
from tests.bench.fault_matrix.__main__ import SecondStack, freeze, line, measured_at

pytestmark = [pytest.mark.integration, pytest.mark.timeout(180)]

MARGIN_S = 2.0
CUT_S_MAX = 1.0 + MARGIN_S
SILENT_S_MAX = 3.0 + MARGIN_S
BACK_S_MAX = 0.5 + MARGIN_S
KNOCK_S_MAX = 2.0  # a server that was not there is knocked at; a link that was refused a while ago may be in a pause of 2 s
RUNNING, SUSPENDED = 0, 3  # OPC 10000-5 12.6
PATH = "/station"
OWN_SESSIONS = 2  # one for what is shown, one for orders
ENDED_S_MAX = 20.0  # those of the tests before have the default's 10 s

log = logging.getLogger("faults")


@dataclass(frozen=True, kw_only=True)
class Fault:
    """How a network fails and how that ends, within which time it is noticed, and what is said."""

    begin: Callable[[Any], object]
    end: Callable[[Any], object]
    noticed_s_max: float
    why: tuple[str, ...]


FAULTS = {
    "cut": Fault(
        begin=lambda proxy: proxy.cut("reset"),
        end=lambda _proxy: None,
        noticed_s_max=CUT_S_MAX,
        why=("the connection broke", "the connection for orders was closed"),
    ),
    "black hole": Fault(
        begin=lambda proxy: proxy.swallow(),
        end=lambda proxy: proxy.free(),
        noticed_s_max=SILENT_S_MAX,
        why=("nothing was heard",),
    ),
}


@pytest.fixture
def server(peer):
    station = peer("job_station.js")
    yield station
    station.thaw()
    station.switch("serverState", RUNNING)
    station.switch("occupied", False)


def downs(visit):
    """How often the link went down so far."""
    return sum(event.link == "down" for event in visit.watcher.events if hasattr(event, "link"))


async def measured(what, holds, limit_s):
    """Wait for something with a limit; log how long it took."""
    began_s = asyncio.get_running_loop().time()
    await holds(limit_s)
    took_s = asyncio.get_running_loop().time() - began_s
    log.info("%s: %.2f s", what, took_s)


@pytest.mark.hazard(29, 39)
@pytest.mark.parametrize("name", FAULTS)
async def test_a_network_that_fails_is_noticed_and_what_changed_meanwhile_is_reported(
    name, visits, server, through_proxy
):
    fault = FAULTS[name]
    proxy = await through_proxy(server.url.removesuffix(PATH))
    visit = await visits(server, "job-control", f"{proxy.url}{PATH}")
    await visit.until(nest="empty")

    fault.begin(proxy)
    await measured(f"{name}, noticed", noticed(visit), fault.noticed_s_max)
    assert visit.watcher.adapter.report().why.startswith(fault.why)
    server.switch("occupied", True)
    fault.end(proxy)
    await measured(f"{name}, back", shows(visit, "occupied"), BACK_S_MAX + KNOCK_S_MAX)
    assert visit.seen.mode == "automatic"


@pytest.mark.hazard(29)
@pytest.mark.parametrize("still_s", [1.5, 6.0])
async def test_a_server_that_stands_still_delivers_after_it_goes_on(still_s, visits, server):
    visit = await visits(server, "job-control")
    await visit.until(nest="empty")
    server.freeze()
    if still_s > SILENT_S_MAX:
        await measured(f"still for {still_s:g} s, noticed", noticed(visit), SILENT_S_MAX)
        await asyncio.sleep(still_s - SILENT_S_MAX)
    else:
        await asyncio.sleep(still_s)
    server.thaw()
    server.switch("occupied", True)
    limit_s = BACK_S_MAX + KNOCK_S_MAX
    await measured(f"still for {still_s:g} s, back", shows(visit, "occupied"), limit_s)
    assert downs(visit) <= 1  # it does not flutter


async def test_the_matrix_of_faults_still_measures(server, tmp_path):
    """One round of `python -m tests.bench.fault_matrix`, without the faults that take long; how long anything took says nothing here."""
    short = {"cut": FAULT_MATRIX["cut"], "freeze 0.3 s": freeze(0.3)}
    lent, options = SecondStack.lent(tmp_path, server), LinkOptions(silence_ms_max=600)
    found = await measured_at(lent, short, 1, options, between_s=0)
    assert [line("node-opcua", name, figures).count(" s |") for name, figures in found.items()] == [
        4,
        3,
    ]


@pytest.mark.hazard(18)
async def test_a_server_that_is_killed_and_started_again_is_a_new_start(visits, new_peer):
    server = new_peer("job_station.js")
    visit = await visits(server, "job-control")
    before = visit.seen
    server.kill()
    await measured("killed, noticed", noticed(visit), CUT_S_MAX)
    again = new_peer("job_station.js", port=server.port)
    again.switch("occupied", True)
    await measured("killed, back", shows(visit, "occupied"), BACK_S_MAX + KNOCK_S_MAX)
    assert visit.seen.boot > before.boot
    assert visit.seen.mode == "automatic"


@pytest.mark.hazard(29)
async def test_a_server_that_says_that_it_is_suspended_is_down_until_it_runs_again(visits, server):
    visit = await visits(server, "job-control")
    server.switch("serverState", SUSPENDED)
    await measured("suspended, noticed", noticed(visit), CUT_S_MAX)
    assert "its state is Suspended" in visit.watcher.adapter.report().why
    assert visit.seen.mode == "unknown"
    server.switch("serverState", RUNNING)
    await visit.until(link="up", mode="automatic")
    assert downs(visit) == 1


def noticed(visit):
    """Waits until the link is told to be down."""
    return lambda limit_s: visit.watcher.until(lambda: visit.seen.link == "down", limit_s)


def shows(visit, nest):
    """Waits until the nest is told to be so."""
    return lambda limit_s: visit.watcher.until(lambda: visit.seen.nest == nest, limit_s)


async def test_sessions_that_a_broken_connection_leaves_behind_end_by_the_time_out_that_was_asked_for(
    visits, server, through_proxy
):
    options = LinkOptions(interval_ms=20, session_ms=2_000)
    proxy = await through_proxy(server.url.removesuffix(PATH))
    visit = await visits(server, "job-control", f"{proxy.url}{PATH}", Wiring(options=options))
    assert visit.watcher.adapter.report().revised.session_ms == options.session_ms
    proxy.cut("reset")
    await measured("cut, noticed", noticed(visit), CUT_S_MAX)
    await visit.until(link="up")
    left_s = asyncio.get_running_loop().time()
    while server.ask("sessions") > OWN_SESSIONS:
        await asyncio.sleep(0.1)
        assert asyncio.get_running_loop().time() - left_s < ENDED_S_MAX
    assert server.ask("sessions") == OWN_SESSIONS

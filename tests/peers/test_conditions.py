"""Alarms and conditions (OPC 10000-9) of the second stack: latched as they come, and refreshed on every connection.

Rules of this file:
- The alarm is the stack's own (node-opcua), and so is its answer to ``ConditionRefresh``; the profile says nothing but where it is.
- An alarm that came, or went, while nobody listened is the case that matters: its event is lost for good.
"""

from pathlib import Path

import pytest

from supervisor.cell.profile import profile_problems, read_profile
from supervisor.cell.profile_extends import extended
from supervisor.cell.reading import read_table
from supervisor.cell.shipped import shipped_names, shipped_table
from supervisor.core.events import StationObserved
from supervisor.stations.adapter import Wiring
from supervisor.stations.connection import LinkOptions
from supervisor.stations.station import StationAdapter

pytestmark = [pytest.mark.integration, pytest.mark.timeout(180)]

PATH = "/station"
WELL, WARM = 20.0, 40.0
TOO_WARM = "its machine is too warm"
HERE = Path(__file__).parent


@pytest.fixture
def profile():
    """The shipped profile for job control, and what a site adds for its alarm."""
    table, problems = read_table(HERE / "alarm_station.yaml", "alarm_station.yaml")
    assert (problems, table is None) == ([], False)
    whole, problems = extended(table, shipped_table, shipped_names())
    assert problems == []
    made = read_profile(whole)
    assert profile_problems(made) == []
    return made


@pytest.fixture
def server(peer):
    station = peer("alarm_station.js")
    yield station
    station.switch("temperature", WELL)


@pytest.fixture
async def linked(server, profile, through_proxy, watch):
    """The station behind a proxy, up, and what it shows."""
    proxy = await through_proxy(server.url.removesuffix(PATH))
    options = LinkOptions(interval_ms=20)
    adapter = StationAdapter("touch-1", f"{proxy.url}{PATH}", profile, Wiring(options=options))
    watcher = watch(adapter)
    await watcher.until(lambda: seen(watcher).mode == "automatic", 20)
    return proxy, watcher


def seen(watcher):
    return watcher.last(StationObserved)


async def lost_while(proxy, watcher, happens):
    """The connection is lost, something happens that nobody hears of, and it is made again."""
    proxy.swallow()
    await watcher.until(lambda: seen(watcher).link == "down", 10)
    happens()
    proxy.free()
    await watcher.until(lambda: seen(watcher).link == "up", 10)


async def test_an_alarm_closes_the_gate_until_it_is_over(server, linked):
    _, watcher = linked
    assert seen(watcher).gate == ""
    server.switch("temperature", WARM)
    await watcher.until(lambda: seen(watcher).gate == TOO_WARM)
    server.switch("temperature", WELL)
    await watcher.until(lambda: seen(watcher).gate == "")


async def test_an_alarm_that_came_in_an_outage_is_said_again_before_the_link_is_up(server, linked):
    proxy, watcher = linked
    await lost_while(proxy, watcher, lambda: server.switch("temperature", WARM))
    assert seen(watcher).gate == TOO_WARM  # in the first observation, not in a later one


async def test_an_alarm_that_went_in_an_outage_is_over_when_the_link_is_up(server, linked):
    proxy, watcher = linked
    server.switch("temperature", WARM)
    await watcher.until(lambda: seen(watcher).gate == TOO_WARM)
    await lost_while(proxy, watcher, lambda: server.switch("temperature", WELL))
    assert seen(watcher).gate == ""


async def test_a_server_that_cannot_say_its_conditions_again_keeps_the_link_down(
    eventful, event_profile, watch
):
    """The first stack has no such method for conditions of others; nobody may take its silence for "no alarm"."""
    alarms = {("events", "begun", "after_outage"): {"refresh": "conditions"}}
    watcher = watch(StationAdapter("e", eventful.url, event_profile(alarms), Wiring()))
    await watcher.until(lambda: seen(watcher).link == "down" and seen(watcher), 20)
    why = watcher.adapter.report().why
    assert why.startswith("the server does not say again how its conditions stand: Bad"), why

"""The shipped profiles of PackML against a unit machine on another stack, with the official nodeset."""

import asyncio

import pytest

from supervisor.cell.security import CURRENT
from supervisor.core.commands import AbortRun, ClearFault
from supervisor.core.events import OrderAnswered, ResultArrived, StationObserved
from supervisor.stations.adapter import Wiring
from supervisor.stations.connection import LinkOptions
from supervisor.stations.station import StationAdapter
from tests.peers.steps import acknowledge, bring_in, door, prepare, start

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

WIRING = Wiring(options=LinkOptions(interval_ms=20))
KINDS = {"packml": (), "packml-commands": ("commands",)}


def seen(watcher):
    return watcher.last(StationObserved)


@pytest.fixture(params=KINDS)
def profile(request):
    return request.param


@pytest.fixture
def server(peer, profile):
    station = peer("packml_station.js", *KINDS[profile])
    station.switch("stands", "Stopped")
    yield station
    station.thaw()
    for name, value in (("holding", False), ("mode", 1), ("occupied", False), ("run", "")):
        station.switch(name, value)


@pytest.fixture
async def station(server, watch, shipped, profile):
    watcher = watch(StationAdapter("unit-1", server.url, shipped(profile), WIRING))
    await watcher.until(lambda: seen(watcher).mode == "automatic", 20)
    return watcher


async def load(watcher, server):
    """A part in, its program prepared, the door closed."""
    await bring_in(watcher, server)
    await prepare(watcher)
    await watcher.until(lambda: seen(watcher).program == "17")


async def acknowledged(watcher, run_no):
    """Finished or aborted, the machine is idle after it and names no run any more."""
    await acknowledge(watcher, run_no, quiet="prepared")
    await watcher.until(lambda: seen(watcher).run_id == "")


async def test_a_whole_visit_by_the_shipped_profile(station, server):
    await station.until(lambda: seen(station).work == "idle")  # stopped, and no run is named
    await load(station, server)
    start(station, 11)
    await station.until(lambda: seen(station).work == "finished")
    shown, result = seen(station), station.last(ResultArrived)
    await acknowledged(station, 11)

    assert (shown.run_id, shown.serial, shown.program) == ("R11", "S11", "17")
    assert (result.run_id, result.serial) == ("R11", "S11")
    assert [(v.number, v.value, v.unit) for v in result.values] == [
        ("1", 25.0104, "mm"),
        ("2", 3.1, "um"),
    ]
    assert station.of(OrderAnswered) == []


async def test_a_visit_over_an_encrypted_connection(server, watch, shipped, profile, encrypted):
    watcher = watch(StationAdapter("unit-1", server.url, shipped(profile), encrypted(server)))
    await watcher.until(lambda: seen(watcher).mode == "automatic", 20)
    await load(watcher, server)
    start(watcher, 18)
    await watcher.until(lambda: seen(watcher).work == "finished")
    await acknowledged(watcher, 18)
    assert watcher.last(ResultArrived).run_id == "R18"
    assert watcher.adapter.report().security.endswith(f"({CURRENT[0]})")


@pytest.mark.hazard(5)
async def test_a_start_that_comes_twice_is_one_run(station, server):
    await load(station, server)
    before = server.ask("starts")
    start(station, 12)
    start(station, 12)
    await station.until(lambda: seen(station).work == "finished")
    start(station, 12)
    await acknowledged(station, 12)
    assert server.ask("starts") == before + 1
    assert len(station.of(ResultArrived)) == 1


async def test_a_run_is_ended_without_a_result_and_the_machine_is_reset_from_where_it_stopped(
    station, server
):
    await load(station, server)
    server.switch("holding", True)
    start(station, 13)
    await station.until(lambda: seen(station).work == "running")
    station.adapter.give(AbortRun(order=3, station="unit-1", run_id="R13"))
    await station.until(lambda: seen(station).work == "aborted")
    assert seen(station).run_id == "R13"
    await acknowledged(station, 13)
    assert station.of(ResultArrived) == []


async def test_an_aborted_machine_is_in_fault_until_it_is_cleared(station, server):
    await load(station, server)
    server.switch("holding", True)
    start(station, 14)
    await station.until(lambda: seen(station).work == "running")
    server.switch("faulty", True)
    await station.until(lambda: (seen(station).mode, seen(station).work) == ("fault", "aborted"))
    station.adapter.give(ClearFault(order=4, station="unit-1"))
    await station.until(lambda: (seen(station).mode, seen(station).work) == ("automatic", "aborted"))  # fmt: skip
    await acknowledged(station, 14)


@pytest.mark.parametrize("mode", [2, 3])
async def test_a_machine_in_maintenance_or_manual_is_in_manual(station, server, mode):
    server.switch("mode", mode)
    await station.until(lambda: seen(station).mode == "manual")


async def test_a_result_that_came_in_an_outage_is_fetched(
    server, watch, shipped, profile, through_proxy
):
    proxy = await through_proxy(server.url.removesuffix("/station"))
    url = f"{proxy.url}/station"
    watcher = watch(StationAdapter("unit-1", url, shipped(profile), WIRING))
    await watcher.until(lambda: seen(watcher).mode == "automatic", 20)
    await load(watcher, server)
    server.switch("holding", True)
    start(watcher, 17)
    await watcher.until(lambda: seen(watcher).work == "running")
    await proxy.refuse()
    proxy.cut("reset")
    await watcher.until(lambda: seen(watcher).link == "down")
    server.switch("stands", "Complete")  # its run ends while nobody listens
    await proxy.listen()
    await watcher.until(lambda: watcher.of(ResultArrived), 15)
    result = watcher.last(ResultArrived)
    await acknowledged(watcher, 17)
    assert (result.run_id, result.serial) == ("R17", "S17")


@pytest.mark.parametrize("state", ["Held", "Suspended"])
async def test_a_run_that_is_held_is_still_running(station, server, state):
    server.switch("run", "R15")
    server.switch("stands", state)
    await station.until(lambda: (seen(station).work, seen(station).run_id) == ("running", "R15"))


@pytest.mark.parametrize("profile", ["packml"], indirect=True)
async def test_the_machine_itself_refuses_a_start_while_its_door_is_open(station, server):
    await load(station, server)
    await door(station, "open")
    start(station, 16)
    await station.until(lambda: station.of(OrderAnswered))
    answer = station.last(OrderAnswered)
    assert (answer.outcome, answer.why) == (
        "refused",
        "step 3: the server answered BadInvalidState",
    )
    await door(station, "closed")


@pytest.mark.parametrize("profile", ["packml-commands"], indirect=True)
async def test_a_machine_that_takes_numbers_refuses_a_start_while_its_door_is_open_by_not_obeying(
    station, server
):
    await load(station, server)
    await door(station, "open")
    starts, refusals = server.ask("starts"), server.ask("refusals")
    start(station, 19)
    for _ in range(250):
        if server.ask("refusals") > refusals:
            break
        await asyncio.sleep(0.02)
    assert server.ask("refusals") == refusals + 1
    await door(station, "closed")  # a command that still stood would be obeyed now
    await asyncio.sleep(0.5)
    assert server.ask("starts") == starts
    assert (seen(station).work, seen(station).run_id) == ("prepared", "")


@pytest.mark.parametrize("profile", ["packml"], indirect=True)
async def test_a_frozen_server_is_noticed_and_delivers_again_after_it_goes_on(station, server):
    server.freeze()
    await station.until(lambda: seen(station).link == "down", 6)
    server.thaw()
    await station.until(lambda: seen(station).link == "up", 10)
    server.switch("occupied", True)
    await station.until(lambda: seen(station).nest == "occupied")


@pytest.mark.parametrize("profile", ["packml"], indirect=True)
async def test_a_machine_without_the_methods_keeps_the_link_down_and_they_are_named(peer, watch, shipped, profile):  # fmt: skip
    other = peer("packml_station.js", "commands")
    watcher = watch(StationAdapter("unit-1", other.url, shipped(profile), WIRING))
    await watcher.until(lambda: seen(watcher).link == "down", 20)
    assert "pml:ExecuteState/pml:" in watcher.adapter.report().why


@pytest.mark.parametrize("profile", ["packml"], indirect=True)
async def test_a_machine_that_cannot_be_cleared_from_here_says_so_and_is_cleared_there(server, watch, shipped, profile):  # fmt: skip
    with server.without("Station/BaseStateMachine/Clear"):
        watcher = watch(StationAdapter("unit-1", server.url, shipped(profile), WIRING))
        await watcher.until(lambda: seen(watcher).link == "up", 20)
        assert watcher.adapter.report().without == (("clear", "a fault is cleared at the machine"),)
        watcher.adapter.give(ClearFault(order=4, station="unit-1"))
        await watcher.until(lambda: watcher.of(OrderAnswered))
        assert watcher.last(OrderAnswered).outcome == "done"


async def test_browsing_it_proposes_a_profile_that_drives_it(server, profile, proposed, watch):
    found, text, mine = await proposed(server)
    assert (found.fits[0].profile, found.fits[0].why) == (profile, "")
    assert (mine.extends, mine.root) == (profile, "site:Station")
    assert "?" not in text
    watcher = watch(StationAdapter("unit-1", server.url, mine, WIRING))
    await watcher.until(lambda: seen(watcher).mode == "automatic", 20)
    await load(watcher, server)

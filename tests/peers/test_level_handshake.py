"""The shipped profile of the level handshake against a station on another stack."""

import pytest

from supervisor.core.commands import AbortRun, ClearFault
from supervisor.core.events import OrderAnswered, ResultArrived, StationObserved
from supervisor.stations.adapter import Wiring
from supervisor.stations.connection import LinkOptions
from supervisor.stations.station import StationAdapter
from tests.peers.steps import acknowledge, bring_in, door, prepare, start

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

WIRING = Wiring(options=LinkOptions(interval_ms=20), speed=4)


def seen(watcher):
    return watcher.last(StationObserved)


@pytest.fixture(params=["level_station.js"])
def server(peer, request):
    station = peer(request.param)
    yield station
    station.thaw()
    for name, value in (("dead", False), ("holding", False), ("faulty", False), ("occupied", False), ("released", True)):  # fmt: skip
        station.switch(name, value)


@pytest.fixture
async def station(server, watch, shipped):
    watcher = watch(StationAdapter("level-1", server.url, shipped("level-handshake"), WIRING))
    await watcher.until(lambda: seen(watcher).mode == "automatic", 20)
    return watcher


async def load(watcher, server):
    await bring_in(watcher, server)
    await prepare(watcher)


async def acknowledged(watcher, run_no):
    await acknowledge(watcher, run_no, quiet="prepared")


async def test_a_whole_visit_by_the_shipped_profile(station, server):
    await load(station, server)
    start(station, 11)
    await station.until(lambda: seen(station).work == "finished")
    shown, result = seen(station), station.last(ResultArrived)
    await acknowledged(station, 11)

    assert (shown.run_id, shown.serial, shown.program) == ("11", "S11", "17")
    assert (result.run_id, result.serial) == ("11", "S11")
    assert [(v.number, v.value, v.unit) for v in result.values] == [
        ("1", 25.0104, "mm"),
        ("2", 3.1, "um"),
    ]
    assert "part free" in [image.work for image in station.of(StationObserved)]
    assert station.of(OrderAnswered) == []


async def test_a_visit_over_an_encrypted_connection(server, watch, shipped, encrypted):
    adapter = StationAdapter("level-1", server.url, shipped("level-handshake"), encrypted(server))
    watcher = watch(adapter)
    await watcher.until(lambda: seen(watcher).mode == "automatic", 20)
    await load(watcher, server)
    start(watcher, 18)
    await watcher.until(lambda: watcher.of(ResultArrived))
    await acknowledged(watcher, 18)
    assert watcher.last(ResultArrived).run_id == "18"
    assert adapter.report().security.endswith("(Aes256_Sha256_RsaPss)")


@pytest.mark.hazard(5)
async def test_a_start_that_comes_twice_is_one_run(station, server):
    await load(station, server)
    start(station, 12)
    start(station, 12)
    await station.until(lambda: seen(station).work == "finished")
    start(station, 12)
    await acknowledged(station, 12)
    assert len(station.of(ResultArrived)) == 1


async def test_a_start_that_the_station_does_not_take_with_its_door_open_is_withdrawn(
    station, server
):
    await load(station, server)
    await door(station, "open")
    start(station, 13)
    await station.until(lambda: station.of(OrderAnswered))
    assert station.last(OrderAnswered).outcome == "unknown"
    assert station.last(OrderAnswered).why.endswith("the request was withdrawn")
    await door(station, "closed")  # a request that still stood would be taken now
    start(station, 17)
    await station.until(lambda: seen(station).work == "finished")
    await acknowledged(station, 17)
    assert [result.run_id for result in station.of(ResultArrived)] == ["17"]


async def test_a_run_is_ended_without_a_result(station, server):
    await load(station, server)
    server.switch("holding", True)
    start(station, 14)
    await station.until(lambda: seen(station).work in ("running", "part free"))
    station.adapter.give(AbortRun(order=3, station="level-1", run_id="R14"))
    await station.until(lambda: seen(station).work == "aborted")
    await acknowledged(station, 14)
    assert station.of(ResultArrived) == []


async def test_a_fault_is_shown_and_cleared_and_a_release_that_is_missing_closes_the_gate(
    station, server
):
    server.switch("faulty", True)
    await station.until(lambda: seen(station).mode == "fault")
    station.adapter.give(ClearFault(order=4, station="level-1"))
    await station.until(lambda: seen(station).mode == "automatic")
    server.switch("released", False)
    await station.until(lambda: seen(station).gate == "the station does not release measuring")


async def test_a_controller_that_stands_still_leaves_nothing_known(station, server):
    server.switch("dead", True)
    await station.until(lambda: seen(station).mode == "unknown", 10)
    assert seen(station).link == "up"
    server.switch("dead", False)
    await station.until(lambda: seen(station).mode == "automatic")


async def test_a_result_that_came_while_the_link_was_down_is_fetched(station, server):
    await load(station, server)
    start(station, 15)
    await station.until(lambda: seen(station).work in ("running", "part free"))
    server.freeze()
    await station.until(lambda: seen(station).link == "down", 6)
    server.thaw()
    await station.until(lambda: station.of(ResultArrived), 15)
    assert station.last(ResultArrived).run_id == "15"
    await acknowledged(station, 15)


@pytest.mark.parametrize("server", ["level_station_bare.js"], indirect=True)
async def test_a_station_without_options_goes_through_a_visit_and_what_it_lacks_is_said(
    station, server
):
    await load(station, server)
    start(station, 16)
    await station.until(lambda: seen(station).work == "finished")
    await acknowledged(station, 16)
    station.adapter.give(ClearFault(order=4, station="level-1"))
    await station.until(lambda: station.of(OrderAnswered))

    assert station.last(OrderAnswered).outcome == "done"
    assert "part free" not in [image.work for image in station.of(StationObserved)]
    assert seen(station).gate == ""
    without = [node for node, _ in station.adapter.report().without]
    assert sorted(without) == ["clear_request", "part_free", "release"]

"""The shipped profile of the handshake by pulses against a station on another stack, which refuses by itself and says why."""

import pytest

from supervisor.core.commands import AbortRun, ClearFault
from supervisor.core.events import OrderAnswered, ResultArrived, StationObserved
from supervisor.stations.adapter import Wiring
from supervisor.stations.connection import LinkOptions
from supervisor.stations.station import StationAdapter
from tests.peers.steps import acknowledge, bring_in, door, prepare, shows, start, start_of

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

WIRING = Wiring(options=LinkOptions(interval_ms=20), speed=4)


def seen(watcher):
    return watcher.last(StationObserved)


@pytest.fixture
def server(peer):
    station = peer("pulse_station.js")
    yield station
    station.thaw()
    for name in ("holding", "faulty", "occupied"):
        station.switch(name, False)


@pytest.fixture
async def station(server, watch, shipped):
    watcher = watch(StationAdapter("pulse-1", server.url, shipped("pulse-handshake"), WIRING))
    await shows(watcher, mode="automatic")
    return watcher


async def load(watcher, server):
    await bring_in(watcher, server)
    await prepare(watcher)


async def refused(watcher, goal):
    """What the station says of an order that it refuses."""
    before = len(watcher.of(OrderAnswered))
    watcher.adapter.give(goal)
    await watcher.until(lambda: len(watcher.of(OrderAnswered)) > before)
    answer = watcher.last(OrderAnswered)
    assert answer.outcome == "refused"
    return answer.why


async def test_a_whole_visit_by_the_shipped_profile(station, server):
    await load(station, server)
    start(station, 11)
    await shows(station, work="finished")
    shown, result = seen(station), station.last(ResultArrived)
    await acknowledge(station, 11)

    assert (shown.run_id, shown.serial, shown.program) == ("R11", "S11", "P-17")
    assert (result.run_id, result.serial) == ("R11", "S11")
    assert [(v.number, v.value, v.unit) for v in result.values] == [
        ("1", 25.0104, "mm"),
        ("2", 3.1, "um"),
    ]
    assert "part free" in [image.work for image in station.of(StationObserved)]
    assert station.of(OrderAnswered) == []


async def test_a_visit_over_an_encrypted_connection(server, watch, shipped, encrypted):
    adapter = StationAdapter("pulse-1", server.url, shipped("pulse-handshake"), encrypted(server))
    watcher = watch(adapter)
    await shows(watcher, mode="automatic")
    await load(watcher, server)
    start(watcher, 18)
    await watcher.until(lambda: watcher.of(ResultArrived))
    await acknowledge(watcher, 18)
    assert watcher.last(ResultArrived).run_id == "R18"
    assert adapter.report().security.endswith("(Aes256_Sha256_RsaPss)")


@pytest.mark.hazard(5)
async def test_a_start_that_comes_twice_is_one_run(station, server):
    before = server.ask("starts")
    await load(station, server)
    start(station, 12)
    start(station, 12)
    await shows(station, work="finished")
    start(station, 12)
    await acknowledge(station, 12)
    assert len(station.of(ResultArrived)) == 1
    assert server.ask("starts") - before == 1


async def test_the_station_itself_refuses_a_start_while_its_door_is_open(station, server):
    await load(station, server)
    await door(station, "open")
    assert "the door is not closed" in await refused(station, start_of("pulse-1", 13))
    await door(station, "closed")  # a request that still stood would be taken now
    start(station, 17)
    await shows(station, work="finished")
    await acknowledge(station, 17)
    assert [result.run_id for result in station.of(ResultArrived)] == ["R17"]


async def test_a_run_is_ended_without_a_result_and_one_that_is_not_at_work_is_refused(
    station, server
):
    await load(station, server)
    server.switch("holding", True)
    start(station, 14)
    await station.until(lambda: seen(station).work in ("running", "part free"))
    assert "that run is not at work" in await refused(
        station, AbortRun(order=3, station="pulse-1", run_id="R15")
    )
    station.adapter.give(AbortRun(order=4, station="pulse-1", run_id="R14"))
    await shows(station, work="aborted")
    await acknowledge(station, 14)
    assert station.of(ResultArrived) == []


async def test_a_fault_is_shown_and_cleared(station, server):
    server.switch("faulty", True)
    await shows(station, mode="fault")
    station.adapter.give(ClearFault(order=4, station="pulse-1"))
    await shows(station, mode="automatic")


async def test_a_result_that_came_while_the_link_was_down_is_fetched(station, server):
    await load(station, server)
    start(station, 15)
    await station.until(lambda: seen(station).work in ("running", "part free"))
    server.freeze()
    await station.until(lambda: seen(station).link == "down", 6)
    server.thaw()
    await station.until(lambda: station.of(ResultArrived), 15)
    assert station.last(ResultArrived).run_id == "R15"
    await acknowledge(station, 15)


async def test_a_station_whose_faults_are_cleared_there_says_so_and_is_used(server, watch, shipped):
    with server.without(*(f"Station/{name}Reset" for name in ("Req", "Ack", "Nak"))):
        adapter = StationAdapter("pulse-1", server.url, shipped("pulse-handshake"), WIRING)
        watcher = watch(adapter)
        await shows(watcher, mode="automatic")
        said = "faults are cleared at the station"
        assert sorted(adapter.report().without) == [
            ("ack_reset", said), ("nak_reset", said), ("req_reset", said),
        ]  # fmt: skip
        watcher.adapter.give(ClearFault(order=4, station="pulse-1"))
        await watcher.until(lambda: watcher.of(OrderAnswered))
        assert watcher.last(OrderAnswered).outcome == "done"
        await door(watcher, "open")
        await door(watcher, "closed")

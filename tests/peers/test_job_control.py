"""The shipped profile of job control against a station on another stack, with the official nodesets."""

import contextlib

import pytest

from supervisor.core.commands import AbortRun, AcknowledgeResult
from supervisor.core.events import OrderAnswered, ResultArrived, StationObserved
from supervisor.stations.adapter import Wiring
from supervisor.stations.connection import LinkOptions
from supervisor.stations.station import StationAdapter
from tests.peers.steps import acknowledge, bring_in, door, start

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

WIRING = Wiring(options=LinkOptions(interval_ms=20))


def seen(watcher):
    return watcher.last(StationObserved)


@pytest.fixture
def server(peer):
    station = peer("job_station.js")
    yield station
    station.thaw()
    station.switch("faulty", False)
    station.switch("occupied", False)
    station.switch("holding", False)


@pytest.fixture
async def station(server, watch, shipped):
    watcher = watch(StationAdapter("job-1", server.url, shipped("job-control"), WIRING))
    await watcher.until(lambda: seen(watcher).mode == "automatic", 20)
    return watcher


async def test_a_whole_visit_by_the_shipped_profile(station, server):
    await bring_in(station, server)
    start(station, 11)
    await station.until(lambda: seen(station).work == "finished")
    shown, result = seen(station), station.last(ResultArrived)
    await acknowledge(station, 11)

    assert (shown.run_id, shown.program) == ("R11", "P-17")
    assert result.run_id == "R11"
    assert [(v.number, v.value, v.unit, v.quality) for v in result.values] == [
        ("1", 25.0104, "mm", "good"),
        ("2", 0.0031, "mm", "good"),
    ]
    assert station.of(OrderAnswered) == []
    assert seen(station).run_id == ""


async def test_a_job_that_the_station_will_not_take_is_refused(station):
    start(station, 12)  # nothing is in the nest
    await station.until(lambda: station.of(OrderAnswered))
    answer = station.last(OrderAnswered)
    assert (answer.outcome, answer.why) == ("refused", "status 8")
    assert seen(station).work == "idle"


async def test_the_station_itself_refuses_a_start_while_its_door_is_open(station, server):
    await bring_in(station, server)
    await door(station, "open")
    start(station, 16)
    await station.until(lambda: station.of(OrderAnswered))
    assert (station.last(OrderAnswered).outcome, station.last(OrderAnswered).why) == ("refused", "status 8")  # fmt: skip
    await door(station, "closed")


async def test_a_run_is_ended_and_a_job_that_is_unknown_is_refused(station, server):
    await bring_in(station, server)
    server.switch("holding", True)
    start(station, 13)
    await station.until(lambda: seen(station).work == "running")
    station.adapter.give(AbortRun(order=3, station="job-1", run_id="R13"))
    await station.until(lambda: seen(station).work == "aborted")
    await acknowledge(station, 13)
    station.adapter.give(AbortRun(order=4, station="job-1", run_id="R13"))
    await station.until(lambda: station.of(OrderAnswered))
    assert (station.last(OrderAnswered).order, station.last(OrderAnswered).outcome) == (
        4,
        "refused",
    )


async def test_the_station_can_show_which_order_and_run_each_request_comes_from(station, server):
    server.switch("heard", [])
    await bring_in(station, server)
    start(station, 15)
    await station.until(lambda: station.of(ResultArrived))
    await acknowledge(station, 15)
    heard = [tuple(one) for one in server.ask("heard")]
    assert heard == [
        ("WriteRequest", "order 1"),
        ("WriteRequest", "order 1"),
        ("CallRequest", "order 15, run R15"),
        ("CallRequest", None),  # a question for the result belongs to no order
        ("CallRequest", "order 2, run R15"),
    ]


@pytest.mark.hazard(5)
async def test_a_start_that_comes_twice_is_one_job(station, server):
    await bring_in(station, server)
    start(station, 14)
    start(station, 14)
    await station.until(lambda: seen(station).work == "finished")
    start(station, 14)
    await acknowledge(station, 14)
    assert len(station.of(ResultArrived)) == 1
    assert station.of(OrderAnswered) == []


RECEIVER = "Station/MachineryBuildingBlocks/JobManagement/JobOrderControl"


@pytest.fixture
async def without(server, watch, shipped):
    """A link to the station as one that has not these methods; what is then said of them."""
    hidden = contextlib.ExitStack()

    async def linked(*methods):
        hidden.enter_context(server.without(*(f"{RECEIVER}/{method}" for method in methods)))
        watcher = watch(StationAdapter("job-1", server.url, shipped("job-control"), WIRING))
        await watcher.until(lambda: seen(watcher).link in ("up", "down"), 20)
        return watcher

    with hidden:
        yield linked


@pytest.mark.hazard(5)
async def test_a_station_that_cannot_store_and_start_at_once_stores_and_starts_once(without, server):  # fmt: skip
    station = await without("StoreAndStart")
    assert [node for node, _ in station.adapter.report().without] == ["store_and_start"]
    await bring_in(station, server)
    before = server.ask("starts") or 0
    start(station, 41)
    start(station, 41)
    await station.until(lambda: seen(station).work == "finished")
    await acknowledge(station, 41)
    assert len(station.of(ResultArrived)) == 1
    assert server.ask("starts") == before + 1
    assert station.of(OrderAnswered) == []


@pytest.mark.hazard(5)
async def test_a_job_that_was_stored_and_whose_start_was_lost_is_started_when_it_is_ordered_again(without, server):  # fmt: skip
    station = await without("StoreAndStart")
    await door(station, "open")
    start(station, 42)  # it is stored, and not allowed to start: the nest is empty
    await station.until(lambda: station.of(OrderAnswered))
    assert station.last(OrderAnswered).why == "step 2: status 8"
    server.switch("occupied", True)
    await station.until(lambda: seen(station).nest == "occupied")
    await door(station, "closed")
    start(station, 42)
    await station.until(lambda: seen(station).work == "finished")
    await acknowledge(station, 42)


async def test_a_station_that_can_neither_abort_nor_clear_is_used_and_its_newest_job_counts(without, server):  # fmt: skip
    station = await without("Abort", "Clear", "Store", "Start")
    await bring_in(station, server)
    for run_no in (43, 44):
        start(station, run_no)
        await station.until(lambda run_no=run_no: (seen(station).work, seen(station).run_id) == ("finished", f"R{run_no}"))  # fmt: skip
        station.adapter.give(AcknowledgeResult(order=2, station="job-1", run_id=f"R{run_no}"))
        await station.until(lambda: station.of(OrderAnswered))
        assert station.last(OrderAnswered).outcome == "done"
        assert seen(station).work == "finished"
    assert [result.run_id for result in station.of(ResultArrived)] == ["R43", "R44"]
    assert sorted(node for node, _ in station.adapter.report().without) == ["abort", "clear", "start", "store"]  # fmt: skip
    server.switch("jobs", [])


async def test_a_station_that_can_start_no_job_keeps_the_link_down_and_says_what_it_lacks(without):
    station = await without("StoreAndStart", "Start")
    await station.until(lambda: seen(station).link == "down", 20)
    assert "for the order start expected the nodes store_and_start, or store and start" in station.adapter.report().why  # fmt: skip


async def test_a_machine_that_is_out_of_service_is_in_fault(station, server):
    server.switch("faulty", True)
    await station.until(lambda: seen(station).mode == "fault")
    server.switch("faulty", False)
    await station.until(lambda: seen(station).mode == "automatic")


@pytest.mark.parametrize("frozen_s", [6.0])
async def test_a_frozen_server_is_noticed_and_delivers_again_after_it_goes_on(
    station, server, frozen_s
):
    server.freeze()
    await station.until(lambda: seen(station).link == "down", frozen_s)
    server.thaw()
    await station.until(lambda: seen(station).link == "up", 10)
    server.switch("occupied", True)
    await station.until(lambda: seen(station).nest == "occupied")


async def test_a_profile_for_other_types_keeps_the_link_down(server, watch, shipped):
    changes = {("orders", "start", "ways", 0, "arguments", 0, "members", "JobOrderID", "type"): "Int32",
               ("orders", "start", "ways", 0, "arguments", 0, "members", "JobOrderID", "field"): "run_no"}  # fmt: skip
    watcher = watch(StationAdapter("job-1", server.url, shipped("job-control", changes), WIRING))
    await watcher.until(lambda: seen(watcher).link == "down", 20)
    assert (
        "field JobOrderID: expected the data type Int32, found String"
        in watcher.adapter.report().why
    )


async def test_browsing_it_proposes_a_profile_that_drives_it(server, proposed, watch):
    with server.without("Station/Door/IsOccupied", f"{RECEIVER}/Clear"):
        _, text, mine = await proposed(server)
    assert (mine.extends, mine.root) == ("job-control", "site:Station")
    assert (
        '# occupied: {path: "?", type: Boolean}' in text
    )  # what is the site's own it has to say itself
    assert "# It has no clear: " in text
    watcher = watch(StationAdapter("job-1", server.url, mine, WIRING))
    await watcher.until(lambda: seen(watcher).mode == "automatic", 20)

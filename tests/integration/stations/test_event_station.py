"""Facets and results from events: latched, ended, and asked for after an outage."""

import pytest

from supervisor.core.commands import AbortRun, AcknowledgeResult, StartRun
from supervisor.core.events import OrderAnswered, ResultArrived, StationObserved
from supervisor.stations.adapter import Wiring
from supervisor.stations.connection import LinkOptions
from supervisor.stations.station import StationAdapter

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

WIRING = Wiring(options=LinkOptions(interval_ms=20))


def seen(watcher):
    return watcher.last(StationObserved)


def start(run_no):
    return StartRun(
        order=run_no, station="e-1", run_id=f"R{run_no}", run_no=run_no, program="p", name="p", number=1,
        revision="A", part_type="cam-ring", serial="S1", pallet="g",
    )  # fmt: skip


def acknowledge(run_no):
    return AcknowledgeResult(order=900 + run_no, station="e-1", run_id=f"R{run_no}")


@pytest.fixture
def server(eventful):
    eventful.do("forget")
    eventful.do("busy", value=0)
    eventful.do("refuse", value=False)
    return eventful


@pytest.fixture
async def station(server, watch, event_profile):
    watcher = watch(StationAdapter("e-1", server.url, event_profile(), WIRING))
    await watcher.until(lambda: seen(watcher).work == "idle", 20)
    return watcher


async def test_a_run_is_followed_by_its_events_and_its_result_is_taken_from_one(station, server):
    station.adapter.give(start(1))
    await station.until(lambda: seen(station).work == "running")
    assert seen(station).run_id == ""  # this station says which run it was only with the result
    server.do("finish", run="R1")
    await station.until(lambda: seen(station).work == "finished")
    result = station.last(ResultArrived)
    assert (result.run_id, [(v.number, v.value, v.unit) for v in result.values]) == (
        "R1",
        [("10", 25.0104, "mm"), ("20", 0.0031, "mm")],
    )
    station.adapter.give(acknowledge(1))
    await station.until(lambda: seen(station).work == "idle")
    assert seen(station).run_id == ""
    assert len(station.of(ResultArrived)) == 1
    assert [a.outcome for a in station.of(OrderAnswered)] == ["done"]


async def test_of_several_events_in_one_message_the_last_holds(station, server):
    server.do("at once", run="R2")
    await station.until(lambda: seen(station).work == "finished")
    assert seen(station).run_id == "R2"


async def test_an_event_that_its_condition_rules_out_changes_nothing(station, server):
    server.do("begin", run="R3")
    await station.until(lambda: seen(station).work == "running")
    server.do("finish", run="R3", state=2)  # a part of a result, which the profile does not want
    server.do("finish", run="R3", state=3)
    await station.until(lambda: seen(station).work == "aborted")
    assert [one.work for one in station.of(StationObserved)][-2:] == ["running", "aborted"]


async def test_a_level_or_an_order_ends_a_latch(station, server):
    server.do("begin", run="R4")
    await station.until(lambda: seen(station).work == "running")
    server.do("busy", value=9)
    await station.until(lambda: seen(station).work == "idle")
    server.do("busy", value=0)
    server.do("begin", run="R5")
    await station.until(lambda: seen(station).work == "running")
    station.adapter.give(AbortRun(order=5, station="e-1", run_id="R5"))
    await station.until(lambda: seen(station).work == "idle")


async def test_events_of_an_outage_are_lost_and_what_they_said_is_asked(
    server, watch, event_profile, through_proxy
):
    proxy = await through_proxy(server.url)
    watcher = watch(StationAdapter("e-1", proxy.url, event_profile(), WIRING))
    await watcher.until(lambda: seen(watcher).work == "idle", 20)
    watcher.adapter.give(start(6))
    await watcher.until(lambda: seen(watcher).work == "running")
    await proxy.stop()
    await watcher.until(lambda: seen(watcher).link == "down")
    server.do("finish", run="R6")  # nobody hears it
    await proxy.listen()
    await watcher.until(lambda: seen(watcher).work == "finished", 20)
    assert watcher.last(ResultArrived).run_id == "R6"


async def test_a_run_that_began_unheard_is_asked_for_as_a_level(server, watch, event_profile):
    server.do("begin", run="R7")
    watcher = watch(StationAdapter("e-1", server.url, event_profile(), WIRING))
    await watcher.until(lambda: seen(watcher).link == "up", 20)
    first = next(one for one in watcher.of(StationObserved) if one.link == "up")
    assert first.work == "running"


async def test_an_answer_counts_only_while_the_nodes_say_so(server, watch, event_profile):
    server.do("finish", run="R8")
    server.do("busy", value=1)
    watcher = watch(StationAdapter("e-1", server.url, event_profile(), WIRING))
    await watcher.until(lambda: seen(watcher).link == "up", 20)
    assert (seen(watcher).work, seen(watcher).run_id) == ("idle", "")


async def test_a_world_that_gives_no_answer_keeps_the_link_down(server, watch, event_profile):
    server.do("refuse", value=True)
    watcher = watch(StationAdapter("e-1", server.url, event_profile(), WIRING))
    await watcher.until(lambda: "cannot be asked" in watcher.adapter.report().why, 20)
    assert seen(watcher).link == "down"
    assert "event finished" in watcher.adapter.report().why
    server.do("refuse", value=False)
    await watcher.until(lambda: seen(watcher).link == "up", 20)


@pytest.mark.hazard(5)
async def test_a_run_that_is_over_is_not_started_again_once_the_world_was_asked(station, server):
    server.do("finish", run="R9")
    await station.until(lambda: seen(station).work == "finished")
    station.adapter.give(acknowledge(9))  # nothing is latched any more
    await station.until(lambda: seen(station).work == "idle")
    starts = await server.read("Starts")
    station.adapter.give(start(9))
    station.adapter.give(acknowledge(10))
    await station.until(lambda: station.last(OrderAnswered).order == 910)
    assert await server.read("Starts") == starts


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({("events", "begun", "type"): "e:Nothing"}, "BaseEventType/e:Nothing"),
        ({("events", "begun", "fields", "run_begun", "path"): "e:Walk"}, "field run_begun (Walk)"),
        ({("events", "begun", "fields", "run_begun", "type"): "Int32",
          ("events", "begun", "after_outage", "levels", "run_begun"): "busy"}, "expected the data type Int32, found String"),
        ({("events", "begun", "type"): "e;i=4242"}, "field run_begun (Run)"),
    ],
)  # fmt: skip
async def test_an_event_that_the_server_has_not_keeps_the_link_down(
    server, watch, event_profile, changes, why
):
    watcher = watch(StationAdapter("e-1", server.url, event_profile(changes), WIRING))
    await watcher.until(lambda: why in watcher.adapter.report().why, 20)


async def test_an_object_that_gives_no_events_is_named(server, watch, event_profile):
    changes = {
        ("nodes", "quiet"): {"path": "e:Quiet", "type": "Object"},
        ("events", "begun", "source"): "quiet",
        ("events", "finished", "source"): "quiet",
    }
    watcher = watch(StationAdapter("e-1", server.url, event_profile(changes), WIRING))
    await watcher.until(lambda: "events cannot be watched" in watcher.adapter.report().why, 20)

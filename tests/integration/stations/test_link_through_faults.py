"""A link through what networks and servers do to it: it notices, says why, and comes back with the present image."""

import asyncio
import time

import pytest
from asyncua import ua

from supervisor.core.commands import ClearFault, SetDoor
from supervisor.core.events import HandlerObserved, OrderAnswered, StationObserved
from supervisor.stations.handler import HandlerAdapter
from supervisor.stations.security import NoSecurity
from supervisor.stations.station import StationAdapter
from supervisor.stations.wire import Session

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

NOTICED_S_MAX = 2.0  # silence of 1.5 s plus one tick, and the test machine's own delays
BACK_S_MAX = 4.0  # the longest pause between two attempts is 2 s


def link_of(watcher):
    return watcher.last(StationObserved).link


async def test_a_cut_is_noticed_at_once_and_the_link_comes_back(
    machines, through_proxy, watch, shipped, wiring
):
    proxy = await through_proxy(machines.urls["scan-1"])
    station = watch(StationAdapter("scan-1", proxy.url, shipped("scan-methods"), wiring))
    await station.until(lambda: link_of(station) == "up")
    before = station.last(StationObserved)

    proxy.cut("reset")
    down = await station.until(
        lambda: link_of(station) == "down" and station.last(StationObserved), 0.5
    )
    await station.until(lambda: link_of(station) == "up", BACK_S_MAX)

    assert (down.mode, down.door, down.nest, down.work, down.counter) == ("unknown",) * 4 + (-1,)
    assert station.last(StationObserved) == before
    assert proxy.connections == 6  # each time a knock, one for monitoring, one for orders


@pytest.mark.hazard(29, 39)
async def test_a_silent_network_is_noticed_by_the_age_of_the_last_message(
    machines, through_proxy, watch, shipped, wiring
):
    proxy = await through_proxy(machines.urls["handler"])
    handler = watch(
        HandlerAdapter("handler", proxy.url, shipped("handler-orders"), jaws=2, wiring=wiring)
    )
    await handler.until(lambda: handler.last(HandlerObserved).link == "up")

    proxy.swallow()
    down = await handler.until(
        lambda: handler.last(HandlerObserved).link == "down" and handler.last(HandlerObserved),
        NOTICED_S_MAX,
    )
    assert (down.inside, down.phase, down.jaws) == ("unknown", "unknown", ("unknown", "unknown"))
    assert handler.adapter.report().why == "nothing was heard for 1.5 s"

    proxy.free()
    proxy.cut("reset")
    await handler.until(lambda: handler.last(HandlerObserved).link == "up", 2 * BACK_S_MAX)
    assert handler.last(HandlerObserved).inside == ""


@pytest.mark.hazard(29)
async def test_a_frozen_server_is_noticed_and_read_anew_when_it_runs_again(
    strange, watch, strange_profile, wiring
):
    station = watch(StationAdapter("strange-1", strange.url, strange_profile(), wiring))
    await station.until(lambda: link_of(station) == "up")

    strange.freeze()
    await station.until(lambda: link_of(station) == "down", NOTICED_S_MAX)
    strange.thaw()
    await station.until(lambda: link_of(station) == "up", 2 * BACK_S_MAX)

    assert station.last(StationObserved).mode == "automatic"


@pytest.mark.hazard(18)
async def test_a_restart_with_other_namespace_indices_is_read_at_the_new_ones(
    machines, watch, shipped, wiring
):
    station = watch(
        StationAdapter("touch-1", machines.urls["touch-1"], shipped("touch-datablock"), wiring)
    )
    await station.until(lambda: link_of(station) == "up")
    before = station.last(StationObserved)

    machines.kill("touch-1")
    await station.until(lambda: link_of(station) == "down", NOTICED_S_MAX)
    machines.start("touch-1", shift=3)
    assert not machines.moved
    await station.until(lambda: link_of(station) == "up", BACK_S_MAX)

    after = station.last(StationObserved)
    assert after.boot > before.boot
    assert (after.mode, after.door) == ("automatic", "closed")


async def test_a_server_that_is_not_there_is_reported_down_once_and_tried_again(
    watch, shipped, wiring
):
    station = watch(
        StationAdapter("scan-1", "opc.tcp://127.0.0.1:9", shipped("scan-methods"), wiring)
    )

    await station.until(lambda: link_of(station) == "down")
    first = time.monotonic()
    await asyncio.sleep(1.0)  # several attempts

    assert len(station.events) == 1
    assert time.monotonic() - first >= 1.0
    assert station.adapter.report().why == "connection refused: nothing listens at the address"


async def test_a_server_that_accepts_and_says_nothing_is_given_up(
    machines, through_proxy, watch, shipped, wiring
):
    proxy = await through_proxy(machines.urls["scan-1"])
    proxy.swallow()
    station = watch(StationAdapter("scan-1", proxy.url, shipped("scan-methods"), wiring))

    await station.until(lambda: link_of(station) == "down")
    assert station.adapter.report().why == "no answer in time"

    proxy.free()
    await station.until(lambda: link_of(station) == "up")


async def test_a_goal_that_waits_is_forgotten_with_the_link_and_one_on_its_way_is_in_doubt(
    machines, through_proxy, watch, shipped, wiring
):
    proxy = await through_proxy(machines.urls["scan-1"])
    station = watch(StationAdapter("scan-1", proxy.url, shipped("scan-methods"), wiring))
    await station.until(lambda: link_of(station) == "up")

    proxy.swallow()
    station.adapter.give(SetDoor(order=1, station="scan-1", door="closed"))
    station.adapter.give(ClearFault(order=2, station="scan-1"))
    await station.until(lambda: link_of(station) == "down", NOTICED_S_MAX)
    proxy.free()
    proxy.cut("reset")
    await station.until(lambda: link_of(station) == "up", 2 * BACK_S_MAX)
    station.adapter.give(SetDoor(order=3, station="scan-1", door="closed"))
    await station.until(lambda: station.of(OrderAnswered))

    assert [(answer.order, answer.outcome) for answer in station.of(OrderAnswered)] == [
        (1, "unknown")
    ]


@pytest.mark.hazard(39)
async def test_every_connection_is_thrown_away_whole(
    machines, through_proxy, watch, shipped, wiring, open_files
):
    proxy = await through_proxy(machines.urls["scan-1"])
    station = watch(StationAdapter("scan-1", proxy.url, shipped("scan-methods"), wiring))
    await station.until(lambda: link_of(station) == "up")
    files, tasks = open_files(), len(asyncio.all_tasks())

    for _ in range(3):
        proxy.cut("reset")
        await station.until(lambda: link_of(station) == "down")
        await station.until(lambda: link_of(station) == "up", BACK_S_MAX)

    assert open_files() <= files
    assert len(asyncio.all_tasks()) <= tasks


# --- the process itself stands still ----------------------------------------------------------------------------------------------

SERVER = ua.NodeId(ua.ObjectIds.Server)
ITEMS = ua.NodeId(ua.ObjectIds.Server_GetMonitoredItems)


@pytest.mark.hazard(34)
async def test_an_answer_and_its_time_out_that_are_due_at_once_are_a_time_out(machines):
    """They were the cancelling of a task by nobody, which ended the supervisor after it had been frozen (seen in 2 of 18 freezes)."""
    session = Session(machines.urls["scan-1"], NoSecurity(), timeout_ms=10_000)
    await session.open()
    nothing = [ua.Variant(0, ua.VariantType.UInt32)]
    try:
        asyncio.get_running_loop().call_soon(
            time.sleep, 0.5
        )  # begins when the request is on its way
        with pytest.raises(TimeoutError):
            await session.ask(SERVER, ITEMS, nothing, 0.1)
        answer = await session.ask(SERVER, ITEMS, nothing, 5)
        assert not answer.StatusCode.is_good(), "it answers on, that there is no such subscription"
    finally:
        await session.close(1)

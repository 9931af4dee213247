"""What the servers owe a client besides a good visit: pushes, pulses, types, indices, restarts, and everything that can be thrown."""

import asyncio
import signal
import time
from datetime import UTC, datetime, timedelta

import pytest
from asyncua import Client, ua

pytestmark = pytest.mark.integration


class Notes:
    """Notifications as they come in."""

    def __init__(self):
        self.values = asyncio.Queue()

    def datachange_notification(self, node, _value, data):
        self.values.put_nowait((node, data.monitored_item.Value))


async def subscribed(station, paths):
    notes = Notes()
    subscription = await station.client.create_subscription(0, notes)
    nodes = [await station.node(path) for path in paths]
    await subscription.subscribe_data_change(nodes)
    for _ in paths:
        await asyncio.wait_for(notes.values.get(), 5)
    return notes


# --- values ---


async def test_changes_are_pushed_with_the_time_at_their_source(connect):
    async with connect("scan-1") as scan:
        notes = await subscribed(scan, ["Door/State"])
        await scan.call("Door/Open")
        seen = []
        while not seen or seen[-1][0] != 3:
            _, value = await asyncio.wait_for(notes.values.get(), 5)
            seen.append((value.Value.Value, value.SourceTimestamp))
        assert [value for value, _ in seen] == [2, 3]
        # 3500 ms of cell time at speed 200 are 17.5 ms; a busy machine tells the first of them late
        assert timedelta(0) < seen[1][1] - seen[0][1] < timedelta(milliseconds=500)
        assert abs(datetime.now(UTC) - seen[1][1].replace(tzinfo=UTC)) < timedelta(seconds=5)
        await scan.call("Door/Close")
        await scan.until("Door/State", 1)


async def test_what_a_station_shows_cannot_be_written(connect):
    async with connect("touch-1") as touch:
        with pytest.raises(ua.uaerrors.BadUserAccessDenied):
            await touch.put("StatusWord", 0xFFFF, ua.VariantType.UInt16)


async def test_a_command_of_the_wrong_type_is_refused(connect):
    async with connect("touch-1") as touch:
        with pytest.raises(ua.uaerrors.BadTypeMismatch):
            await touch.put("RunRequest", 5, ua.VariantType.Int64)


@pytest.mark.parametrize(
    ("arguments", "error"),
    [
        (["R1"], ua.uaerrors.BadArgumentsMissing),
        (["R1", "1", "P", "more"], ua.uaerrors.BadTooManyArguments),
        (["R1", ua.Variant(1, ua.VariantType.Int32), "P"], ua.uaerrors.BadInvalidArgument),
    ],
)
async def test_a_method_checks_its_arguments(connect, arguments, error):
    async with connect("scan-1") as scan:
        with pytest.raises(error):
            await scan.call("Start", *arguments)


async def test_the_heartbeat_toggles_about_each_second(connect):
    async with connect("touch-1") as touch:
        notes = await subscribed(touch, ["StatusWord"])
        times = []
        while len(times) < 3:
            await asyncio.wait_for(notes.values.get(), 5)
            times.append(time.monotonic())
        assert 0.8 < times[2] - times[1] < 1.3


async def test_no_pulse_is_missed_however_short(connect):
    async with connect("ct-1") as ct:
        request = await ct.node("ReqOpenDoor")
        for level in (True, False):
            await request.write_value(ua.DataValue(ua.Variant(level, ua.VariantType.Boolean)))
        await ct.until("Door", "OPEN")
        await ct.pulse("CloseDoor")
        await ct.until("Door", "CLOSED")


async def test_a_pulse_is_executed_once_while_it_stands(connect):
    async with connect("ct-1") as ct:
        for _ in range(3):
            await ct.put("ReqReset", True, ua.VariantType.Boolean)
        await ct.until("AckReset", True)
        await ct.put("ReqReset", False, ua.VariantType.Boolean)
        await ct.until("AckReset", False)


# --- indices ---


async def test_indices_differ_and_old_ones_lead_to_other_nodes(connect):
    async with connect("ct-1") as ct, connect("touch-1") as touch:
        assert (touch.index, ct.index) == (2, 3)
        ours = await ct.node("Stage")
        other = ct.client.get_node(ua.NodeId(ours.nodeid.Identifier, ct.index - 1))
        assert (await other.read_data_type()) == (await ours.read_data_type())
        assert (await other.read_browse_name()).Name != "Stage"


# --- what can be thrown ---


async def test_a_machine_in_manual_refuses_and_says_so(connect):
    async with connect("scan-1") as scan:
        await scan.throw("Manual", True)
        await scan.until("Mode", "MANUAL")
        assert await scan.call("Door/Open") == [1, "in manual mode"]
        await scan.throw("Manual", False)
        await scan.until("Mode", "AUTO")


async def test_a_fault_is_cleared_over_the_wire_and_the_switch_reads_so(connect):
    async with connect("ct-1") as ct:
        await ct.throw("Fault", True)
        await ct.until("Mode", 3)
        assert await ct.pulse("OpenDoor") == (False, "in fault mode")
        await ct.pulse("Reset")
        await ct.until("Mode", 2)
        fault = await ct.bench.get_child([f"{ct.bench.nodeid.NamespaceIndex}:Fault"])
        assert await fault.read_value() is False


async def test_a_fault_of_the_data_block_is_cleared_by_a_rising_edge(connect):
    async with connect("touch-1") as touch:
        await touch.throw("Fault", True)
        await touch.until_bits({0: 0, 1: 1})
        await touch.put("FaultAck", True, ua.VariantType.Boolean)
        await touch.until_bits({0: 1, 1: 0})
        await touch.put("FaultAck", False, ua.VariantType.Boolean)


async def test_a_jammed_door_moves_until_it_is_freed(connect):
    async with connect("scan-1") as scan:
        await scan.throw("DoorJam", True)
        await scan.call("Door/Open")
        await asyncio.sleep(0.1)  # five times what the way takes at this speed
        assert await scan.get("Door/State") == 2
        await scan.throw("DoorJam", False)
        await scan.until("Door/State", 3)
        await scan.call("Door/Close")
        await scan.until("Door/State", 1)


async def test_a_bad_sensor_shows_bad_quality_and_no_value(connect):
    async with connect("scan-1") as scan:
        await scan.throw("BadQuality", True)
        node = await scan.node("Door/State")
        limit = time.monotonic() + 5
        while (await node.read_data_value(raise_on_bad_status=False)).StatusCode.is_good():
            assert time.monotonic() < limit
        value = await node.read_data_value(raise_on_bad_status=False)
        assert (value.StatusCode.name, value.Value.Value) == ("BadSensorFailure", None)
        await scan.throw("BadQuality", False)
        await scan.until("Door/State", 1)


async def test_a_station_goes_offline_and_comes_back_without_having_restarted(connect, cell):
    async with connect("scan-1") as scan:
        before = await scan.client.nodes.server.get_child(["0:ServerStatus", "0:StartTime"])
        started = await before.read_value()
        await scan.throw("Offline", 0.3, ua.VariantType.Double)
    await asyncio.sleep(0.1)
    with pytest.raises((OSError, TimeoutError, ConnectionError, asyncio.TimeoutError)):
        await Client(cell.urls["scan-1"], timeout=0.1).connect()
    await asyncio.sleep(0.5)
    async with connect("scan-1") as scan:
        again = await scan.client.nodes.server.get_child(["0:ServerStatus", "0:StartTime"])
        assert await again.read_value() == started


async def test_a_late_answer_belongs_to_an_executed_order(connect):
    async with connect("scan-1") as scan:
        await scan.throw("AnswerDelay", 0.5, ua.VariantType.Double)
        call = asyncio.create_task(scan.call("Door/Open"))
        async with connect("scan-1") as watcher:
            await watcher.until("Door/State", 3, timeout_s=0.4)
        assert not call.done()
        assert await call == [0, ""]
        await scan.throw("AnswerDelay", 0.0, ua.VariantType.Double)
        await scan.call("Door/Close")
        await scan.until("Door/State", 1)


async def test_a_switch_can_be_thrown_from_outside_by_a_json_line(connect, cell):
    async with connect("handler") as handler:
        cell.order(station="handler", switch="Manual", value=True)
        assert cell.hear() == {"thrown": "Manual", "station": "handler"}
        await handler.until("Mode", 1)
        cell.order(station="handler", switch="Manual", value=False)
        assert cell.hear() == {"thrown": "Manual", "station": "handler"}
        await handler.until("Mode", 2)


async def test_a_switch_that_is_a_pulse_reads_false_again(connect):
    async with connect("scan-1") as scan:
        await scan.throw("SpoilResult", True)
        switch = await scan.bench.get_child([f"{scan.bench.nodeid.NamespaceIndex}:SpoilResult"])
        limit = time.monotonic() + 5
        while await switch.read_value():
            assert time.monotonic() < limit


async def test_a_reader_says_what_the_bench_wants_it_to_say_once(connect):
    async with connect("rack") as rack:
        await rack.throw("NextRead", "several tags", ua.VariantType.String)
        assert (await rack.call("ReadTag", "out-ok-1"))[:2] == [2, b""]
        assert (await rack.call("ReadTag", "out-ok-1"))[0] == 1
        assert (await rack.call("ReadTag", "rack-99"))[0] == 3


# --- violations ---


async def test_a_collision_fails_the_order_and_is_on_record(connect, cell, hands):
    async with connect("handler") as handler:
        before = len(cell.violations())
        phase = await hands(handler).move("put", "scan-1", 0, 2)
        order = await handler.get("OrderId")
        assert (phase, await handler.get("Inside")) == (4, "")
        recorded = cell.violations()[before:]
    assert [(entry["who"], entry["text"]) for entry in recorded] == [
        ("handler", f"order {order} enters scan-1, but the door of scan-1 is not fully open")
    ]


async def test_a_start_with_the_door_open_is_refused_and_on_record(connect, cell):
    async with connect("scan-1") as scan:
        before = len(cell.violations())
        await scan.call("Prepare", "BODY-SKIN", "A")
        await scan.call("Door/Open")
        await scan.until("Door/State", 3)
        await scan.until("Work/State", 1)
        assert (await scan.call("Start", "R77", "6789", "BODY-SKIN"))[0] == 1
        assert cell.violations()[before]["text"] == "told to start 'R77' while the door is open"
        await scan.call("Door/Close")
        await scan.until("Door/State", 1)


async def test_an_order_that_is_known_is_not_executed_again(connect, hands):
    async with connect("handler") as handler:
        await hands(handler).move("approach", "rack-01")
        order = ua.Variant(hands.order, ua.VariantType.UInt32)
        jaw = ua.Variant(0, ua.VariantType.Byte)
        assert (await handler.call("Execute", order, "approach", "out-ok-1", jaw, jaw))[0] == 2
        assert await handler.get("At") == "rack-01"


# --- processes ---


async def test_a_killed_station_comes_back_anew_at_its_address_with_other_indices(cell, connect):
    async with connect("ct-1") as ct:
        url = cell.urls["ct-1"]
        start = await ct.client.nodes.server.get_child(["0:ServerStatus", "0:StartTime"])
        started = await start.read_value()
        cell.order(station="ct-1", do="kill")
    assert cell.hear() == {"ended": "ct-1", "code": -9}
    cell.order(station="ct-1", do="start", shift=3)
    assert cell.hear() == {"ready": "ct-1", "url": url}
    async with connect("ct-1") as ct:
        assert ct.index == 5
        again = await ct.client.nodes.server.get_child(["0:ServerStatus", "0:StartTime"])
        assert await again.read_value() > started


def test_children_die_with_a_launcher_that_was_killed(launch, dead):
    cell = launch()
    children = cell.children()
    assert len(children) == 5
    cell.end(signal.SIGKILL)
    limit = time.monotonic() + 5
    while not all(map(dead, children)):
        assert time.monotonic() < limit
        time.sleep(0.01)

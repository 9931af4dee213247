"""A station that is strange on purpose is driven through whole visits by a profile file alone."""

import asyncio

import pytest
from asyncua import ua

from supervisor.core.commands import AbortRun, AcknowledgeResult, SetDoor, StartRun
from supervisor.core.events import OrderAnswered, ResultArrived, StationObserved
from supervisor.stations.adapter import Wiring
from supervisor.stations.connection import LinkOptions
from supervisor.stations.station import StationAdapter
from tests.integration.patience import patient

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

T = ua.VariantType

QUERY = {
    "form": "document",
    "call": {
        "node": "give",
        "arguments": [{"type": "UInt32", "field": "run_no"}],
        "output": 1,
        "status": 2,
        "accepted": [0],
        "limit_s": 2,
    },
    "rows": "Content",
    "run": "About.Run",
    "columns": {"number": "Label", "value": "Reading", "quality": "Fine"},
    "unit": "mm",
    "qualities": {"true": "good", "false": "uncertain"},
}
FILE = {
    "form": "json",
    "node": "last",
    "rows": "rows",
    "run": "head.run",
    "columns": {"number": "no", "value": "v", "quality": "q"},
    "unit": "mm",
    "qualities": {"1": "good", "0": "uncertain"},
}


@pytest.fixture
async def operator(odd_station):
    """A plain client that plays the person at the station."""
    async with patient(odd_station["url"]) as client:
        yield Operator(client, odd_station["index"])


class Operator:
    def __init__(self, client, index):
        self.client, self.index = client, index

    async def node(self, name):
        return await self.client.nodes.objects.get_child(
            [f"{self.index}:Odd", f"{self.index}:{name}"]
        )

    async def write(self, name, value, kind):
        await (await self.node(name)).write_value(value, kind)

    async def read(self, name):
        return await (await self.node(name)).read_value()


@pytest.fixture
async def station(odd_station, watch, odd_profile):
    async def connected(changes=None):
        wiring = Wiring(options=LinkOptions(interval_ms=20))
        watcher = watch(StationAdapter("odd-1", odd_station["url"], odd_profile(changes), wiring))
        await watcher.until(lambda: seen(watcher).mode == "automatic")
        return watcher

    return connected


def seen(watcher):
    return watcher.last(StationObserved)


def start(run_no):
    return StartRun(
        order=run_no, station="odd-1", run_id=f"R{run_no}", run_no=run_no, program="p", name="P", number=1,
        revision="A", part_type="t", serial=f"S{run_no}", pallet="g",
    )  # fmt: skip


async def visit(watcher, operator, run_no):
    """Open, load, close, measure, acknowledge; the result."""
    for door, present in (("open", True), ("closed", True)):
        watcher.adapter.give(SetDoor(order=1, station="odd-1", door=door))
        await watcher.until(lambda door=door: seen(watcher).door == door)
        await operator.write("Present", present, T.Boolean)
    await watcher.until(lambda: seen(watcher).nest == "occupied")
    watcher.adapter.give(start(run_no))
    result = await watcher.until(lambda: watcher.of(ResultArrived) and watcher.last(ResultArrived))
    await watcher.until(lambda: seen(watcher).work == "finished")
    watcher.adapter.give(AcknowledgeResult(order=2, station="odd-1", run_id=f"R{run_no}"))
    await watcher.until(lambda: seen(watcher).work == "idle")
    return result


@pytest.mark.parametrize(
    ("run_no", "results", "run_id", "serial"),
    [(411, None, "411", "S411"), (412, QUERY, "412", ""), (413, FILE, "R413", "")],
    ids=["csv in a string", "query with structures in variants", "file"],
)
async def test_a_whole_visit_is_driven_by_the_profile_alone(
    station, operator, run_no, results, run_id, serial
):
    watcher = await station(None if results is None else {("results",): results})
    result = await visit(watcher, operator, run_no)

    assert (result.run_id, result.serial) == (run_id, serial)
    assert [(v.number, v.value, v.unit, v.quality) for v in result.values] == [
        ("1", 25.0104, "mm", "good"),
        ("2", 0.0031, "mm", "uncertain"),
    ]
    assert watcher.of(OrderAnswered) == []
    doors = [event.door for event in watcher.of(StationObserved)]
    assert "open" in doors
    assert len(watcher.of(ResultArrived)) == 1


async def test_each_result_of_a_station_that_names_nothing_comes_with_the_time_of_its_making(
    station, operator
):
    """On the clock of what the station shows: after the start of its own run, and not after that of the next."""
    changes = {("results",): {**FILE, "run": None, "created": "head.made"}, ("echoes",): {}}
    watcher = await station(changes)
    shown_ms = []
    for run_no in (431, 432):
        shown_ms.append(seen(watcher).source_ms)
        await visit(watcher, operator, run_no)
    results = watcher.of(ResultArrived)
    assert [(one.run_id, one.serial, one.counter) for one in results] == [("", "", -1)] * 2
    first_ms, second_ms = (one.created_ms for one in results)
    assert shown_ms[0] < first_ms <= shown_ms[1] < second_ms
    assert len({one.result_id for one in results}) == 2


async def test_a_structure_an_array_and_variants_reach_the_method_and_its_output_is_checked(
    station, operator
):
    watcher = await station()
    watcher.adapter.give(AbortRun(order=5, station="odd-1", run_id="R77"))
    await watcher.until(lambda: seen(watcher).work == "aborted")
    await operator.write("Forget", 1077, T.UInt32)
    await watcher.until(lambda: seen(watcher).work == "idle")
    assert watcher.of(OrderAnswered) == []
    assert await operator.read("Report") == (
        '{"run": 77, "why": "asked for", "hard": false, "tags": ["a", "b"], "extras": [7, "R77"]}'
    )


async def test_an_output_that_is_not_what_it_must_be_leaves_the_order_in_doubt(station, operator):
    checks = [{"output": 1, "value": 78}]
    watcher = await station({("orders", "abort", "checks"): checks})
    watcher.adapter.give(AbortRun(order=6, station="odd-1", run_id="R77"))
    await watcher.until(lambda: watcher.of(OrderAnswered))
    answer = watcher.last(OrderAnswered)
    assert (answer.outcome, answer.why) == ("unknown", "output 1 of stop is 77, expected 78")
    await operator.write("Forget", 1078, T.UInt32)


async def test_a_bit_that_waits_for_its_echo_is_not_turned_again(station, operator):
    """Two turns would be two orders or none."""
    watcher = await station({("nodes", "start_taken", "path"): "o:Present"})
    before = await operator.read("Start")
    await operator.write("Present", not before, T.Boolean)
    watcher.adapter.give(start(499))
    await watcher.until(lambda: watcher.of(OrderAnswered))
    answer = watcher.last(OrderAnswered)
    assert answer.outcome == "failed"
    assert "an order is on its way; nothing was sent" in answer.why
    assert await operator.read("Start") == before


@pytest.mark.hazard(21)
async def test_two_door_switches_that_disagree_leave_the_door_unknown(station, operator):
    watcher = await station()
    await operator.write("SwitchShut", True, T.Boolean)
    await operator.write("SwitchOpen", True, T.Boolean)
    await watcher.until(lambda: seen(watcher).door == "unknown")
    await operator.write("SwitchOpen", False, T.Boolean)
    await watcher.until(lambda: seen(watcher).door == "closed")


@pytest.mark.hazard(20)
async def test_a_heartbeat_that_stands_still_leaves_nothing_known_and_the_link_up(
    station, operator
):
    watcher = await station()
    await operator.write("Beating", False, T.Boolean)
    await watcher.until(lambda: seen(watcher).mode == "unknown")
    still = seen(watcher)
    assert (still.link, still.door, still.nest, still.work) == (
        "up",
        "unknown",
        "unknown",
        "unknown",
    )
    await operator.write("Beating", True, T.Boolean)
    await watcher.until(lambda: seen(watcher).mode == "automatic")


@pytest.mark.hazard(20)
async def test_a_value_that_is_no_longer_written_is_unknown_although_it_did_not_change(
    station, operator
):
    powered = {"path": "o:Powered", "type": "Boolean"}
    facet = {"node": "powered", "truth": {True: "occupied", False: "empty"}, "age_s_max": 1}
    changes = {("heartbeat",): None, ("nodes", "powered"): powered, ("facets", "nest"): facet}
    watcher = await station(changes)
    await asyncio.sleep(1.5)  # longer than the value may be old: it is written again all the time
    assert {event.nest for event in watcher.of(StationObserved)} == {"occupied"}
    await operator.write("Beating", False, T.Boolean)
    await watcher.until(lambda: seen(watcher).nest == "unknown")
    await operator.write("Beating", True, T.Boolean)
    await watcher.until(lambda: seen(watcher).nest == "occupied")


async def test_a_field_of_an_array_of_structures_closes_the_gate(station, operator):
    watcher = await station()
    assert seen(watcher).gate == ""
    axes = await operator.node("Axes")
    await operator.client.load_data_type_definitions()
    try:
        content = await axes.read_value()
        content[1].State = 0
        await axes.write_value(content)
        await watcher.until(lambda: seen(watcher).gate == "an axis is not qualified")
    finally:
        content[1].State = 1
        await axes.write_value(content)


WRONG = [
    (("orders", "abort", "arguments", 0, "members", "Run", "type"), "Int32",
     "argument 1 (What), field Run: expected the data type Int32, found UInt32"),
    (("orders", "abort", "arguments", 0, "members"), {"Runs": {"type": "UInt32", "field": "run_no"}},
     "argument 1 (What): expected a structure with the field Runs, found the fields Run, Why, Hard"),
    (("facets", "gate", "pick", "field"), "1.Stat", "node axes: expected the field Stat in the station's structure, found Name, State"),
    (("nodes", "last", "path"), "o:Line", "node last (o:Line): expected a object, found Variable"),
]  # fmt: skip


@pytest.mark.parametrize(("path", "new", "why"), WRONG)
async def test_what_the_stations_types_do_not_have_keeps_the_link_down_and_is_named(
    odd_station, watch, odd_profile, path, new, why
):
    changes = {path: new}
    if path[1] == "last":
        changes[("results",)] = FILE
    watcher = watch(StationAdapter("odd-1", odd_station["url"], odd_profile(changes)))
    await watcher.until(lambda: seen(watcher).link == "down")
    assert why in watcher.adapter.report().why

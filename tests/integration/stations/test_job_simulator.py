"""The simulated tactile station as a geometric measuring system with job control and result transfer, driven by the shipped profile alone."""

import re
from pathlib import Path

import pytest
from asyncua import ua

from supervisor.core.commands import AbortRun
from supervisor.core.events import OrderAnswered, ResultArrived, StationObserved
from supervisor.stations.station import StationAdapter
from tests.integration.patience import patient
from tests.integration.stations.visiting import Hands, Visit

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

NAME = "touch-1"
PAGE = (Path(__file__).parents[3] / "docs/reference/simulators.md").read_text()


@pytest.fixture(scope="module")
def cell(open_dialects):
    hands = Hands(open_dialects.folder, NAME)
    yield open_dialects, hands
    hands.floor.close()


@pytest.fixture
async def empty(cell, watch, shipped, wiring):
    """A station in automatic with nothing in its nest."""
    station = Visit(
        watch(StationAdapter(NAME, cell[0].urls[NAME], shipped("gms"), wiring)), NAME, "J"
    )
    await station.until(lambda s: s.mode == "automatic", 30)
    return station


@pytest.fixture
async def visit(cell, empty):
    """A station with a pallet in the nest and its area taken back; afterwards the nest is empty again."""
    await empty.load(cell[1])
    yield empty
    await empty.until(lambda s: s.work == "idle")
    await empty.door("open")
    cell[1].remove()


async def test_a_visit_ends_with_a_result_of_the_job_and_of_every_characteristic(visit):
    assert visit.watcher.adapter.report().without == ()
    assert visit.watcher.last(StationObserved).gate == ""
    visit.start(1)
    running = await visit.until(lambda s: s.work == "running")
    assert (running.run_id, running.program) == ("J1", visit.program["name"])
    await visit.until(lambda s: s.work == "finished")
    await visit.watcher.until(lambda: visit.watcher.of(ResultArrived))
    result = visit.watcher.last(ResultArrived)
    assert result.run_id == "J1"
    assert [value.number for value in result.values] == visit.covers
    assert {value.unit for value in result.values} == {"mm"}
    assert all(value.quality == "good" and value.value is not None for value in result.values)
    await visit.acknowledge(1)
    assert visit.watcher.of(OrderAnswered) == []


async def test_a_run_is_ended_by_order(visit):
    visit.start(2)
    await visit.until(lambda s: s.work == "running")
    visit.give(AbortRun, run_id="J2")
    shown = await visit.until(lambda s: s.work == "aborted")
    assert shown.run_id == "J2"
    await visit.acknowledge(2)


async def test_a_spoilt_value_is_bad_and_no_number(visit, cell):
    cell[0].switch(NAME, "SpoilResult", True)
    visit.start(3)
    await visit.watcher.until(lambda: visit.watcher.of(ResultArrived))
    values = visit.watcher.last(ResultArrived).values
    assert (values[0].value, values[0].quality) == (None, "bad")
    await visit.acknowledge(3)


async def test_a_result_that_came_unheard_is_fetched_though_nobody_listened(
    visit, watch, shipped, wiring, through_proxy, cell
):
    proxy = await through_proxy(cell[0].urls[NAME])
    other = watch(StationAdapter(NAME, proxy.url, shipped("gms"), wiring))
    await other.until(lambda: other.last(StationObserved).link == "up", 20)
    visit.start(4)
    await other.until(lambda: other.last(StationObserved).work == "running")
    await proxy.stop()
    await other.until(lambda: other.last(StationObserved).link == "down")
    await visit.until(lambda s: s.work == "finished")
    await proxy.listen()
    await other.until(lambda: other.of(ResultArrived), 20)
    assert other.last(ResultArrived).run_id == "J4"
    await visit.acknowledge(4)


@pytest.mark.parametrize(
    ("switch", "value", "words"),
    [
        ("Calibrated", False, "its calibration is not valid"),
        ("Sensor", "Imprecise", "its sensor measures imprecisely"),
        ("Sensor", "NotQualified", "its sensor is not qualified"),
    ],
)
async def test_a_system_that_is_not_fit_to_measure_says_so(empty, cell, switch, value, words):
    cell[0].switch(NAME, switch, value)
    await empty.until(lambda s: s.gate == words)
    cell[0].switch(NAME, switch, {"Calibrated": True, "Sensor": "Qualified"}[switch])
    await empty.until(lambda s: s.gate == "")


async def test_a_job_that_cannot_start_is_refused_and_leaves_nothing_behind(empty):
    await empty.door("closed")
    empty.program = {"program": "p", "name": "nothing", "number": 1, "revision": "A", "part_type": "cam-ring"}  # fmt: skip
    empty.start(5)
    await empty.watcher.until(lambda: empty.watcher.of(OrderAnswered))
    answer = empty.watcher.last(OrderAnswered)
    assert (answer.outcome, answer.why) == ("refused", "status 16")
    assert empty.watcher.last(StationObserved).work == "idle"


async def test_the_station_itself_refuses_a_start_while_the_arm_may_enter(visit):
    await visit.door("open")
    visit.start(8)
    await visit.watcher.until(lambda: visit.watcher.of(OrderAnswered))
    answer = visit.watcher.last(OrderAnswered)
    assert (answer.outcome, answer.why) == ("refused", "status 16")
    assert visit.watcher.last(StationObserved).work == "idle"


async def test_the_mode_of_the_machine_is_seen(empty, cell):
    for switch, mode in (("Manual", "manual"), ("Fault", "fault")):
        cell[0].switch(NAME, switch, True)
        await empty.until(lambda s, mode=mode: s.mode == mode)
        cell[0].switch(NAME, switch, False)
        await empty.until(lambda s: s.mode == "automatic")


async def test_an_order_is_stored_started_later_and_cleared_and_each_has_its_state(visit, cell):
    """The orders that the profile leaves out, by a plain client: Store, Start, Cancel, and the responses."""
    async with patient(cell[0].urls[NAME]) as client:
        receiver = await Receiver.of(client)
        order, other = receiver.order("J6", visit), receiver.order("J7", visit)
        assert await receiver.ask("Store", order, []) == 1
        assert await receiver.ask("Store", order, []) == 8  # the order is there already
        assert await receiver.ask("Store", other, []) == 1
        assert await receiver.states() == {"J6": 1, "J7": 1}
        assert await receiver.ask("Cancel", "J7", []) == 1
        assert await receiver.ask("Start", "J7", []) == 2  # no such order
        assert await receiver.ask("Clear", "J6", []) == 8  # it has not ended
        assert await receiver.ask("Start", "J6", []) == 1
        assert await receiver.states() == {"J6": 3}
        await visit.until(lambda s: s.work == "finished")
        assert await receiver.states() == {"J6": 5}
        response, status = await receiver.response("J6")
        assert (response.JobOrderID, status) == ("J6", 1)
        assert [one.ID for one in response.JobResponseData] == visit.covers
        assert (await receiver.responses())[0].JobOrderID == "J6"
        assert await receiver.ask("Clear", "J6", []) == 1
        assert await receiver.states() == {}


class Receiver:
    """The job management of the station, as a plain client sees it."""

    def __init__(self, client, control, results, prefix) -> None:
        self.client = client
        self.control = control
        self.results = results
        self.prefix = prefix

    @classmethod
    async def of(cls, client):
        await client.load_data_type_definitions()
        index = {
            prefix: await client.get_namespace_index(uri)
            for prefix, uri in {
                "m": "http://opcfoundation.org/UA/Machinery/",
                "mj": "http://opcfoundation.org/UA/Machinery/Jobs/",
                "jc": "http://opcfoundation.org/UA/ISA95-JOBCONTROL_V2/",
                "site": "urn:pointsman:sim:gms-station",
            }.items()
        }
        way = [("m", "Machines"), ("site", "Station"), ("m", "MachineryBuildingBlocks"), ("mj", "JobManagement")]  # fmt: skip
        management = await client.nodes.objects.get_child([f"{index[p]}:{n}" for p, n in way])
        control = await management.get_child([f"{index['mj']}:JobOrderControl"])
        results = await management.get_child([f"{index['mj']}:JobOrderResults"])
        return cls(client, control, results, index["jc"])

    def order(self, job, visit):
        masters = [ua.ISA95WorkMasterDataType(ID=visit.program["name"])]
        return ua.ISA95JobOrderDataType(JobOrderID=job, WorkMasterID=masters)

    async def ask(self, method, first, comment):
        texts = ua.Variant(comment, ua.VariantType.LocalizedText, is_array=True)
        return await self.control.call_method(f"{self.prefix}:{method}", first, texts)

    async def response(self, job):
        return await self.results.call_method(f"{self.prefix}:RequestJobResponseByJobOrderID", job)

    async def responses(self):
        node = await self.results.get_child([f"{self.prefix}:JobOrderResponseList"])
        return await node.read_value()

    async def states(self):
        node = await self.control.get_child([f"{self.prefix}:JobOrderList"])
        return {
            entry.JobOrder.JobOrderID: entry.State[0].StateNumber
            for entry in await node.read_value() or []
        }


async def test_its_panel_has_the_switches_that_the_page_lists_for_it(cell):
    section = PAGE.split("## Switches", maxsplit=1)[1].split("\n## ", maxsplit=1)[0]
    rows = re.findall(r"^\| `(\w+)` \| \w+ \| ([^|]+) \|", section, re.MULTILINE)
    listed = {name for name, where in rows if {"stations", "job", "all"} & set(where.split(", "))}
    async with patient(cell[0].urls[NAME]) as client:
        index = await client.get_namespace_index("urn:pointsman:sim:bench")
        bench = await client.nodes.objects.get_child([f"{index}:Bench"])
        shown = [(await child.read_browse_name()).Name for child in await bench.get_children()]
    assert {*shown} == listed

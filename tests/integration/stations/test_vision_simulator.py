"""The simulated optical station in the dialect of machine vision, driven by the shipped profile alone."""

import pytest

from supervisor.core.commands import (
    AbortRun,
    ClearFault,
    PrepareProgram,
)
from supervisor.core.events import OrderAnswered, ResultArrived, StationObserved
from supervisor.stations.station import StationAdapter
from tests.integration.stations.visiting import Hands, Visit

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

NAME = "scan-1"


@pytest.fixture(scope="module")
def cell(open_dialects):
    hands = Hands(open_dialects.folder, NAME)
    yield open_dialects, hands
    hands.floor.close()


@pytest.fixture
async def visit(cell, watch, shipped, wiring):
    """A station with a pallet in the nest, the door closed and its program prepared; afterwards the nest is empty again."""
    machines, hands = cell
    station = Visit(
        watch(StationAdapter(NAME, machines.urls[NAME], shipped("machine-vision"), wiring)),
        NAME,
        "V",
    )
    shown = await station.until(lambda s: s.mode == "automatic", 30)
    if shown.work in ("finished", "aborted"):  # the newest result that it has, of the test before
        await station.acknowledge(0)
    await station.load(hands)
    station.give(PrepareProgram, **station.program)
    await station.prepared()
    yield station
    await station.until(lambda s: s.work != "running")
    await station.door("open")
    hands.remove()


async def test_a_visit_ends_with_a_result_of_the_run_and_of_every_characteristic(visit):
    visit.start(1)
    shown = await visit.until(lambda s: s.work == "finished")
    result = visit.watcher.last(ResultArrived)
    assert (shown.run_id, shown.serial) == ("V1", visit.serial)
    assert (result.run_id, result.serial) == ("V1", visit.serial)
    assert [value.number for value in result.values] == visit.covers
    assert {value.unit for value in result.values} == {"mm"}
    assert all(value.quality == "good" and value.value is not None for value in result.values)
    works = [one.work for one in visit.watcher.of(StationObserved)]
    assert works.index("part free") < works.index("finished")
    await visit.acknowledge(1)


async def test_a_run_is_ended_by_order_and_the_next_one_begins_anew(visit):
    visit.start(2)
    await visit.until(lambda s: s.work == "running")
    visit.give(AbortRun, run_id="V2")
    shown = await visit.until(lambda s: s.work == "aborted")
    assert shown.run_id == "V2"
    await visit.acknowledge(2)


async def test_a_spoilt_value_is_bad_and_no_number(visit, cell):
    cell[0].switch(NAME, "SpoilResult", True)
    visit.start(3)
    await visit.until(lambda s: s.work == "finished")
    values = visit.watcher.last(ResultArrived).values
    assert (values[0].value, values[0].quality) == (None, "bad")
    await visit.acknowledge(3)


async def test_a_fault_is_shown_and_cleared(visit, cell):
    cell[0].switch(NAME, "Fault", True)
    await visit.until(lambda s: s.mode == "fault")
    visit.give(ClearFault)
    await visit.until(lambda s: s.mode == "automatic")


async def test_a_program_that_it_has_not_is_refused(visit):
    visit.give(PrepareProgram, **{**visit.program, "name": "nothing"})
    await visit.watcher.until(lambda: visit.watcher.last(OrderAnswered).order == visit.order)
    assert visit.watcher.last(OrderAnswered).outcome == "refused"


async def test_a_result_that_came_unheard_is_asked_for(visit, watch, shipped, wiring, through_proxy, cell):  # fmt: skip
    proxy = await through_proxy(cell[0].urls[NAME])
    other = watch(StationAdapter(NAME, proxy.url, shipped("machine-vision"), wiring))
    await other.until(lambda: other.last(StationObserved).link == "up", 20)
    visit.start(4)
    await other.until(lambda: other.last(StationObserved).work == "running")
    await proxy.stop()
    await other.until(lambda: other.last(StationObserved).link == "down")
    await visit.until(lambda s: s.work == "finished")
    await proxy.listen()
    await other.until(lambda: other.last(StationObserved).work == "finished", 20)
    assert other.last(ResultArrived).run_id == "V4"
    await visit.acknowledge(4)

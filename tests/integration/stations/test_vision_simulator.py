"""The simulated optical station in the dialect of machine vision, driven by the shipped profile alone."""

import json
import time
from pathlib import Path

import pytest

from simulators.models import physics as physics_file
from simulators.servers.floor_file import FloorFile
from supervisor.core.commands import (
    AbortRun,
    AcknowledgeResult,
    ClearFault,
    PrepareProgram,
    SetDoor,
    StartRun,
)
from supervisor.core.events import OrderAnswered, ResultArrived, StationObserved
from supervisor.stations.station import StationAdapter

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

PHYSICS = Path(__file__).parents[2] / "unit/simulators/physics.json"
NAME = "scan-1"
PROGRAMS = [one for one in json.loads(PHYSICS.read_text())["programs"] if one["station"] == NAME]


class Hands:
    """A person who carries pallets between the rack and the nest."""

    def __init__(self, folder: Path) -> None:
        self.taken = ""
        self.physics = physics_file.load(PHYSICS)
        self.floor = FloorFile(folder / "floor", self.physics, member="hands")

    def place(self) -> tuple[str, str]:
        """Put a pallet from the rack into the nest; its serial number and part type."""
        until_s = time.monotonic() + 20
        while time.monotonic() < until_s:
            for place in self.physics.places:
                pallet = self.floor.pallet_at(place.place)
                if pallet and self.floor.move(place.place, NAME) == "":
                    self.taken = place.place
                    found = self.physics.pallet[pallet]
                    return found.serial, found.part_type
            time.sleep(0.02)
        pytest.fail("no pallet came into the rack")

    def remove(self) -> None:
        """Put what stands in the nest back where it was."""
        assert self.floor.move(NAME, self.taken) == ""


@pytest.fixture(scope="module")
def cell(open_dialects):
    hands = Hands(open_dialects.folder)
    yield open_dialects, hands
    hands.floor.close()


@pytest.fixture
async def visit(cell, watch, shipped, wiring):
    """A station with a pallet in the nest, the door closed and its program prepared; afterwards the nest is empty again."""
    machines, hands = cell
    station = Visit(
        watch(StationAdapter(NAME, machines.urls[NAME], shipped("machine-vision"), wiring))
    )
    shown = await station.until(lambda s: s.mode == "automatic", 30)
    if shown.work in ("finished", "aborted"):  # the newest result that it has, of the test before
        await station.acknowledge(0)
    await station.door("open")
    station.serial, part_type = hands.place()
    await station.until(lambda s: s.nest == "occupied")
    await station.door("closed")
    program = next(one for one in PROGRAMS if one["part_type"] == part_type)
    station.program = {
        "program": "p",
        "name": program["name"],
        "number": program["number"],
        "revision": program["revision"],
        "part_type": part_type,
    }
    station.give(PrepareProgram, **station.program)
    await station.prepared()
    yield station
    await station.until(lambda s: s.work != "running")
    await station.door("open")
    hands.remove()


class Visit:
    """Orders with a number of their own, and what the station shows."""

    def __init__(self, watcher) -> None:
        self.watcher = watcher
        self.order = 0
        self.serial = ""
        self.program = {}

    def give(self, kind, **fields):
        self.order += 1
        self.watcher.adapter.give(kind(order=self.order, station=NAME, **fields))

    async def until(self, holds, limit_s=10):
        await self.watcher.until(lambda: holds(self.watcher.last(StationObserved)), limit_s)
        return self.watcher.last(StationObserved)

    async def door(self, goal):
        self.give(SetDoor, door=goal)
        await self.until(lambda s: s.door == goal)

    async def prepared(self):
        """The answer says so where the program was ready already, the event otherwise."""
        order, name = self.order, self.program["name"]
        await self.watcher.until(
            lambda: (
                self.watcher.last(OrderAnswered).order == order
                or self.watcher.last(StationObserved).program == name
            )
        )
        await self.until(lambda s: s.work == "prepared")

    def start(self, run_no):
        self.give(
            StartRun, run_id=f"V{run_no}", run_no=run_no, serial=self.serial, pallet="g", **self.program
        )  # fmt: skip

    async def acknowledge(self, run_no):
        self.give(AcknowledgeResult, run_id=f"V{run_no}")
        await self.until(lambda s: s.work in ("idle", "prepared"))


async def test_a_visit_ends_with_a_result_of_the_run_and_of_every_characteristic(visit):
    visit.start(1)
    shown = await visit.until(lambda s: s.work == "finished")
    result = visit.watcher.last(ResultArrived)
    assert (shown.run_id, shown.serial) == ("V1", visit.serial)
    assert (result.run_id, result.serial) == ("V1", visit.serial)
    wanted = next(one for one in PROGRAMS if one["name"] == visit.program["name"])
    numbers = [one["number"] for one in wanted["covers"]]
    assert [value.number for value in result.values] == numbers
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

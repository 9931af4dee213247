"""The five shipped profiles against the five simulated machines that they are for: whole visits, by profile alone."""

import json
from pathlib import Path

import pytest

from supervisor.cell.security import SecurityEntry
from supervisor.core.commands import (
    AbortRun,
    AcknowledgeResult,
    ClearFault,
    MoveHandler,
    PrepareProgram,
    ReadTag,
    SetDoor,
    StartRun,
)
from supervisor.core.events import (
    HandlerObserved,
    OrderAnswered,
    PlacesObserved,
    ResultArrived,
    StationObserved,
    TagRead,
)
from supervisor.stations.adapter import Wiring
from supervisor.stations.connection import LinkOptions
from supervisor.stations.handler import HandlerAdapter
from supervisor.stations.own_keys import OwnKeys
from supervisor.stations.reader import ReaderAdapter
from supervisor.stations.secrets import Secrets
from supervisor.stations.security import Keys, make_ready, security_of
from supervisor.stations.station import StationAdapter
from supervisor.stations.trust import TrustList, read_certificate
from tests.integration.stations.conftest import SPEED

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

PLACES = ("rack-01", "rack-02", "rack-03", "out-ok-1")
PROFILES = {"scan-1": "scan-methods", "touch-1": "touch-datablock", "ct-1": "ct-pulse"}

PHYSICS = json.loads((Path(__file__).parents[2] / "unit/simulators/physics.json").read_text())
PROGRAMS = {
    program["station"]: program
    for program in reversed(PHYSICS["programs"])
    if program["part_type"] == "pump-body"
}


class Cell:
    """The adapters of a whole cell, and orders with a number of their own."""

    def __init__(self, machines, watch, shipped, wiring_of):
        urls = machines.urls
        self.stations = {
            name: watch(StationAdapter(name, urls[name], shipped(profile), wiring_of()))
            for name, profile in PROFILES.items()
        }
        self.handler = watch(
            HandlerAdapter(
                "handler", urls["handler"], shipped("handler-orders"), jaws=2, wiring=wiring_of()
            )
        )
        self.rack = watch(
            ReaderAdapter(
                "rack", urls["rack"], shipped("rack-reader"), places=PLACES, wiring=wiring_of()
            )
        )
        self.last_order = 0

    async def connect(self):
        for station in self.stations.values():
            await station.until(lambda station=station: station.last(StationObserved).link == "up")
        await self.handler.until(lambda: self.handler.last(HandlerObserved).link == "up")
        await self.rack.until(lambda: self.rack.last(PlacesObserved).link == "up")
        self.last_order = self.handler.last(HandlerObserved).order

    def order(self):
        self.last_order += 1
        return self.last_order

    async def shows(self, station, **facets):
        watcher = self.stations[station]
        await watcher.until(
            lambda: all(
                getattr(watcher.last(StationObserved), name) == word
                for name, word in facets.items()
            ),
            15,
        )

    async def move(self, action, place, pick_jaw, put_jaw):
        order = self.order()
        self.handler.adapter.give(
            MoveHandler(
                order=order,
                action=action,
                place=place,
                pick_jaw=pick_jaw,
                put_jaw=put_jaw,
                picked="",
                put="",
            )
        )
        image = self.handler.last
        await self.handler.until(
            lambda: (
                image(HandlerObserved).order == order
                and image(HandlerObserved).phase in ("done", "failed")
            )
        )
        assert image(HandlerObserved).phase == "done", image(HandlerObserved).why
        assert image(HandlerObserved).inside == ""

    async def door(self, station, door):
        self.stations[station].adapter.give(SetDoor(order=self.order(), station=station, door=door))
        await self.shows(station, door=door)

    def prepare(self, station):
        program = PROGRAMS[station]
        self.stations[station].adapter.give(
            PrepareProgram(
                order=self.order(), station=station, program="p", name=program["name"],
                number=program["number"], revision=program["revision"],
                part_type="pump-body",
            )
        )  # fmt: skip

    def start(self, station, run_no, serial="6789"):
        program = PROGRAMS[station]
        goal = StartRun(
            order=self.order(), station=station, run_id=f"R{run_no}", run_no=run_no, program="p",
            name=program["name"], number=program["number"], revision=program["revision"], part_type="pump-body", serial=serial, pallet="g",
        )  # fmt: skip
        self.stations[station].adapter.give(goal)
        return goal


@pytest.fixture
async def cell(machines, watch, shipped, wiring):
    cell = Cell(machines, watch, shipped, lambda: wiring)
    await cell.connect()
    return cell


@pytest.fixture(scope="module")
def ours(machines, keys, tmp_path_factory):
    """A certificate of our own, and trust in those of the machines."""
    folder = tmp_path_factory.mktemp("ours")
    ours = Keys(own=OwnKeys(folder), trust=TrustList(folder), secrets=Secrets({}))
    make_ready([SecurityEntry()], ours)
    for machine in machines.urls:
        ours.trust.add(read_certificate(keys / f"{machine}.der"), "trusted")
    return ours


@pytest.fixture
async def encrypted_cell(machines, watch, shipped, ours):
    """All of it over signed and encrypted connections, as they are where nothing else is declared."""

    def wiring_of():  # each machine has a security of its own, as it holds what its server presented
        options, security = LinkOptions(interval_ms=20), security_of(SecurityEntry(), ours)
        return Wiring(options=options, speed=SPEED, security=security)

    cell = Cell(machines, watch, shipped, wiring_of)
    await cell.connect()
    return cell


async def test_a_pallet_goes_through_all_three_stations_by_profile_alone(encrypted_cell):
    cell = encrypted_cell
    machines = (*cell.stations.values(), cell.handler, cell.rack)
    said = {machine.adapter.report().security for machine in machines}
    assert said == {"encrypted with a current policy (Basic256Sha256)"}
    await cell.rack.until(
        lambda: ("rack-01", "occupied") in (cell.rack.last(PlacesObserved).presence or ())
    )
    await cell.move("pick", "rack-01", 1, 0)
    for run_no, station in enumerate(PROFILES, start=501):
        await cell.door(station, "open")
        await cell.move("put", station, 0, 1)
        await cell.shows(station, nest="occupied")
        await cell.door(station, "closed")
        cell.prepare(station)
        await cell.shows(station, work="prepared")
        cell.start(station, run_no)
        await cell.shows(station, work="finished")
        cell.stations[station].adapter.give(
            AcknowledgeResult(order=cell.order(), station=station, run_id=f"R{run_no}")
        )
        await cell.stations[station].until(
            lambda station=station: (
                cell.stations[station].last(StationObserved).work in ("idle", "prepared")
            )
        )
        await cell.door(station, "open")
        await cell.move("pick", station, 1, 0)
    await cell.move("put", "rack-01", 0, 1)

    for run_no, station in enumerate(PROFILES, start=501):
        watcher = cell.stations[station]
        (result,) = watcher.of(ResultArrived)
        assert result.run_id in (f"R{run_no}", str(run_no))
        assert result.serial == "6789"
        assert [value.number for value in result.values] == [
            covered["number"] for covered in PROGRAMS[station]["covers"]
        ]
        assert all(value.value is not None and value.unit for value in result.values)
        assert watcher.of(OrderAnswered) == []
        stages = [event.work for event in watcher.of(StationObserved)]
        assert ("part free" in stages) == (station != "touch-1")
    await cell.rack.until(
        lambda: cell.rack.last(PlacesObserved).presence[0] == ("rack-01", "occupied")
    )


async def test_a_tag_is_read_where_there_is_one(encrypted_cell):
    cell = encrypted_cell
    cell.rack.adapter.give(ReadTag(order=1, reader="rack", place="rack-02"))
    cell.rack.adapter.give(ReadTag(order=2, reader="rack", place="out-ok-1"))
    cell.rack.adapter.give(ReadTag(order=3, reader="rack", place="nowhere"))
    await cell.rack.until(lambda: len(cell.rack.of(TagRead)) == 3)

    there, empty, unknown = cell.rack.of(TagRead)
    assert (there.order, there.place, there.status) == (1, "rack-02", "read")
    assert len(bytes.fromhex(there.payload)) > 24  # two EPCs of 12 bytes and the application record
    assert (empty.status, empty.payload) == ("no tag", "")
    assert (unknown.status, unknown.payload) == ("failed", "")
    assert unknown.why


@pytest.mark.hazard(3)
async def test_a_handler_order_is_carried_out_once_however_often_it_is_given(cell):
    await cell.move("approach", "rack-03", 0, 0)
    images = len(cell.handler.of(HandlerObserved))
    again = MoveHandler(
        order=cell.last_order,
        action="pick",
        place="rack-03",
        pick_jaw=1,
        put_jaw=0,
        picked="",
        put="",
    )
    cell.handler.adapter.give(again)
    await cell.handler.until(lambda: not cell.handler.adapter._goals._waiting)
    await cell.move("approach", "rack-02", 0, 0)

    later = cell.handler.of(HandlerObserved)[images:]
    assert {image.order for image in later} == {cell.last_order}
    assert {image.jaws for image in later} == {("empty", "empty")}
    assert cell.handler.of(OrderAnswered) == []


async def test_a_refused_start_gives_the_stations_words(cell):
    station = cell.stations["scan-1"]
    await cell.door("scan-1", "open")
    goal = cell.start("scan-1", 601)
    await station.until(lambda: station.of(OrderAnswered))
    answer = station.last(OrderAnswered)
    await cell.door("scan-1", "closed")

    assert (answer.order, answer.outcome) == (goal.order, "refused")
    assert answer.why


async def test_each_station_refuses_a_start_while_its_door_is_open_and_ends_a_run_by_order(
    cell, machines
):
    await cell.move("pick", "rack-01", 1, 0)
    for run_no, station in enumerate(PROFILES, start=611):
        watcher = cell.stations[station]
        machines.switch(station, "DurationFactor", 100.0)  # the run is at work when its end comes
        await cell.door(station, "open")
        await cell.move("put", station, 0, 1)
        cell.prepare(station)
        await cell.shows(station, work="prepared", nest="occupied")
        refused = cell.start(station, run_no)
        await watcher.until(lambda watcher=watcher: watcher.of(OrderAnswered), 15)
        await cell.door(station, "closed")
        cell.start(station, run_no + 10)
        await cell.shows(station, work="running")
        ended = AbortRun(order=cell.order(), station=station, run_id=f"R{run_no + 10}")
        watcher.adapter.give(ended)
        await cell.shows(station, work="aborted")
        watcher.adapter.give(
            AcknowledgeResult(order=cell.order(), station=station, run_id=ended.run_id)
        )
        await watcher.until(
            lambda watcher=watcher: watcher.last(StationObserved).work in ("idle", "prepared")
        )
        machines.switch(station, "DurationFactor", 1.0)
        await cell.door(station, "open")
        await cell.move("pick", station, 1, 0)

        (answer,) = watcher.of(OrderAnswered)
        assert answer.order == refused.order
        # the tactile one has no word for a refusal: a request that it does not echo is in doubt
        assert answer.outcome == ("unknown" if station == "touch-1" else "refused")
        assert watcher.of(ResultArrived) == []
    await cell.move("put", "rack-01", 0, 1)


@pytest.mark.parametrize("station", PROFILES)
async def test_a_fault_is_shown_and_cleared_from_here(cell, machines, station):
    machines.switch(station, "Fault", True)
    await cell.shows(station, mode="fault")
    cell.stations[station].adapter.give(ClearFault(order=cell.order(), station=station))
    await cell.shows(station, mode="automatic")


@pytest.mark.hazard(5)
async def test_a_start_that_was_executed_but_answered_late_is_in_doubt_and_never_repeated(
    cell, machines
):
    station = cell.stations["scan-1"]
    await cell.door("scan-1", "open")
    await cell.move("pick", "rack-01", 1, 0)
    await cell.move("put", "scan-1", 0, 1)
    await cell.door("scan-1", "closed")
    cell.prepare("scan-1")
    await cell.shows("scan-1", work="prepared")
    before = station.last(StationObserved).counter

    machines.switch("scan-1", "AnswerDelay", 5.0)
    goal = cell.start("scan-1", 701)
    await station.until(lambda: station.of(OrderAnswered))
    machines.switch("scan-1", "AnswerDelay", 0.0)
    assert [(a.order, a.outcome) for a in station.of(OrderAnswered)] == [(goal.order, "unknown")]
    await cell.shows("scan-1", work="finished", run_id="R701")
    station.adapter.give(goal)
    station.adapter.give(AcknowledgeResult(order=cell.order(), station="scan-1", run_id="R701"))
    await cell.shows("scan-1", work="idle")
    await cell.door("scan-1", "open")
    await cell.move("pick", "scan-1", 1, 0)
    await cell.move("put", "rack-01", 0, 1)

    assert station.last(StationObserved).counter == before + 1
    assert len(station.of(OrderAnswered)) == 1
    assert [event.link for event in station.of(StationObserved) if event.link == "down"] == []


@pytest.mark.hazard(21)
async def test_bad_quality_of_a_whole_station_leaves_nothing_known(cell, machines):
    machines.switch("ct-1", "BadQuality", True)
    await cell.shows("ct-1", mode="unknown", door="unknown", nest="unknown", work="unknown")
    machines.switch("ct-1", "BadQuality", False)
    await cell.shows("ct-1", mode="automatic", nest="empty")

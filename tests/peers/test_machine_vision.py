"""The shipped profile of machine vision against a station on another stack, with the official nodeset of OPC 40100-1."""

import asyncio

import pytest

from supervisor.cell.security import CURRENT
from supervisor.core.commands import (
    AbortRun,
    AcknowledgeResult,
    ClearFault,
    PrepareProgram,
    SetDoor,
    StartRun,
)
from supervisor.core.events import OrderAnswered, ResultArrived, StationObserved
from supervisor.stations.adapter import Wiring
from supervisor.stations.connection import LinkOptions
from supervisor.stations.station import StationAdapter
from tests.integration.patience import patient
from tests.peers.steps import SECURED

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

WIRING = Wiring(options=LinkOptions(interval_ms=20))
NAME = "vision-1"
PROGRAM = {"program": "p", "name": "P-17", "number": 1, "revision": "A", "part_type": "cam-ring"}


def seen(watcher):
    return watcher.last(StationObserved)


def works(watcher):
    """What the work went through, each once in a row."""
    words = [one.work for one in watcher.of(StationObserved) if one.link == "up"]
    return [word for word, before in zip(words, [None, *words], strict=False) if word != before]


def prepare(**more):
    return PrepareProgram(order=700, station=NAME, **{**PROGRAM, **more})


def start(run_no):
    return StartRun(
        order=run_no, station=NAME, run_id=f"R{run_no}", run_no=run_no, serial=f"S{run_no}", pallet="g", **PROGRAM
    )  # fmt: skip


@pytest.fixture
def server(peer):
    station = peer("vision_station.js")
    yield station
    station.thaw()
    for name in ("faulty", "occupied", "holding", "slowly", "silent", "simulated", "byItself"):
        station.switch(name, False)


@pytest.fixture
async def station(server, watch, shipped):
    watcher = watch(StationAdapter(NAME, server.url, shipped("machine-vision"), WIRING))
    await watcher.until(lambda: seen(watcher).mode == "automatic", 20)
    if seen(watcher).work in (
        "finished",
        "aborted",
    ):  # of the test before: nothing is ever acknowledged at such a station
        await acknowledged(watcher, 1)
    return watcher


@pytest.fixture
async def through(server, watch, shipped, through_proxy):
    """The same station once more, over a connection that can fail."""
    proxy = await through_proxy(server.url)
    watcher = watch(StationAdapter(NAME, proxy.url, shipped("machine-vision"), WIRING))
    await watcher.until(lambda: seen(watcher).mode == "automatic", 20)
    return watcher, proxy


async def answered(watcher, goal):
    before = len(watcher.of(OrderAnswered))
    watcher.adapter.give(goal)
    (answer,) = await watcher.until(lambda: watcher.of(OrderAnswered)[before:])
    assert answer.order == goal.order
    return answer


async def acknowledged(watcher, run_no):
    watcher.adapter.give(AcknowledgeResult(order=2, station=NAME, run_id=f"R{run_no}"))
    await watcher.until(lambda: seen(watcher).work in ("idle", "prepared"))


async def ready(watcher, server):
    """The pallet is in, the door closed, the program prepared."""
    watcher.adapter.give(SetDoor(order=1, station=NAME, door="open"))
    await watcher.until(lambda: seen(watcher).door == "open")
    server.switch("occupied", True)
    await watcher.until(lambda: seen(watcher).nest == "occupied")
    watcher.adapter.give(SetDoor(order=1, station=NAME, door="closed"))
    await watcher.until(lambda: seen(watcher).door == "closed")
    assert (await answered(watcher, prepare())).outcome == "done"
    await watcher.until(lambda: seen(watcher).work == "prepared")


async def starts(server):
    """How many jobs the station itself has started."""
    async with patient(server.url) as client:
        index = await client.get_namespace_index("urn:pointsman:sim:vision-station")
        return await client.get_node(f"ns={index};s=Starts").read_value()


async def test_a_whole_visit_by_the_shipped_profile(station, server):
    await ready(station, server)
    station.adapter.give(start(11))
    await station.until(lambda: seen(station).work == "finished")
    shown, result = seen(station), station.last(ResultArrived)
    await acknowledged(station, 11)

    assert (shown.run_id, shown.serial, shown.program) == ("R11", "S11", "P-17")
    assert (result.run_id, result.serial) == ("R11", "S11")
    assert [(v.number, v.value, v.unit, v.quality) for v in result.values] == [
        ("1", 25.0104, "mm", "good"),
        ("2", 0.0031, "mm", "good"),
    ]
    assert works(station)[-5:] == ["prepared", "running", "part free", "finished", "prepared"]
    assert (seen(station).run_id, len(station.of(ResultArrived))) == ("", 1)


@pytest.mark.parametrize(("policy", "user"), SECURED)
async def test_a_visit_over_every_current_policy(policy, user, server, watch, shipped, encrypted):
    wiring = encrypted(server, policy, user)
    station = watch(StationAdapter(NAME, server.url, shipped("machine-vision"), wiring))
    await station.until(lambda: seen(station).mode == "automatic", 20)
    await acknowledged(station, 1)
    await ready(station, server)
    run_no = 30 + CURRENT.index(policy)
    station.adapter.give(start(run_no))
    await station.until(lambda: seen(station).work == "finished")
    assert station.last(ResultArrived).run_id == f"R{run_no}"
    assert f"({policy})" in station.adapter.report().security
    await acknowledged(station, run_no)


@pytest.mark.hazard(40)
async def test_a_result_of_a_system_in_simulation_mode_is_never_taken(station, server, caplog):
    server.switch("simulated", True)
    await ready(station, server)
    station.adapter.give(start(19))
    await station.until(lambda: seen(station).work == "finished")
    await station.until(lambda: "IsSimulated is True" in caplog.text)
    assert "R19" not in [result.run_id for result in station.of(ResultArrived)]
    server.switch("simulated", False)
    await acknowledged(station, 19)


async def test_without_word_of_the_acquisition_the_pallet_stays_until_the_result(station, server):
    server.switch("silent", True)
    await ready(station, server)
    station.adapter.give(start(12))
    await station.until(lambda: seen(station).work == "finished")
    assert works(station)[-3:] == ["prepared", "running", "finished"]


async def test_a_recipe_that_takes_its_time_is_prepared_once_its_event_has_come(station, server):
    server.switch("slowly", True)
    station.adapter.give(prepare(name="P-18"))
    await station.until(lambda: seen(station).program == "P-18")
    assert seen(station).work == "prepared"
    assert 700 not in [one.order for one in station.of(OrderAnswered)]


async def test_a_recipe_and_a_job_that_the_station_will_not_take_are_refused(station):
    answer = await answered(station, prepare(name="P-99"))
    assert (answer.outcome, answer.why) == ("refused", "status -2")
    assert (await answered(station, prepare())).outcome == "done"
    answer = await answered(station, start(13))  # nothing is in the nest
    assert (answer.outcome, answer.why) == ("refused", "status -3")
    assert seen(station).work == "prepared"


async def test_the_station_itself_refuses_a_start_while_its_door_is_open(station, server):
    await ready(station, server)
    station.adapter.give(SetDoor(order=1, station=NAME, door="open"))
    await station.until(lambda: seen(station).door == "open")
    assert (await answered(station, start(14))).outcome == "refused"


async def test_a_run_is_ended_and_nothing_is_left_to_end(station, server):
    server.switch("holding", True)
    await ready(station, server)
    station.adapter.give(start(15))
    await station.until(lambda: seen(station).work == "running")
    station.adapter.give(AbortRun(order=3, station=NAME, run_id="R15"))
    await station.until(lambda: seen(station).work == "aborted")
    assert seen(station).run_id == "R15"
    await acknowledged(station, 15)
    answer = await answered(station, AbortRun(order=4, station=NAME, run_id="R15"))
    assert answer.outcome == "refused"


@pytest.mark.hazard(5)
async def test_a_start_that_comes_twice_is_one_job_although_the_standard_has_no_key(
    station, server
):
    before = await starts(server)
    await ready(station, server)
    station.adapter.give(start(16))
    await station.until(lambda: seen(station).work == "finished")
    await acknowledged(station, 16)
    station.adapter.give(start(16))  # as if the answer of the first had never come
    assert (await answered(station, prepare(name="P-99"))).outcome == "refused"
    assert await starts(server) == before + 1


async def test_a_fault_ends_the_run_and_is_cleared(station, server):
    await ready(station, server)
    station.adapter.give(start(17))
    await station.until(lambda: seen(station).work == "running")
    server.switch("faulty", True)
    await station.until(lambda: seen(station).mode == "fault")
    await station.until(lambda: seen(station).work == "idle")
    server.switch("faulty", False)
    station.adapter.give(ClearFault(order=5, station=NAME))
    await station.until(lambda: seen(station).mode == "automatic")
    await station.until(lambda: seen(station).work == "idle")


async def test_a_station_without_recipes_and_without_a_choice_of_mode_is_used(server, watch, shipped):  # fmt: skip
    with server.without("Camera/RecipeManagement", "Camera/VisionStateMachine/SelectModeAutomatic"):
        station = watch(StationAdapter(NAME, server.url, shipped("machine-vision"), WIRING))
        await station.until(lambda: seen(station).mode == "automatic", 20)
        assert sorted(node for node, _ in station.adapter.report().without) == ["prepare_recipe", "select_automatic"]  # fmt: skip
        await acknowledged(station, 1)
        server.switch("byItself", True)
        server.switch("faulty", True)
        await station.until(lambda: seen(station).mode == "fault")
        server.switch("faulty", False)
        station.adapter.give(ClearFault(order=5, station=NAME))
        await station.until(lambda: seen(station).mode == "automatic")
        server.switch("ready", "P-17")  # a person has made it ready
        await ready(station, server)
        station.adapter.give(start(50))
        await station.until(lambda: seen(station).work == "finished")
        assert station.last(ResultArrived).run_id == "R50"
        await acknowledged(station, 50)


@pytest.mark.parametrize(("holding", "word"), [(False, "finished"), (True, "part free")])
async def test_what_became_of_a_job_in_an_outage_is_asked_of_the_list_of_results(
    station, server, through, holding, word
):
    watcher, proxy = through
    await acknowledged(watcher, 1)
    server.switch("holding", holding)
    await ready(station, server)
    run_no = 18 + holding
    watcher.adapter.give(start(run_no))
    await watcher.until(lambda: seen(watcher).work == "running")
    await proxy.stop()
    await watcher.until(lambda: seen(watcher).link == "down")
    # The other connection stayed, and sees the acquisition end, and the job where it ends.
    await station.until(lambda: seen(station).work == word)
    if holding:
        await asyncio.wait_for(_is_ready(server), 5)
    before = len(watcher.of(ResultArrived))
    await proxy.listen()
    await watcher.until(lambda: seen(watcher).work == word, 20)
    if holding:
        server.switch("holding", False)
        await watcher.until(lambda: seen(watcher).work == "finished")
    (result,) = watcher.of(ResultArrived)[before:]
    assert (result.run_id, len(result.values)) == (f"R{run_no}", 2)


async def _is_ready(server):
    """The automatic mode is ready for the next job although the last one is still evaluated."""
    async with patient(server.url) as client:
        vision = await client.get_namespace_index("http://opcfoundation.org/UA/MachineVision")
        site = await client.get_namespace_index("urn:pointsman:sim:vision-station")
        path = [f"{site}:Camera", f"{vision}:VisionStateMachine", f"{vision}:AutomaticModeStateMachine", "0:CurrentState"]  # fmt: skip
        node = await client.nodes.objects.get_child(path)
        while (await node.read_value()).Text != "Ready":  # noqa: ASYNC110 - a level of another process
            await asyncio.sleep(0.02)


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
    changes = {("events", "started", "fields", "job", "type"): "String"}
    watcher = watch(StationAdapter(NAME, server.url, shipped("machine-vision", changes), WIRING))
    await watcher.until(lambda: seen(watcher).link == "down", 20)
    assert "expected the data type String, found Structure" in watcher.adapter.report().why


async def test_browsing_it_proposes_a_profile_that_drives_it(server, proposed, watch):
    found, text, mine = await proposed(server)
    assert (found.fits[0].profile, found.fits[0].why) == ("machine-vision", "")
    assert (mine.extends, mine.root, "?" in text) == ("machine-vision", "site:Camera", False)
    watcher = watch(StationAdapter(NAME, server.url, mine, WIRING))
    await watcher.until(lambda: seen(watcher).mode == "automatic", 20)

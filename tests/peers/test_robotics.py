"""The shipped profile of OPC 40010-1 against a robot on another stack, with the official nodeset of 1.02."""

import pytest

from supervisor.core.commands import MoveHandler
from supervisor.core.events import HandlerObserved, OrderAnswered
from supervisor.stations.adapter import Wiring
from supervisor.stations.connection import LinkOptions
from supervisor.stations.handler import HandlerAdapter

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

WIRING = Wiring(options=LinkOptions(interval_ms=20), speed=2)
AS_IT_WAS = {"operational": 3, "emergency": False, "protective": False, "state": "Ready", "deaf": False, "carried": [],
             "jaw1": False, "jaw2": False}  # fmt: skip
SYSTEM_OPERATION = "DeviceSet/Robot/Controllers/Controller/SystemOperation"
NUMBERS = iter(range(100, 1_000))


@pytest.fixture
def server(peer):
    robot = peer("robot_station.js")
    for switch, value in AS_IT_WAS.items():
        robot.switch(switch, value)
    yield robot
    robot.thaw()


@pytest.fixture
def linked(server, watch, shipped):
    async def make(wiring=WIRING, mode="automatic"):
        adapter = HandlerAdapter("robot", server.url, shipped("robotics"), jaws=2, wiring=wiring)
        watcher = watch(adapter)
        await watcher.until(lambda: seen(watcher).mode == mode, 20)
        return watcher

    return make


@pytest.fixture
async def robot(linked):
    return await linked()


def seen(watcher):
    return watcher.last(HandlerObserved)


def move(watcher, action, place, pick_jaw=0, put_jaw=0, order=0):
    number = order or next(NUMBERS)
    watcher.adapter.give(
        MoveHandler(
            order=number, action=action, place=place, pick_jaw=pick_jaw, put_jaw=put_jaw, picked="", put=""
        )
    )  # fmt: skip
    return number


async def ended(watcher, number, phase="done"):
    await watcher.until(lambda: (seen(watcher).order, seen(watcher).phase) == (number, phase))


async def test_a_pallet_is_picked_and_put_by_numbered_orders(robot, server):
    picked = move(robot, "pick", "slot-1", pick_jaw=2)
    await ended(robot, picked)
    assert (seen(robot).jaws, seen(robot).at, seen(robot).inside) == (("empty", "occupied"), "slot-1", "")  # fmt: skip
    put = move(robot, "put", "touch-1", put_jaw=2)
    await ended(robot, put)

    assert seen(robot).jaws == ("empty", "empty")
    assert "touch-1" in [image.inside for image in robot.of(HandlerObserved)]  # while it was there
    assert server.ask("carried") == [
        {"request": picked, "action": "pick", "place": "slot-1", "pick": 2, "put": 0},
        {"request": put, "action": "put", "place": "touch-1", "pick": 0, "put": 2},
    ]
    assert robot.of(OrderAnswered) == []


@pytest.mark.parametrize(
    ("switch", "value", "mode"),
    [
        ("emergency", True, "fault"),
        ("protective", True, "fault"),
        ("operational", 1, "manual"),
        ("operational", 2, "manual"),
        ("operational", 0, "manual"),
        ("state", "Idle", "manual"),
    ],
)
async def test_a_robot_is_automatic_only_without_a_stop_in_an_automatic_mode_and_ready(
    switch, value, mode, robot, server
):
    server.switch(switch, value)
    await robot.until(lambda: seen(robot).mode == mode)
    server.switch(switch, AS_IT_WAS[switch])
    await robot.until(lambda: seen(robot).mode == "automatic")


async def test_a_robot_that_executes_and_one_in_automatic_external_are_automatic(linked, server):
    server.switch("operational", 4)
    server.switch("state", "Executing")
    await linked()


async def test_an_order_that_comes_again_is_carried_out_once(robot, server):
    number = move(robot, "pick", "slot-2", pick_jaw=1)
    await ended(robot, number)
    move(robot, "pick", "slot-2", pick_jaw=1, order=number)
    last = move(robot, "put", "slot-2", put_jaw=1)
    await ended(robot, last)
    assert [order["request"] for order in server.ask("carried")] == [number, last]


async def test_an_order_that_fails_says_why(robot):
    number = move(robot, "pick", "nowhere", pick_jaw=1)
    await ended(robot, number, "failed")
    assert seen(robot).why == "no place nowhere"


async def test_an_order_that_the_robot_does_not_take_is_withdrawn_and_not_carried_out_later(robot, server):  # fmt: skip
    server.switch("deaf", True)
    move(robot, "pick", "slot-1", pick_jaw=1)
    await robot.until(lambda: robot.of(OrderAnswered))
    assert robot.last(OrderAnswered).outcome == "unknown"
    assert robot.last(OrderAnswered).why.endswith("the request was withdrawn")
    server.switch("deaf", False)  # an order that still stood would be taken now
    last = move(robot, "approach", "slot-1")
    await ended(robot, last)
    assert [order["request"] for order in server.ask("carried")] == [last]


async def test_a_robot_that_tells_nothing_of_its_system_as_in_1_01_is_used_and_that_is_said(linked, server):  # fmt: skip
    with server.without(SYSTEM_OPERATION):
        robot = await linked()
        assert [node for node, _ in robot.adapter.report().without] == ["system_state"]
        await ended(robot, move(robot, "approach", "slot-1"))
        server.switch("emergency", True)
        await robot.until(lambda: seen(robot).mode == "fault")


async def test_a_robot_without_safety_states_keeps_the_link_down_and_they_are_named(linked, server):
    with server.without("DeviceSet/Robot/SafetyStates/Safety"):
        robot = await linked(mode="unknown")
        await robot.until(lambda: seen(robot).link == "down", 20)
        assert "rob:SafetyStates/site:Safety" in robot.adapter.report().why


async def test_a_frozen_server_is_noticed_and_used_again(robot, server):
    server.freeze()
    await robot.until(lambda: seen(robot).link == "down", 6)
    server.thaw()
    await robot.until(lambda: seen(robot).link == "up", 10)
    await ended(robot, move(robot, "approach", "slot-1"))


async def test_a_transfer_over_an_encrypted_connection(linked, server, encrypted):
    robot = await linked(encrypted(server))
    await ended(robot, move(robot, "pick", "slot-1", pick_jaw=1))
    assert robot.adapter.report().security.endswith("(Aes256_Sha256_RsaPss)")


async def test_browsing_it_proposes_a_profile_that_drives_it(server, proposed, watch):
    found, text, profile = await proposed(server)
    assert [(fit.profile, fit.why) for fit in found.fits] == [("robotics", "")]
    assert (profile.extends, profile.root) == ("robotics", "di:DeviceSet/site:Robot")
    assert "?" not in text
    robot = watch(HandlerAdapter("robot", server.url, profile, jaws=2, wiring=WIRING))
    await robot.until(lambda: seen(robot).mode == "automatic", 20)
    await ended(robot, move(robot, "pick", "slot-1", pick_jaw=1))

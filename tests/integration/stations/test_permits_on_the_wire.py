"""Hazards 19 and 34 on the wire: the handler's permit is a lease that the running step renews, and a lower fence moves nothing.

Rules of this file:
- A handler process of its own at four times life's speed: its permit lasts 1 s of real time, its way to the outfeed takes 1.75 s.
- What it did stands in its truth file; the adapter's word is not asked.
"""

import asyncio
import json
import time
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from simulators.models import physics as physics_file
from simulators.servers.floor_file import FloorFile
from supervisor.core.commands import MoveHandler
from supervisor.core.events import HandlerObserved, OrderAnswered
from supervisor.shell.permit import LeasedPermit
from supervisor.stations.adapter import Wiring
from supervisor.stations.connection import LinkOptions
from supervisor.stations.handler import HandlerAdapter
from tests.integration.stations.conftest import ROOT, ServerProcess

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

SPEED = 4
LASTS_S = 1.0
FAR = "out-ok-1"
PHYSICS = ROOT / "tests/unit/simulators/physics.json"


class Lease:
    """A lease in memory that is always granted: what the store's lease does is tested with the store."""

    def __init__(self, fence, length_s=LASTS_S):
        self.fence = fence
        self.length_s = length_s

    def renew(self):
        """Granted."""


class Step:
    """A step with nothing to decide, which turns until it is told to stand still."""

    def __init__(self, fence):
        self.permit = LeasedPermit(Lease(fence), turn_s=LASTS_S / 4)
        self._task = None

    def go(self):
        self._task = asyncio.create_task(self._turn())

    async def _turn(self):
        while True:
            self.permit.turned()
            await asyncio.sleep(self.permit.turn_s)

    async def stand_still(self):
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)


class Handler:
    """The handler's process, and what it witnessed."""

    def __init__(self, folder: Path):
        seat = {"kind": "handler", "station": "handler", "shift": 2}
        plan = {"physics": str(PHYSICS), "floor": "floor", "speed": SPEED, "seed": 7, "servers": [seat]}  # fmt: skip
        (folder / "plan.json").write_text(json.dumps(plan))
        self._folder = folder
        self._process = ServerProcess(
            "-m", "simulators.servers", "cell", "--plan", str(folder / "plan.json"), "--with-parent"
        )
        self.url = self._process.line()["url"]

    def set_down(self, place, pallet):
        floor = FloorFile(self._folder / "floor", physics_file.load(PHYSICS), member="rack")
        assert floor.set_down(place, pallet)
        floor.close()

    def throw(self, switch, value):
        self._process.say({"station": "handler", "switch": switch, "value": value})
        assert self._process.line() == {"thrown": switch, "station": "handler"}

    def witnessed(self):
        """What happened, in words, in its order."""
        lines = (self._folder / "floor.truth.jsonl").read_text().splitlines()
        return [_said(json.loads(line)) for line in lines]

    def end(self):
        self._process.end()


def _said(fact):
    match fact["fact"]:
        case "permit":
            return f"permit {fact['permit']} to {fact['fence']}"
        case "ordered":
            return f"order {fact['order']} of {fact['fence']} {fact['answer']}"
        case other:
            return other


@pytest.fixture
def handler(tmp_path):
    process = Handler(tmp_path)
    yield process
    process.end()


@pytest.fixture
def driver(handler, watch, shipped):
    """Makes a supervisor's side of the handler: its step, its adapter and what that reports."""

    @asynccontextmanager
    async def make(fence):
        step = Step(fence)
        wiring = Wiring(options=LinkOptions(interval_ms=20), speed=SPEED, permit=step.permit)
        adapter = HandlerAdapter(
            "handler", handler.url, shipped("handler-permits"), jaws=2, wiring=wiring
        )
        watched = watch(adapter)
        step.go()
        await watched.until(lambda: watched.last(HandlerObserved).link == "up")
        yield step, adapter, watched
        await step.stand_still()
        await step.permit.close()

    return make


def order(number, action="approach", place="rack-01", pick_jaw=0):
    return MoveHandler(
        order=number, action=action, place=place, pick_jaw=pick_jaw, put_jaw=0, picked="", put=""
    )


@pytest.mark.hazard(34)
async def test_a_blocked_loop_loses_the_permit_and_the_arm_waits_outside_until_it_is_renewed(
    handler, driver
):
    handler.set_down(FAR, "grai:0614141.12345.400")
    async with driver(1) as (_, adapter, watched):
        adapter.give(order(1, "pick", FAR, pick_jaw=1))
        await watched.until(lambda: watched.last(HandlerObserved).phase == "busy")
        time.sleep(2.5 * LASTS_S)  # noqa: ASYNC251 - blocks the loop, as a defect would; the arm arrives meanwhile
        before = handler.witnessed()
        assert before == ["permit given to 1", "order 1 of 1 accepted", "permit ran out to 1"]
        await watched.until(lambda: watched.last(HandlerObserved).phase == "done")
        await watched.until(lambda: watched.last(HandlerObserved).jaws == ("occupied", "empty"))
    assert handler.witnessed()[3:5] == ["permit given to 1", "moved"]


@pytest.mark.hazard(19)
async def test_a_supervisor_whose_lease_ran_out_sends_nothing_until_it_is_renewed(handler, driver):
    async with driver(1) as (step, adapter, watched):
        await watched.until(lambda: "permit given to 1" in handler.witnessed())
        await step.stand_still()
        await watched.until(lambda: "permit ran out to 1" in handler.witnessed())
        adapter.give(order(1))
        await asyncio.sleep(LASTS_S / 2)  # it could have gone out a hundred times
        assert handler.witnessed() == ["permit given to 1", "permit ran out to 1"]
        step.go()
        await watched.until(lambda: watched.last(HandlerObserved).phase == "done")
    assert handler.witnessed()[2:4] == ["permit given to 1", "order 1 of 1 accepted"]


@pytest.mark.hazard(19)
async def test_the_handler_refuses_a_lower_fence_and_says_so(handler, driver):
    async with driver(2) as (_, newer, new_watched):
        newer.give(order(1))
        await new_watched.until(lambda: new_watched.last(HandlerObserved).phase == "done")
        async with driver(1) as (_, older, old_watched):
            await old_watched.until(older.refusal)
            assert older.refusal() == "fence 1 is lower than 2"
            older.give(order(2, place="rack-02"))
            answer = await old_watched.until(lambda: old_watched.of(OrderAnswered))
            assert (answer[-1].outcome, answer[-1].why) == ("refused", "fence 1 is lower than 2")
            assert "order 2 of 1 accepted" not in handler.witnessed()
            newer.give(order(3))
            await new_watched.until(lambda: new_watched.last(HandlerObserved).order == 3)
    assert "order 2 of 1 refused" in handler.witnessed()


async def test_a_slow_order_does_not_hold_up_the_renewals(handler, driver):
    async with driver(1) as (_, adapter, watched):
        handler.throw("AnswerDelay", 2.0 * LASTS_S)
        adapter.give(order(1))
        await watched.until(lambda: watched.last(HandlerObserved).phase == "done")
        begun_s = time.monotonic()
        await watched.until(lambda: time.monotonic() - begun_s > 2.0 * LASTS_S)
        assert handler.witnessed() == ["permit given to 1", "order 1 of 1 accepted"]

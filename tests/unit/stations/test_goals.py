"""Goals as fields of a profile, and the queue in which they wait."""

import asyncio

import pytest
from asyncua import ua

from supervisor.cell.profile_language import FIELD_KINDS, ORDER_FIELDS
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
from supervisor.stations.goals import GoalQueue, fields_of, order_name, run_number
from supervisor.stations.plain_types import variant
from supervisor.stations.trouble import OrderImpossible

T = ua.VariantType


def door(order, position="open"):
    return SetDoor(order=order, station="a", door=position)


def abort(order):
    return AbortRun(order=order, station="a", run_id="R7")


GOALS = [
    door(1),
    door(1, "closed"),
    PrepareProgram(order=1, station="a", program="p", name="N", number=3, revision="B", part_type="t"),
    StartRun(
        order=1, station="a", run_id="R7", run_no=7, program="p", name="N", number=3, revision="B", part_type="t",
        serial="S", pallet="g",
    ),
    abort(1),
    AcknowledgeResult(order=1, station="a", run_id="R7"),
    ClearFault(order=1, station="a"),
    MoveHandler(order=1, action="swap", place="a", pick_jaw=1, put_jaw=2, picked="", put=""),
    ReadTag(order=1, reader="r", place="rack-01"),
]  # fmt: skip


@pytest.mark.parametrize("goal", GOALS, ids=lambda goal: type(goal).__name__)
def test_a_goal_gives_exactly_the_fields_that_the_language_promises(goal):
    fields = fields_of(goal, fence=7)
    assert sorted(fields) == sorted(ORDER_FIELDS[order_name(goal)])
    for name, content in fields.items():
        assert isinstance(content, str if FIELD_KINDS[name] == "text" else int)


@pytest.mark.parametrize(
    ("run_id", "number"), [("R7", 7), ("17", 17), ("R-2025-0012", 12), ("R7b", 7), ("none", 0)]
)
def test_the_number_of_a_run_is_the_last_number_in_its_id(run_id, number):
    assert run_number(run_id) == number


async def test_goals_are_taken_in_the_order_given():
    queue = GoalQueue()
    for goal in (door(1), abort(2), ClearFault(order=3, station="a")):
        queue.put(goal)
    assert [(await queue.take()).order for _ in range(3)] == [1, 2, 3]


async def test_a_newer_goal_of_a_subject_replaces_the_waiting_one_and_goes_to_the_end():
    queue = GoalQueue()
    for goal in (door(1), abort(2), door(3, "closed")):
        queue.put(goal)
    assert [(await queue.take()).order for _ in range(2)] == [2, 3]


async def test_a_kind_of_goal_may_be_taken_out_of_turn():
    queue = GoalQueue()
    queue.put(ClearFault(order=1, station="a"))
    queue.put(door(2))
    assert (await queue.take((SetDoor, AbortRun))).order == 2
    assert (await queue.take()).order == 1


async def test_a_taker_that_gives_up_leaves_the_goal_for_the_next():
    queue = GoalQueue()
    first = asyncio.create_task(queue.take((AbortRun,)))
    await asyncio.sleep(0)
    first.cancel()
    await asyncio.gather(first, return_exceptions=True)
    queue.put(abort(1))
    assert (await queue.take()).order == 1


async def test_what_waits_can_be_forgotten():
    queue = GoalQueue()
    queue.put(door(1))
    queue.clear()
    with pytest.raises(TimeoutError):
        await asyncio.wait_for(queue.take(), 0.01)


@pytest.mark.parametrize(
    ("content", "kind", "sent"),
    [
        ("R7", T.String, "R7"),
        (7, T.String, "7"),
        (7, T.UInt32, 7),
        (4_294_967_295, T.UInt32, 4_294_967_295),
        (-128, T.SByte, -128),
        (True, T.Boolean, True),
        (7, T.Double, 7.0),
        (1.5, T.Float, 1.5),
        ("auf", T.LocalizedText, ua.LocalizedText("auf")),
    ],
)
def test_a_value_is_sent_with_the_type_of_the_node(content, kind, sent):
    found = variant(content, kind)
    assert (found.Value, found.VariantType) == (sent, kind)


@pytest.mark.parametrize(
    ("content", "kind"),
    [
        (-1, T.UInt32),
        (4_294_967_296, T.UInt32),
        (256, T.Byte),
        (40_000, T.Int16),
        ("7", T.Int32),
        (True, T.Int32),
        (1, T.Boolean),
        ("1.5", T.Double),
        (1.5, T.Int32),
    ],
)
def test_a_value_that_does_not_fit_is_refused_before_anything_is_sent(content, kind):
    with pytest.raises(OrderImpossible, match="nothing was sent"):
        variant(content, kind)

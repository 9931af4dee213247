"""Rules of what adapters learn of an order besides the levels: a method's answer, a refusal, a time-out.

Rules of this file:
- An answer counts only for an outstanding order (S5), and "unknown" decides nothing: the levels will show, or a timer fires.
- A refusal is the outside's right: it becomes a hold with the outside's own words.
- A refused move has not begun; a failed one came as far as the jaws show.
"""

from typing import assert_never

from supervisor.core import moves, pallets, runs
from supervisor.core.commands import (
    AbortRun,
    AcknowledgeResult,
    ClearFault,
    Goal,
    MoveHandler,
    PrepareProgram,
    ReadTag,
    SetDoor,
    StartRun,
)
from supervisor.core.draft import Draft
from supervisor.core.events import OrderAnswered


def on_order_answered(draft: Draft, event: OrderAnswered) -> None:
    """Take an answer to an outstanding order."""
    about = next(
        (
            name
            for name in sorted(draft.outstanding)
            if draft.outstanding[name].goal.order == event.order
        ),
        None,
    )
    if about is None or event.outcome == "unknown":
        return
    goal = draft.outstanding[about].goal
    if event.outcome == "done":
        _done(draft, about, goal)
    else:
        seen = f"{event.outcome}: {event.why or 'no reason given'}"
        if event.outcome == "failed" and isinstance(goal, MoveHandler):
            moves.fail(draft, goal, seen)
        else:
            _refused(draft, about, goal, seen)


def _done(draft: Draft, about: str, goal: Goal) -> None:
    """What only the answer can tell; doors, runs and moves are known by their levels."""
    match goal:
        case PrepareProgram():
            runs.program_prepared(draft, goal.station)
        case AcknowledgeResult() | ClearFault():
            draft.end_goal(about)
            draft.look_again("station", goal.station)
        case AbortRun():
            # The station will show that the run is aborted, or how it ended before: that is still waited for.
            draft.end_goal_alone(about)
            draft.look_again("station", goal.station)
        case SetDoor() | StartRun() | MoveHandler() | ReadTag():
            return
        case _:
            assert_never(goal)


def _refused(draft: Draft, about: str, goal: Goal, seen: str) -> None:
    match goal:
        case SetDoor():
            draft.hold("door-stuck", "station", goal.station, f"door {goal.door} {seen}")
        case PrepareProgram():
            draft.hold("prepare-failed", "station", goal.station, f"{goal.name} {seen}")
        case StartRun():
            draft.end_goal(about)
            draft.hold(
                "start-unconfirmed", "station", goal.station, f"start of {goal.run_id} {seen}"
            )
        case AcknowledgeResult() | ClearFault():
            draft.end_goal(about)
            draft.look_again("station", goal.station)
        case AbortRun():
            # The station will show that the run is aborted, or how it ended before: that is still waited for.
            draft.end_goal_alone(about)
            draft.look_again("station", goal.station)
        case MoveHandler():
            moves.refuse(draft, goal, seen)
        case ReadTag():
            draft.end_goal(about)
            pallets.tag_failed(draft, draft.places[goal.place].pallet, seen)
        case _:
            assert_never(goal)

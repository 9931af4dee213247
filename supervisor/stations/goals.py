"""The goals of the core as fields that a profile can hand over, and the queue in which they wait.

Rules of this file:
- At most one goal per subject waits: a newer one replaces it and goes to the end (S3).
- A run number is the number in the run id, so that abort and acknowledge can name a run to a station that knows numbers only.
"""

import asyncio
import re
from collections.abc import Mapping

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
    subject,
)

Fields = Mapping[str, str | int]

_ORDER_NAMES: Mapping[type[Goal], str] = {
    PrepareProgram: "prepare",
    StartRun: "start",
    AbortRun: "abort",
    AcknowledgeResult: "acknowledge",
    ClearFault: "clear_fault",
    MoveHandler: "move",
    ReadTag: "read_tag",
}
_LAST_DIGITS = re.compile(r"(\d+)\D*$")


def run_number(run_id: str) -> int:
    """The number in a run id; 0 where there is none, which no station takes for a run."""
    digits = _LAST_DIGITS.search(run_id)
    return int(digits[1]) if digits else 0


def order_name(goal: Goal) -> str:
    """The order of a profile that carries out a goal."""
    if isinstance(goal, SetDoor):
        return "open_door" if goal.door == "open" else "close_door"
    return _ORDER_NAMES[type(goal)]


def audit_id(goal: Goal) -> str:
    """What a station's audit events show of an order: its number, and the run that it is about."""
    run_id = getattr(goal, "run_id", "")
    return f"order {goal.order}" + (f", run {run_id}" if run_id else "")


def fields_of(goal: Goal, *, fence: int) -> Fields:
    """What a goal can hand over, by the names of the profile language; the fence of whoever gives it goes with every order."""
    return {**_own_fields(goal), "fence": fence}


def _own_fields(goal: Goal) -> Fields:
    match goal:
        case SetDoor() | ClearFault():
            return {"order": goal.order}
        case PrepareProgram():
            return {"order": goal.order, **_program(goal)}
        case StartRun():
            return {
                "order": goal.order,
                "run_id": goal.run_id,
                "run_no": goal.run_no,
                "serial": goal.serial,
                "pallet": goal.pallet,
                **_program(goal),
            }
        case AbortRun() | AcknowledgeResult():
            return {"order": goal.order, "run_id": goal.run_id, "run_no": run_number(goal.run_id)}
        case MoveHandler():
            return {
                "order": goal.order,
                "action": goal.action,
                "place": goal.place,
                "pick_jaw": goal.pick_jaw,
                "put_jaw": goal.put_jaw,
            }
        case ReadTag():
            return {"order": goal.order, "place": goal.place}


def _program(goal: PrepareProgram | StartRun) -> Fields:
    return {
        "program_name": goal.name,
        "program_number": goal.number,
        "revision": goal.revision,
        "part_type": goal.part_type,
    }


class GoalQueue:
    """Goals of one adapter, in the order given."""

    def __init__(self) -> None:
        self._waiting: dict[str, Goal] = {}
        self._changed = asyncio.Event()

    def put(self, goal: Goal) -> None:
        """Add a goal; one that waits for the same subject is forgotten."""
        about = subject(goal)
        self._waiting.pop(about, None)
        self._waiting[about] = goal
        self._changed.set()

    def clear(self) -> None:
        """Forget what waits."""
        self._waiting.clear()

    async def take(self, kinds: tuple[type[Goal], ...] | None = None) -> Goal:
        """The next goal, of the given kinds only if there are any; waits for one."""
        while True:
            for about, goal in self._waiting.items():
                if kinds is None or isinstance(goal, kinds):
                    del self._waiting[about]
                    return goal
            self._changed.clear()
            await self._changed.wait()

"""Every goal that the core can set.

Rules of this file:
- A goal is harmless to repeat: it says how things should be, with the number of the order that asks for it.
- A goal has a subject; a new goal for a subject replaces the old one (S3).
- Goals stay outstanding in the state until a fact fulfils them or a limit ends them (S4). ``StoreRecord``, ``MarkSuspect``,
  ``SetTimer`` and ``CancelTimer`` are carried out by our own side within the step and are not outstanding.
"""

from typing import Literal

from supervisor.cell.value import value
from supervisor.verdict.record import Record
from supervisor.verdict.suspicion import Suspicion


@value
class SetDoor:
    """The door (or the area grant) of a station be open or closed."""

    order: int
    station: str
    door: Literal["open", "closed"]


@value
class PrepareProgram:
    """A program be prepared at a station: ``name``, ``number`` and ``revision`` as the station knows it."""

    order: int
    station: str
    program: str
    name: str
    number: int
    revision: str
    part_type: str


@value
class StartRun:
    """A run be started, at most once ever. ``run_id`` is text, ``run_no`` the same as a number for stations that take integers."""

    order: int
    station: str
    run_id: str
    run_no: int
    program: str
    name: str
    number: int
    revision: str
    part_type: str
    serial: str
    pallet: str


@value
class AbortRun:
    """The named run be ended without result."""

    order: int
    station: str
    run_id: str


@value
class AcknowledgeResult:
    """The station may forget the result of the named run: it is stored."""

    order: int
    station: str
    run_id: str


@value
class ClearFault:
    """The fault of a station be cleared, after a person said that its cause is gone."""

    order: int
    station: str


@value
class MoveHandler:
    """One stop of the handler.

    "approach": stand before ``place`` without entering. "pick": take the pallet at ``place`` into ``pick_jaw``. "put": set the
    pallet of ``put_jaw`` down at ``place``. "swap": pick, then put, without leaving. Jaws count from 1; 0 = unused.
    """

    order: int
    action: Literal["approach", "pick", "put", "swap"]
    place: str
    pick_jaw: int
    put_jaw: int
    picked: str
    put: str


@value
class ReadTag:
    """The tag at a place be read."""

    order: int
    reader: str
    place: str


@value
class SetTimer:
    """A ``TimerFired`` is wanted at ``due_ms`` of the cell's time; ``why`` is shown to people."""

    timer: str
    due_ms: int
    why: str


@value
class CancelTimer:
    """A timer is no longer wanted."""

    timer: str


@value
class StoreRecord:
    """The record of a part, as it stands, be kept. The same serial number and revision again is the same record."""

    record: Record


@value
class MarkSuspect:
    """What a failed check casts doubt on be kept beside the records."""

    suspicion: Suspicion


Goal = (
    SetDoor
    | PrepareProgram
    | StartRun
    | AbortRun
    | AcknowledgeResult
    | ClearFault
    | MoveHandler
    | ReadTag
)
Command = Goal | SetTimer | CancelTimer | StoreRecord | MarkSuspect
OWN_SIDE = (SetTimer, CancelTimer, StoreRecord, MarkSuspect)
"""Commands that our own side carries out within the step."""


def subject(goal: Goal) -> str:
    """What a goal is about; at most one goal per subject is outstanding."""
    match goal:
        case SetDoor():
            return f"door of {goal.station}"
        case PrepareProgram():
            return f"program of {goal.station}"
        case StartRun() | AbortRun():
            return f"run of {goal.station}"
        case AcknowledgeResult():
            return f"result of {goal.station}"
        case ClearFault():
            return f"fault of {goal.station}"
        case MoveHandler():
            return "handler"
        case ReadTag():
            return f"tag at {goal.place}"

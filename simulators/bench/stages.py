"""Where in the handshake a fault hits: names for the table of what was hit when.

Rules of this file: for counting only; nothing is judged by it, so it may ask the core's own tables.
"""

from simulators.bench.world import World
from supervisor.core.commands import (
    AbortRun,
    AcknowledgeResult,
    CancelTimer,
    ClearFault,
    Command,
    Goal,
    MoveHandler,
    PrepareProgram,
    ReadTag,
    SetDoor,
    SetTimer,
    StartRun,
    StoreRecord,
)

BAYS = {
    "shut": "at rest",
    "opening": "door opening",
    "open": "door open",
    "closing": "door closing",
    "entered": "arm inside",
}


def stage_of(world: World, machine: str) -> str:
    """The stage of a station's handshake, of the handler, or of the places."""
    station = world.state.stations.get(machine)
    if station is None:
        return f"handler {world.state.handler.stage}" if machine == "handler" else "places"
    if station.bay == "entered":
        return "arm inside"
    if station.run is not None and station.run.stage != "none":
        return f"run {station.run.stage}"
    return BAYS[station.bay]


STEPS: dict[type[Goal], str] = {
    PrepareProgram: "prepare",
    StartRun: "start",
    AbortRun: "abort",
    AcknowledgeResult: "acknowledge",
    ClearFault: "clear fault",
    ReadTag: "read tag",
}


def step_of(goal: Goal) -> str:
    """What an order asks for."""
    match goal:
        case SetDoor():
            return f"door {goal.door}"
        case MoveHandler():
            return goal.action
        case _:
            return STEPS[type(goal)]


def step_among(commands: tuple[Command, ...]) -> str:
    """What a decision's first order asks for; "no order" where it has none."""
    goals = [c for c in commands if not isinstance(c, SetTimer | CancelTimer | StoreRecord)]
    return step_of(goals[0]) if goals else "no order"

"""Where in the handshake a fault hits: names for the table of what was hit when.

Rules of this file: for counting only; nothing is judged by it, so it may ask the core's own tables.
"""

from simulators.bench.world import World, orders_of
from supervisor.core.commands import (
    AbortRun,
    AcknowledgeResult,
    ClearFault,
    Command,
    Goal,
    MoveHandler,
    PrepareProgram,
    ReadTag,
    SetDoor,
    StartRun,
)
from supervisor.routing.situation import Carry, Stay

BAYS = {
    "shut": "at rest",
    "opening": "door opening",
    "open": "door open",
    "closing": "door closing",
    "entered": "arm inside",
}

MOVING = ("opening", "closing", "entered")


def stage_of(world: World, machine: str) -> str:
    """The stage of a station's handshake, of the handler, or of the places."""
    station = world.state.stations.get(machine)
    if station is None:
        return f"handler {world.state.handler.stage}" if machine == "handler" else "places"
    if station.bay in MOVING:
        return BAYS[station.bay]
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
    goals = orders_of(commands)
    return step_of(goals[0]) if goals else "no order"


# --- routing ------------------------------------------------------------------------------------------------------------------------

PUT_OFF = "better for all together is"
"""What routing says of a move that it put off where pallets without a home exchange their nests."""


def answer_of(choice: Carry | Stay) -> str:
    """How routing came to an answer: by its simple rule, by the exchange of all together, or by look-ahead, and how far that saw."""
    if choice.bound_ms is None:
        said = (choice.why, *(each.why_lost for each in choice.alternatives))
        return "exchange" if any(PUT_OFF in text for text in said) else "simple rule"
    if isinstance(choice, Stay):
        return "look-ahead, stays free"
    if "as far as was looked ahead" in choice.why:
        return "look-ahead, part of the way"
    return "look-ahead, from a jaw" if not choice.origin else "look-ahead, to the end"


def way_of(world: World) -> str:
    """What is kept of a way to the end; "" where there is none."""
    state = world.state
    if not state.handler.way:
        return ""
    inside = (state.pallets.get(station.pallet) for station in state.stations.values())
    homeless = any(pallet is not None and not pallet.home for pallet in inside)
    return "way without homes" if homeless else "way"

"""Why something waits, in words.

Rules of this file:
- Nothing here decides. Conditions come from the core's interlocks, limits and reasons from its timers, the rest from routing's words.
- "until" completes the sentence "waits until ...".
- A goal that the rules would set next, and that an interlock keeps from being set, counts as waiting too: a prepared run that may
  not start, a stop of the handler before a door that may not open.
"""

from collections.abc import Iterator

from supervisor.api.schema import Instant, Schema, instant
from supervisor.cell.reading_order import reading_order
from supervisor.cell.value import value
from supervisor.core import interlocks
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
from supervisor.core.decide import Core
from supervisor.core.draft import Draft
from supervisor.core.state import CellState, Outstanding, Run
from supervisor.routing.situation import Carry, Stay


class Wait(Schema):
    """Something that is wanted and not there yet."""

    what: str
    """What is wanted, such as "door of touch-1 open"."""
    until: list[str]
    """The conditions that keep it from being ordered, each completing "waits until ..."; empty when it is ordered and under way."""
    why: str
    """Why it is waited for, "" where the goal says it all."""
    limit_at: Instant | None
    """When the supervisor stops believing and asks a person."""


@value
class Now:
    """What every view is made from: the core, a published state, its time, and routing's newest choice (None: none made yet)."""

    core: Core
    state: CellState
    at_ms: int
    choice: Carry | Stay | None


def phrase(goal: Goal) -> str:  # noqa: C901 - one answer per kind of goal
    """A goal in a few words."""
    match goal:
        case SetDoor():
            return f"door of {goal.station} {goal.door}"
        case PrepareProgram():
            return f"program {goal.program} prepared at {goal.station}"
        case StartRun():
            return f"run {goal.run_id} started at {goal.station}"
        case AbortRun():
            return f"run {goal.run_id} aborted at {goal.station}"
        case AcknowledgeResult():
            return f"result of run {goal.run_id} acknowledged at {goal.station}"
        case ClearFault():
            return f"fault of {goal.station} cleared"
        case ReadTag():
            return f"tag at {goal.place} read"
        case MoveHandler():
            return _move_phrase(goal)


def _move_phrase(goal: MoveHandler) -> str:
    match goal.action:
        case "approach":
            return f"handler before {goal.place}"
        case "pick":
            return f"{goal.picked} picked up at {goal.place}"
        case "put":
            return f"{goal.put} put down at {goal.place}"
        case "swap":
            return f"{goal.picked} and {goal.put} swapped at {goal.place}"


def _outstanding_now(now: Now) -> list[tuple[str, Outstanding]]:
    return sorted(now.state.outstanding.items(), key=lambda each: reading_order(each[0]))


def waits_of_station(now: Now, station: str) -> list[Wait]:
    """What a station waits for: its own goals, the move that enters it, the run that may not start yet."""
    waits = [
        _outstanding(now, about)
        for about, waiting in _outstanding_now(now)
        if station in (getattr(waiting.goal, "station", ""), getattr(waiting.goal, "place", ""))
    ]
    waits += [_blocked(now, goal) for goal in _intended(now) if station in _places_of(goal)]
    timer = now.state.timers.get(f"nest of {station}")
    if timer is not None:
        waits.append(
            Wait(
                what=f"nest of {station} settled",
                until=[],
                why=timer.why,
                limit_at=instant(timer.due_ms),
            )
        )
    return waits


def waits_of_handler(now: Now) -> list[Wait]:
    """What the handler waits for: its order, or the stop that it may not make yet."""
    if "handler" in now.state.outstanding:
        return [_outstanding(now, "handler")]
    return [_blocked(now, goal) for goal in _intended(now) if isinstance(goal, MoveHandler)]


def waits_of_place(now: Now, place: str) -> list[Wait]:
    """What a place outside the stations waits for."""
    waits = [
        _outstanding(now, about)
        for about, waiting in _outstanding_now(now)
        if getattr(waiting.goal, "place", "") == place
    ]
    timer = now.state.timers.get(f"place {place}")
    if timer is not None:
        waits.append(
            Wait(what=f"{place} settled", until=[], why=timer.why, limit_at=instant(timer.due_ms))
        )
    return waits


def _places_of(goal: Goal) -> tuple[str, str]:
    return getattr(goal, "station", ""), getattr(goal, "place", "")


def _outstanding(now: Now, about: str) -> Wait:
    timer = now.state.timers.get(about)
    return Wait(
        what=phrase(now.state.outstanding[about].goal),
        until=list(now.core.waiting_for(now.state, about)),
        why=timer.why if timer else "",
        limit_at=instant(timer.due_ms) if timer else None,
    )


def _blocked(now: Now, goal: Goal) -> Wait:
    return Wait(what=phrase(goal), until=list(_unmet(now, goal)), why="", limit_at=None)


def _unmet(now: Now, goal: Goal) -> tuple[str, ...]:
    draft = Draft(now.core.tables, now.state, now.at_ms)
    return tuple(condition.text for condition in interlocks.unmet(draft, goal))


def _intended(now: Now) -> Iterator[Goal]:
    """Goals that would be set now if their interlocks held."""
    for station in now.state.stations.values():
        run = station.run
        ordered = f"run of {station.station}" in now.state.outstanding
        if run is not None and run.stage == "prepared" and not ordered:
            yield _start_of(now, station.station, run)
    carry = now.state.handler.carry
    if carry is not None and "handler" not in now.state.outstanding:
        stop = _stop_of(now.state, carry)
        yield stop
        station = now.state.stations.get(stop.place)
        if station is not None and station.bay in ("shut", "closing"):
            yield SetDoor(order=0, station=stop.place, door="open")


def _start_of(now: Now, station: str, run: Run) -> StartRun:
    program = now.core.tables.programs[run.program]
    return StartRun(
        order=0,
        station=station,
        run_id=run.run_id,
        run_no=run.run_no,
        program=run.program,
        name=program.name,
        number=program.number,
        revision=program.revision,
        part_type=run.part_type,
        serial=run.serial,
        pallet=run.pallet,
    )


def _stop_of(state: CellState, carry: Carry) -> MoveHandler:
    """The next stop of a decision being carried out, as the interlocks look at it."""
    jaws = state.handler.jaws
    free_jaw = jaws.index("") + 1 if "" in jaws else 0
    if carry.pallet not in jaws:
        return MoveHandler(
            order=0,
            action="pick",
            place=carry.origin,
            pick_jaw=free_jaw,
            put_jaw=0,
            picked=carry.pallet,
            put="",
        )
    occupant = state.stations[carry.target].pallet if carry.target in state.stations else ""
    return MoveHandler(
        order=0,
        action="swap" if occupant else "put",
        place=carry.target,
        pick_jaw=free_jaw if occupant else 0,
        put_jaw=jaws.index(carry.pallet) + 1,
        picked=occupant,
        put=carry.pallet,
    )


__all__ = [
    "Now",
    "Wait",
    "phrase",
    "waits_of_handler",
    "waits_of_place",
    "waits_of_station",
]

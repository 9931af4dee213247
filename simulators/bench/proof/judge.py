"""What must never be: checks on the truth of the abstract world, written without the core's own rules.

Rules of this file:
- Each finding is one sentence. Nothing here calls ``interlocks`` or ``invariants``; the core's own opinion is asked for elsewhere.
- What must be known before a goal goes out stands here a second time, worked out from the interlocks in words (docs/explanation/proof.md)
  and from images only. Where a goal has gone out on a guess, nothing need have happened yet for it to be found.
- What machines can see by themselves they report where it happens (``machines``); here stand the checks that need the core's account.
"""

from collections.abc import Iterator, Sequence

from simulators.bench.proof.cells import ProofCell
from simulators.bench.proof.truth import NOBODY
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
from supervisor.core.state import CellState, StationState
from supervisor.verdict.record import Record


def results_under_a_wrong_name(cell: ProofCell, state: CellState) -> Iterator[str]:
    """A part's results must be what that part really measures, one for each run."""
    values = {part.pallet: part.value for part in cell.parts}
    for name, pallet in state.pallets.items():
        runs = [result.run_id for result in pallet.results]
        if len(runs) != len(set(runs)):
            yield f"{name} has a result twice"
        for result in pallet.results:
            if any(value.value != values.get(name) for value in result.values):
                yield f"{name} has a result of another part, from {result.station}"


def record_of_another_part(cell: ProofCell, record: Record) -> Iterator[str]:
    """A record must tell what its part really measures, and its verdict what the part really is."""
    (part,) = [part for part in cell.parts if part.serial == record.serial]
    for finding in record.findings:
        if finding.decided_by is not None and finding.decided_by.value != part.value:
            yield f"the record of {part.serial} has a value of another part"
    truth = "conforming" if part.conforms else "nonconforming"
    if record.verdict in ("conforming", "nonconforming") and record.verdict != truth:
        yield f"the record of {part.serial} says {record.verdict}"


def goes_on_while_a_person_is_asked(state: CellState, goals: Sequence[Goal]) -> Iterator[str]:
    """While something waits for a person nothing new may begin there: only closing a door, ending, taking note, clearing."""
    for goal in goals:
        if isinstance(goal, AbortRun | AcknowledgeResult | ClearFault | ReadTag):
            continue
        if isinstance(goal, SetDoor) and goal.door == "closed":
            continue
        about = _touched(state, goal) if isinstance(goal, MoveHandler) else {goal.station}
        for hold in state.holds.values():
            if hold.subject in about:
                yield f"{type(goal).__name__} goes out while {hold.subject} waits for a person ({hold.code})"


def _touched(state: CellState, goal: MoveHandler) -> set[str]:
    """A pallet that a person is asked about stays where it stands; one that is in hand already may go home."""
    if goal.action == "approach":
        return {"handler"}
    fetched = {goal.picked} - {""} if goal.place in state.places else set[str]()
    return {"handler", goal.place} | fetched


def ordered_on_a_guess(state: CellState, goals: Sequence[Goal]) -> Iterator[str]:
    """A goal goes out only on what the last images tell; what they do not tell is not taken for granted."""
    for goal in goals:
        name = type(goal).__name__
        if isinstance(goal, MoveHandler):
            lacking = _lacking_for_move(state, goal)
        elif isinstance(goal, ReadTag):
            lacking = {
                "the reader is not connected": state.readers[goal.reader].link != "up",
                f"{goal.place} does not read occupied": state.places[goal.place].presence
                != "occupied",
            }
        else:
            lacking = _lacking_at_station(state, goal, state.stations[goal.station])
        yield from (f"{name} goes out though {text}" for text, lacks in lacking.items() if lacks)


def _lacking_at_station(
    state: CellState,
    goal: SetDoor | PrepareProgram | StartRun | AbortRun | AcknowledgeResult | ClearFault,
    station: StationState,
) -> dict[str, bool]:
    lacking = {"the station is not connected": station.link != "up"}
    if isinstance(goal, AbortRun | AcknowledgeResult | ClearFault):
        return lacking
    lacking["the station is not in automatic"] = station.mode != "automatic"
    if isinstance(goal, PrepareProgram | StartRun):
        lacking["the station is not known to be quiet"] = station.work not in ("idle", "prepared")
    if isinstance(goal, SetDoor) and goal.door == "open":
        lacking["the station may be measuring"] = station.work in ("running", "unknown")
    elif isinstance(goal, SetDoor | StartRun):
        lacking["the arm is not known to be clear"] = not _is_clear(state, goal.station)
    if isinstance(goal, StartRun):
        lacking |= {
            "the door is not known to be closed": station.door not in ("closed", "none"),
            "the nest does not read occupied": station.nest != "occupied",
            "the station is not fit to measure": station.gate != "",
            "the station shows another program": station.program
            not in ("", goal.name, str(goal.number)),
        }
    return lacking


def _is_clear(state: CellState, station: str) -> bool:
    arm = state.handler
    return arm.link == "up" and arm.inside not in (station, "unknown")


def _lacking_for_move(state: CellState, goal: MoveHandler) -> dict[str, bool]:
    arm = state.handler
    lacking = {
        "the handler is not connected": arm.link != "up",
        "the handler is not in automatic": arm.mode != "automatic",
    }
    if goal.action == "approach":
        return lacking
    expected = "empty" if goal.action == "put" else "occupied"
    lacking |= {
        f"jaw {goal.pick_jaw} does not read empty": goal.pick_jaw > 0
        and arm.jaws_seen[goal.pick_jaw - 1] != "empty",
        f"jaw {goal.put_jaw} does not read occupied": goal.put_jaw > 0
        and arm.jaws_seen[goal.put_jaw - 1] != "occupied",
    }
    if goal.place in state.places:
        reads = state.places[goal.place].presence
        return lacking | {
            f"{goal.place} does not read {expected}": reads != expected,
            f"the tag at {goal.place} is still to be read": goal.action == "pick"
            and f"tag at {goal.place}" in state.outstanding,
        }
    station = state.stations[goal.place]
    return lacking | {
        "the station is not connected": station.link != "up",
        "the station is not in automatic": station.mode != "automatic",
        "the door is not known to be open": station.door not in ("open", "none"),
        "the station may be measuring": station.work in ("running", "unknown"),
        f"the nest does not read {expected}": station.nest != expected,
    }


def pallets_elsewhere(cell: ProofCell, state: CellState, floor: dict[str, int]) -> Iterator[str]:
    """At rest, with everything seen and nobody asked, each pallet is where the core holds it to be."""
    believed = {pallet.place: name for name, pallet in state.pallets.items()}
    for spot, part in floor.items():
        name = believed.get(spot, "")
        if part == NOBODY and name:
            yield f"{spot} should hold {name} and is empty"
        elif part != NOBODY and name not in (cell.parts[part].pallet, f"unread@{spot}"):
            yield f"{spot} should hold {name or 'nothing'} and holds {cell.parts[part].pallet}"

"""What must never be: checks on the truth of the abstract world, written without the core's own rules.

Rules of this file:
- Each finding is one sentence. Nothing here calls ``interlocks`` or ``invariants``; the core's own opinion is asked for elsewhere.
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
    ReadTag,
    SetDoor,
)
from supervisor.core.state import CellState
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
        about = _entered(goal) if isinstance(goal, MoveHandler) else {goal.station}
        for hold in state.holds.values():
            if hold.subject in about:
                yield f"{type(goal).__name__} goes out while {hold.subject} waits for a person ({hold.code})"


def _entered(goal: MoveHandler) -> set[str]:
    return {"handler"} if goal.action == "approach" else {"handler", goal.place}


def pallets_elsewhere(cell: ProofCell, state: CellState, floor: dict[str, int]) -> Iterator[str]:
    """At rest, with everything seen and nobody asked, each pallet is where the core holds it to be."""
    believed = {pallet.place: name for name, pallet in state.pallets.items()}
    for spot, part in floor.items():
        name = believed.get(spot, "")
        if part == NOBODY and name:
            yield f"{spot} should hold {name} and is empty"
        elif part != NOBODY and name not in (cell.parts[part].pallet, f"unread@{spot}"):
            yield f"{spot} should hold {name or 'nothing'} and holds {cell.parts[part].pallet}"

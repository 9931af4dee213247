"""What a cell file says about routing: an objective with what it needs.

Rules of this file: an objective that would be ignored is an error, never silently throughput.
"""

from collections.abc import Iterator

from supervisor.cell.declaration import Declaration
from supervisor.cell.problem import Problem
from supervisor.cell.schema import RoutingEntry, UrgencyEntry

LOOK_AHEAD_STEPS_MAX = 100_000
WEIGHT_MAX = 1_000


def objectives_say_what_presses(declaration: Declaration) -> Iterator[Problem]:
    """Due times and priority classes name the part types that press and look ahead; throughput has none of it."""
    routing = declaration.routing
    if routing.objective == "throughput":
        if routing.urgencies:
            yield routing.problem(
                "objective",
                expected="due_times or priority_classes, as there are urgencies",
                remedy="name the objective that they are for, or remove `urgencies`",
            )
        return
    if not routing.urgencies:
        yield routing.problem(
            "urgencies",
            expected=f"the part types that press, as the objective is {routing.objective}",
            found="nothing",
            remedy="add `urgencies:`, or aim at throughput",
        )
    if not routing.look_ahead_steps:
        yield routing.problem(
            "look_ahead_steps",
            expected=f"at least 1, as the simple rule knows no {routing.objective}",
            remedy="write 1000, or aim at throughput",
        )
    for urgency in routing.urgencies:
        yield from _urgency_problems(routing, urgency)


def _urgency_problems(routing: RoutingEntry, urgency: UrgencyEntry) -> Iterator[Problem]:
    due = routing.objective == "due_times"
    if due and urgency.due_s is None:
        yield urgency.problem(
            "due_s",
            expected="how long after it came in a part is due",
            found="nothing",
            remedy="add `due_s:`",
        )
    if not due and urgency.due_s is not None:
        yield urgency.problem(
            "due_s",
            expected="no due time, as the objective is priority_classes",
            remedy="remove it, or aim at due_times",
        )
    if urgency.weight > WEIGHT_MAX:
        yield urgency.problem(
            "weight", expected=f"1 to {WEIGHT_MAX}", remedy="choose smaller weights throughout"
        )


def look_ahead_has_a_bound(declaration: Declaration) -> Iterator[Problem]:
    """A decision takes as long as its steps: nobody waits for millions."""
    routing = declaration.routing
    if routing.look_ahead_steps > LOOK_AHEAD_STEPS_MAX:
        yield routing.problem(
            "look_ahead_steps",
            expected=f"0 to {LOOK_AHEAD_STEPS_MAX}",
            remedy="write 1000; more seldom pays",
        )


def urgencies_refer_to_part_types(declaration: Declaration) -> Iterator[Problem]:
    """Each urgency names a declared part type, once."""
    known = {draft.part_type for draft in declaration.part_types}
    seen: set[str] = set()
    for urgency in declaration.routing.urgencies:
        if urgency.part_type not in known or urgency.part_type in seen:
            yield urgency.problem(
                "part_type",
                expected=f"a part type, each once: {', '.join(sorted(known - seen)) or 'none is left'}",
                remedy="correct the name, or remove the entry",
            )
        seen.add(urgency.part_type)

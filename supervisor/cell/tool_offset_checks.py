"""Where to correct: what makes sense in the tool offsets of a part type and in what answers to them.

Rules of this file:
- A value without a sign (form, run-out, position as a width) never leads to a correction: it does not say which way.
- What is checked here is the declaration; whether the gain is the true one, only its effect shows.
"""

from collections.abc import Iterator

from supervisor.cell.declaration import Declaration, texts
from supervisor.cell.kinds import KINDS
from supervisor.cell.plan import limits_of, target_of
from supervisor.cell.problem import Problem, choose_instead
from supervisor.cell.schema import CharacteristicEntry

PARTS_MIN = 3


def tool_offsets_are_distinct(declaration: Declaration) -> Iterator[Problem]:
    """A tool offset is declared once in a part type, and a characteristic names it once."""
    for draft in declaration.part_types:
        seen: set[str] = set()
        for entry in draft.tool_offsets:
            if entry.id in seen:
                yield entry.problem(
                    "id", expected="each offset once in a part type", remedy="change one of them"
                )
            seen.add(entry.id)
        for line in draft.plan:
            names = [answer.offset for answer in line.answers_to]
            for at, answer in enumerate(line.answers_to):
                if answer.offset in names[:at]:
                    yield answer.problem(
                        "offset",
                        expected="each offset once for a characteristic",
                        remedy="add the gains up in one entry",
                    )


def answers_name_tool_offsets(declaration: Declaration) -> Iterator[Problem]:
    """A characteristic answers to tool offsets of its own part type."""
    for draft in declaration.part_types:
        known = texts(draft.table.tables("tool_offsets"), "id")
        for line in draft.plan:
            for answer in line.answers_to:
                if answer.offset not in known:
                    yield answer.problem(
                        "offset",
                        expected="a tool offset of this part type",
                        remedy=choose_instead(
                            answer.offset, known, otherwise="declare it under `tool_offsets:`"
                        ),
                    )


def answers_can_be_followed(declaration: Declaration) -> Iterator[Problem]:
    """What answers to a tool offset has a sign, and its gain is not 0."""
    for draft in declaration.part_types:
        for line in draft.plan:
            if line.answers_to and KINDS[line.kind].natural_limit == "zero":
                yield line.problem(
                    "answers_to",
                    expected=f"no offset for {line.kind}, which has no sign",
                    remedy="remove it; declare the signed distance that the offset moves",
                )
            for answer in line.answers_to:
                if answer.gain == 0:
                    yield answer.problem(
                        "gain",
                        expected="a gain that is not 0",
                        remedy="write by how much the value changes per unit of the offset",
                    )


def targets_are_known(declaration: Declaration) -> Iterator[Problem]:
    """What answers to a tool offset has a target within its limits; what answers to nothing has none."""
    for draft in declaration.part_types:
        for line in draft.plan:
            yield from _target(line)


def _target(line: CharacteristicEntry) -> Iterator[Problem]:
    limits = limits_of(line)
    if isinstance(limits, Problem) or KINDS[line.kind].natural_limit == "zero":
        return
    if not line.answers_to:
        if line.target is not None:
            yield line.problem(
                "target", expected="a target only with `answers_to`", remedy="remove it"
            )
        return
    target = target_of(line, limits)
    if target is None:
        yield line.problem(
            "target",
            expected="the target, as there is no middle between two limits",
            found="nothing",
            remedy="add `target:`",
        )
        return
    low = limits.lower is not None and target < limits.lower
    high = limits.upper is not None and target > limits.upper
    if low or high:
        yield line.problem(
            "target", expected="a target within the limits", remedy="correct the target"
        )


def steps_are_possible(declaration: Declaration) -> Iterator[Problem]:
    """The largest step is not below the smallest, and advice rests on three parts at least."""
    for draft in declaration.part_types:
        for entry in draft.tool_offsets:
            if entry.step_max < entry.increment:
                yield entry.problem(
                    "step_max",
                    expected=f"at least the increment, {entry.increment}",
                    remedy="exchange the two, or correct the unit",
                )
            if entry.parts < PARTS_MIN:
                yield entry.problem(
                    "parts",
                    expected=f"{PARTS_MIN} parts or more",
                    remedy="write 5: a correction after single parts makes a sound process worse",
                )


def tool_offsets_are_answered(declaration: Declaration) -> Iterator[Problem]:
    """Some characteristic answers to every tool offset."""
    for draft in declaration.part_types:
        answered = {
            name
            for line in draft.table.tables("plan")
            for name in texts(line.tables("answers_to"), "offset")
        }
        for entry in draft.tool_offsets:
            if entry.id not in answered:
                yield entry.problem(
                    "id",
                    expected="a characteristic that answers to this offset",
                    remedy="add `answers_to:` to a characteristic, or remove the offset",
                    grade="warning",
                )

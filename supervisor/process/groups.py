"""Offsets that have to be looked at together, because some characteristic answers to several of them.

Rules of this file: groups and what is in them are sorted by id.
"""

from supervisor.cell.model import Characteristic, PartType, ToolOffset
from supervisor.cell.value import value


@value
class Group:
    """Offsets and all characteristics that answer to any of them."""

    offsets: tuple[ToolOffset, ...]
    characteristics: tuple[Characteristic, ...]


def groups(part_type: PartType) -> tuple[Group, ...]:
    """Every offset of a part type in exactly one group; offsets that nothing answers to are left out."""
    left = {offset.offset: offset for offset in part_type.tool_offsets}
    found: list[Group] = []
    while left:
        names = {next(iter(sorted(left)))}
        while True:
            answering = [c for c in part_type.plan if any(a.offset in names for a in c.answers)]
            more = {a.offset for c in answering for a in c.answers}
            if more <= names:
                break
            names |= more
        offsets = tuple(left.pop(name) for name in sorted(names))
        if answering:
            found.append(Group(offsets=offsets, characteristics=tuple(answering)))
    return tuple(found)

"""The part of a value that a profile means: a field, a part of a text, an entry, a bit.

Rules of this file:
- A part that is not there is ``MISSING``; a value that does not follow its own type is unreadable as a whole. Neither raises further.
- A picker is made once per connection and looks up only; what cannot be picked for certain is found when it is made.
"""

from collections.abc import Callable, Mapping
from typing import Any, Final, cast

from supervisor.cell.profile_language import Pick
from supervisor.stations.structures import Structure
from supervisor.stations.trouble import LinkLost, ResultUnreadable

Picker = Callable[[Any], Any]


class _Mark:
    """Stands for a value that is not there; it equals nothing else."""

    def __init__(self, what: str) -> None:
        self._what = what

    def __repr__(self) -> str:
        return self._what


MISSING: Final = _Mark("missing")
UNREADABLE: Final = _Mark("unreadable")


def picker(pick: Pick | None, structure: Structure | None, node: str) -> Picker | None:
    """What takes the part out of a value; None where the whole value is meant.

    Raises:
        LinkLost: the structure of the station has no such field.
    """
    steps: list[Picker] = [] if structure is None else [_unpacker(structure)]
    steps += _steps(pick, structure, node)
    if not steps:
        return None

    def picked(content: Any) -> Any:
        for step in steps:
            content = step(content)
            if content is MISSING or content is UNREADABLE:
                break
        return content

    return picked


def field_of(content: Any, path: tuple[str, ...]) -> Any:
    """What stands at a path of fields and of entries of arrays; ``MISSING`` where there is nothing."""
    here = content
    for name in path:
        if isinstance(here, Mapping):
            here = cast("Mapping[str, Any]", here).get(name, MISSING)
        elif isinstance(here, list) and name.lstrip("-").isdigit():
            here = _entry(here, int(name))
        else:
            return MISSING
    return MISSING if here is None else here


def _steps(pick: Pick | None, structure: Structure | None, node: str) -> list[Picker]:
    if pick is None:
        return []
    steps: list[Picker] = []
    if pick.field is not None:
        steps.append(_field(pick.field, structure, node))
    if pick.split is not None:
        steps.append(_splitter(pick.split))
    if pick.entry is not None:
        entry = pick.entry
        steps.append(lambda content: _entry(content, entry))
    if pick.bit is not None:
        steps.append(_bits(pick.bit, pick.width))
    return steps


def _unpacker(structure: Structure) -> Picker:
    def unpacked(content: Any) -> Any:
        try:
            return structure.rows(content) if isinstance(content, list) else structure.row(content)
        except ResultUnreadable:
            return UNREADABLE

    return unpacked


def _field(written: str, structure: Structure | None, node: str) -> Picker:
    path = tuple(written.split("."))
    named = next((part for part in path if not part.lstrip("-").isdigit()), None)
    if structure is not None and named is not None and named not in structure.fields:
        known = ", ".join(structure.fields)
        message = f"node {node}: expected the field {named} in the station's structure, found {known}; correct the profile"
        raise LinkLost(message)
    return lambda content: field_of(content, path)


def _splitter(separator: str) -> Picker:
    def split(content: Any) -> Any:
        if not isinstance(content, str):
            return MISSING
        return [part.strip() for part in content.split(separator)]

    return split


def _entry(content: Any, entry: int) -> Any:
    if isinstance(content, bytes):  # an array of Byte may travel as a ByteString
        content = list(content)
    if not isinstance(content, list):
        return MISSING
    entries = cast("list[Any]", content)
    return entries[entry] if -len(entries) <= entry < len(entries) else MISSING


def _bits(bit: int, width: int | None) -> Picker:
    def bits(content: Any) -> Any:
        if isinstance(content, bool) or not isinstance(content, int):
            return MISSING
        if width is None:
            return bool(content >> bit & 1)
        return content >> bit & (1 << width) - 1

    return bits

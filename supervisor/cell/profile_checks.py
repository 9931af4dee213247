"""The checks of a profile's parts.

Rules of this file:
- A check yields problems and goes on; it never raises and never stops at the first.
- A name that is not declared is one problem. What depends on the node's type is then left unsaid.
"""

import re
from collections.abc import Iterable, Iterator, Mapping
from typing import NamedTuple

from supervisor.cell.problem import choose_instead, one_of
from supervisor.cell.profile_address import PLACE, browse_name, browse_path, node_id
from supervisor.cell.profile_language import (
    REAL_TYPES,
    TEXT_TYPES,
    WHOLE_TYPES,
    WORD_BITS,
    Argument,
    Assignment,
    Content,
    Node,
    Profile,
    WriteOrder,
)

FieldPath = tuple[str | int, ...]

UNSIGNED = ("Byte", "UInt16", "UInt32", "UInt64")
SCALARS = ("Boolean", *WHOLE_TYPES, *REAL_TYPES, *TEXT_TYPES)


class ProfileProblem(NamedTuple):
    """One mistake, at the path of keys and list positions (from 0); ``beside`` leads to the other entry of two that do not go together."""

    path: FieldPath
    found: str
    expected: str
    remedy: str
    beside: FieldPath = ()


Problems = Iterator[ProfileProblem]
Given = WriteOrder | Assignment | Argument


# --- nodes --------------------------------------------------------------------------------------------------------------


def check_nodes(profile: Profile) -> Problems:
    """Every address can be read and names declared namespaces only."""
    yield from check_address(profile, ("root",), profile.root, "path")
    for name, node in profile.nodes.items():
        yield from _node(profile, ("nodes", name), node)


def _node(profile: Profile, at: FieldPath, node: Node) -> Problems:
    if (node.path is None) == (node.id is None):
        found = "both" if node.path is not None else "neither"
        yield ProfileProblem(
            at, found, "either `path` or `id`", "say where the node stands in one way"
        )
        return
    if node.path is not None:
        yield from check_address(profile, (*at, "path"), node.path, "path")
        yield from _only_with_id(at, node)
        return
    yield from check_address(profile, (*at, "id"), node.id or "", "id")
    yield from check_address(profile, (*at, "name"), node.name or "", "name")
    if node.type == "Method":
        yield from check_address(profile, (*at, "on"), node.on or "", "id")


def _only_with_id(at: FieldPath, node: Node) -> Problems:
    for key in ("name", "on"):
        written = getattr(node, key)
        if written is not None:
            yield ProfileProblem(
                (*at, key),
                written,
                f"no `{key}` beside `path`",
                f"remove `{key}`, the path says it",
            )


def check_address(profile: Profile, at: FieldPath, written: str, form: str) -> Problems:
    """A path, id or name (the ``form``) can be read and names declared namespaces only."""
    expected = {
        "path": "a browse path such as `s:Door/s:State`",
        "id": "a node id such as `s;s=Door.State`",
        "name": "the browse name that the node must have, such as `s:State`",
    }[form]
    try:
        prefixes = _prefixes(written, form)
    except ValueError:
        yield ProfileProblem(
            at, f'"{written}"' if written else "nothing", expected, "write it in this form"
        )
        return
    for prefix in prefixes:
        yield from check_prefix(profile, at, prefix)


def check_prefix(profile: Profile, at: FieldPath, prefix: str) -> Problems:
    """A prefix is declared; none is the namespace of OPC UA itself."""
    if prefix and prefix not in profile.namespaces:
        yield ProfileProblem(
            at,
            f"the prefix `{prefix}`",
            f"a declared prefix: {one_of(profile.namespaces)}",
            choose_instead(prefix, profile.namespaces, "declare it under `namespaces`"),
        )


def _prefixes(written: str, form: str) -> list[str]:
    if form == "id":
        return [node_id(written).prefix]
    if form == "name":
        return [browse_name(written).prefix]
    return sorted({name.prefix for name in browse_path(written)})


def check_declared(
    profile: Profile, at: FieldPath, name: str, among: Mapping[str, Node] | None = None
) -> Problems:
    """A name leads to a declared node, or to another thing of those ``among`` which it may be."""
    known = profile.nodes if among is None else among
    if name not in known:
        yield ProfileProblem(
            at,
            f"the node `{name}`",
            f"a declared node: {one_of(known)}",
            choose_instead(name, known, "declare it under `nodes`"),
        )


def check_shown(
    profile: Profile, at: FieldPath, name: str | None, types: Iterable[str]
) -> Problems:
    """A name leads to something that is only looked at: a node or a field of an event."""
    yield from check_reference(profile, at, name, types, profile.shown())


def check_reference(
    profile: Profile,
    at: FieldPath,
    name: str | None,
    types: Iterable[str],
    among: Mapping[str, Node] | None = None,
) -> Problems:
    """A name leads to a declared node of one of the types; None is no reference."""
    if name is None:
        return
    node = (profile.nodes if among is None else among).get(name)
    if node is None:
        yield from check_declared(profile, at, name, among)
        return
    allowed = tuple(types)
    if node.type not in allowed:
        yield ProfileProblem(
            at,
            f"`{name}` of type {node.type}",
            f"a node of type {' or '.join(allowed)}",
            "name another node, or correct its type",
        )


def check_per_place(profile: Profile, at: FieldPath, name: str | None, places: str) -> Problems:
    """Where ``places`` is "each" the node must be one per place, where it is "none" it must not."""
    node = profile.nodes.get(name or "")
    if node is None:
        return
    has = PLACE in (node.path or "")
    if has and places == "none":
        yield ProfileProblem(
            at, f"`{name}`, one for each place", "a single node", f"remove {PLACE} from its path"
        )
    if not has and places == "each":
        yield ProfileProblem(
            at,
            f"`{name}`, one for all places",
            "one node for each place",
            f"put {PLACE} into its path",
        )


# --- literals -----------------------------------------------------------------------------------------------------------


def literal_fits(content: Content | None, node_type: str) -> bool:
    """Whether a literal can be sent as a value of the type, within its range."""
    if isinstance(content, bool):
        return node_type == "Boolean"
    if isinstance(content, int):
        return node_type in REAL_TYPES or (
            node_type in WHOLE_TYPES and in_range(content, node_type)
        )
    if isinstance(content, float):
        return node_type in REAL_TYPES
    if node_type == "ByteString":
        return _HEX.fullmatch(content or "") is not None
    return isinstance(content, str) and node_type in TEXT_TYPES


_HEX = re.compile(r"([0-9A-Fa-f]{2})*")


def in_range(number: int, node_type: str) -> bool:
    """Whether a whole number fits the type; an enumeration is an Int32 on the wire."""
    bits = WORD_BITS.get(node_type, 32)
    if node_type in UNSIGNED:
        return 0 <= number < 1 << bits
    return -(1 << bits - 1) <= number < 1 << bits - 1

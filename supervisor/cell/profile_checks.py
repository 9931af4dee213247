"""The checks of a profile's parts.

Rules of this file:
- A check yields problems and goes on; it never raises and never stops at the first.
- A name that is not declared is one problem. What depends on the node's type is then left unsaid.
"""

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from supervisor.cell.problem import choose_instead, one_of
from supervisor.cell.profile_address import PLACE, browse_name, browse_path, node_id
from supervisor.cell.profile_language import (
    FIELD_KINDS,
    ORDER_FIELDS,
    REAL_TYPES,
    TEXT_TYPES,
    WHOLE_TYPES,
    WORD_BITS,
    Argument,
    ArrayResults,
    Assignment,
    CallOrder,
    Columns,
    Content,
    JsonResults,
    Node,
    Profile,
    PulseOrder,
    StructureResults,
    TagOrder,
    WriteOrder,
)

FieldPath = tuple[str | int, ...]

UNSIGNED = ("Byte", "UInt16", "UInt32", "UInt64")
SCALARS = ("Boolean", *WHOLE_TYPES, *REAL_TYPES, *TEXT_TYPES)


class ProfileProblem(NamedTuple):
    """One mistake, at the path of keys and list positions (from 0)."""

    path: FieldPath
    found: str
    expected: str
    remedy: str


Problems = Iterator[ProfileProblem]
Given = WriteOrder | Assignment | Argument


# --- nodes --------------------------------------------------------------------------------------------------------------


def check_nodes(profile: Profile) -> Problems:
    """Every address can be read and names declared namespaces only."""
    yield from _address(profile, ("root",), profile.root, "path")
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
        yield from _address(profile, (*at, "path"), node.path, "path")
        yield from _only_with_id(at, node)
        return
    yield from _address(profile, (*at, "id"), node.id or "", "id")
    yield from _address(profile, (*at, "name"), node.name or "", "name")
    if node.type == "Method":
        yield from _address(profile, (*at, "on"), node.on or "", "id")


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


def _address(profile: Profile, at: FieldPath, written: str, form: str) -> Problems:
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


def check_declared(profile: Profile, at: FieldPath, name: str) -> Problems:
    """A name leads to a declared node."""
    if name not in profile.nodes:
        yield ProfileProblem(
            at,
            f"the node `{name}`",
            f"a declared node: {one_of(profile.nodes)}",
            choose_instead(name, profile.nodes, "declare it under `nodes`"),
        )


def check_reference(
    profile: Profile, at: FieldPath, name: str | None, types: Iterable[str]
) -> Problems:
    """A name leads to a declared node of one of the types; None is no reference."""
    if name is None:
        return
    node = profile.nodes.get(name)
    if node is None:
        yield from check_declared(profile, at, name)
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


# --- orders -------------------------------------------------------------------------------------------------------------


def check_order(
    profile: Profile,
    name: str,
    order: WriteOrder | PulseOrder | CallOrder | TagOrder | str,
    section: str = "orders",
) -> Problems:
    """What an order writes, waits for or calls fits the nodes and the fields of its goal."""
    at: FieldPath = (section, name)
    match order:
        case WriteOrder():
            yield from _write_order(profile, at, order)
        case PulseOrder():
            yield from _pulse_order(profile, at, order)
        case CallOrder():
            yield from _call_order(profile, at, order)
        case TagOrder():
            yield from _call(profile, at, order)
            yield from _tag_outputs(at, order)
        case _:
            return


def _write_order(profile: Profile, at: FieldPath, order: WriteOrder) -> Problems:
    yield from _befores(profile, at, order.before)
    yield from check_reference(profile, (*at, "node"), order.node, SCALARS)
    yield from _given(at, order, _type(profile, order.node))
    written = _type(profile, order.node)
    if written is not None:
        yield from check_reference(profile, (*at, "echo"), order.echo, (written,))


def _pulse_order(profile: Profile, at: FieldPath, order: PulseOrder) -> Problems:
    yield from _befores(profile, at, order.before)
    for key in ("node", "acknowledge", "refusal"):
        yield from check_reference(profile, (*at, key), getattr(order, key), ("Boolean",))
    yield from check_reference(profile, (*at, "text"), order.text, TEXT_TYPES)
    if order.refusal is not None and order.acknowledge is None:
        yield ProfileProblem(
            (*at, "refusal"), order.refusal, "`acknowledge` beside `refusal`", "add `acknowledge:`"
        )


def _call_order(profile: Profile, at: FieldPath, order: CallOrder) -> Problems:
    yield from _call(profile, at, order)
    both = sorted(set(order.accepted) & set(order.refused))
    if both:
        yield ProfileProblem(
            (*at, "refused"),
            f"{both[0]} in both lists",
            "each status in one list",
            "decide what it means",
        )
    if order.outputs.status is not None and not order.accepted:
        yield ProfileProblem(
            (*at, "accepted"),
            "nothing",
            "the statuses that mean yes",
            "add `accepted:` with the status numbers",
        )
    if order.outputs.status is None and (order.accepted or order.refused):
        yield ProfileProblem(
            (*at, "outputs", "status"),
            "nothing",
            "the output that is the status",
            "add `outputs: {status: 1}`",
        )


def _call(profile: Profile, at: FieldPath, order: CallOrder | TagOrder) -> Problems:
    yield from check_reference(profile, (*at, "node"), order.node, ("Method",))
    for index, argument in enumerate(order.arguments):
        yield from _given((*at, "arguments", index), argument, argument.type)
    for key in ("status", "text", "payload"):
        position = getattr(order.outputs, key)
        if position is not None and position < 1:
            yield ProfileProblem(
                (*at, "outputs", key),
                str(position),
                "a position from 1",
                "the first output is number 1",
            )


def _tag_outputs(at: FieldPath, order: TagOrder) -> Problems:
    for key in ("status", "payload"):
        if getattr(order.outputs, key) is None:
            yield ProfileProblem(
                (*at, "outputs", key),
                "nothing",
                f"the output that is the {key}",
                f"add `{key}:` with its position",
            )
    if "read" not in order.statuses.values():
        yield ProfileProblem(
            (*at, "statuses"),
            "no status for `read`",
            "the status of a tag that was read",
            "add it to `statuses`",
        )


def _befores(profile: Profile, at: FieldPath, before: list[Assignment]) -> Problems:
    for index, assignment in enumerate(before):
        here = (*at, "before", index)
        yield from check_reference(profile, (*here, "node"), assignment.node, SCALARS)
        yield from _given(here, assignment, _type(profile, assignment.node))


def _type(profile: Profile, name: str) -> str | None:
    node = profile.nodes.get(name)
    return node.type if node is not None else None


def _given(at: FieldPath, given: Given, node_type: str | None) -> Problems:
    """A value to hand over comes from one source and fits the type that it is handed over as."""
    if (given.field is None) == (given.value is None):
        found = "both" if given.field is not None else "neither"
        yield ProfileProblem(
            at, found, "either `field` or `value`", "say what to hand over in one way"
        )
        return
    if given.field is None:
        yield from _literal((*at, "value"), given.value, node_type)
        return
    order = str(at[1])
    fields = ORDER_FIELDS[order]
    if given.field not in fields:
        yield ProfileProblem(
            (*at, "field"),
            f"the field `{given.field}`",
            f"a field of this order: {one_of(fields)}",
            choose_instead(given.field, fields, "this order does not carry it"),
        )
    elif given.codes is not None:
        for key, content in given.codes.items():
            yield from _literal((*at, "codes", key), content, node_type)
    else:
        yield from _field_fits((*at, "field"), given.field, node_type)


def _field_fits(at: FieldPath, field: str, node_type: str | None) -> Problems:
    allowed = (
        TEXT_TYPES if FIELD_KINDS[field] == "text" else (*TEXT_TYPES, *WHOLE_TYPES, *REAL_TYPES)
    )
    if node_type is not None and node_type not in allowed:
        remedy = (
            "use `run_no`"
            if field == "run_id"
            else "translate it with `codes`, or take another field"
        )
        yield ProfileProblem(at, f"`{field}` for a {node_type}", f"a {node_type}", remedy)


def _literal(at: FieldPath, content: Content | None, node_type: str | None) -> Problems:
    if node_type is not None and not literal_fits(content, node_type):
        yield ProfileProblem(at, f"{content!r}", f"a {node_type}", "write a value of this type")


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
    return isinstance(content, str) and node_type in TEXT_TYPES


def in_range(number: int, node_type: str) -> bool:
    """Whether a whole number fits the type; an enumeration is an Int32 on the wire."""
    bits = WORD_BITS.get(node_type, 32)
    if node_type in UNSIGNED:
        return 0 <= number < 1 << bits
    return -(1 << bits - 1) <= number < 1 << bits - 1


# --- results ------------------------------------------------------------------------------------------------------------


def check_results(
    profile: Profile, results: JsonResults | ArrayResults | StructureResults
) -> Problems:
    """The columns and proofs of a result stand where its form puts them, and every value has a unit."""
    at: FieldPath = ("results",)
    if results.unit is None and results.columns.unit is None:
        yield ProfileProblem(
            (*at, "unit"), "nothing", "a unit for every value", "add `unit: mm`, or a unit column"
        )
    if results.columns.quality is not None and "good" not in results.qualities.values():
        yield ProfileProblem(
            (*at, "qualities"),
            "no code for `good`",
            "what the quality column's codes mean",
            "add `qualities:`",
        )
    match results:
        case JsonResults():
            yield from check_reference(profile, (*at, "node"), results.node, ("String",))
        case ArrayResults():
            yield from _arrays(profile, at, results)
        case StructureResults():
            yield from check_reference(profile, (*at, "node"), results.node, ("Structure[]",))
            yield from _proof_nodes(profile, at, results)


def _arrays(profile: Profile, at: FieldPath, results: ArrayResults) -> Problems:
    columns: Columns = results.columns
    allowed = {
        "number": (*TEXT_TYPES, *WHOLE_TYPES),
        "value": (*REAL_TYPES, *WHOLE_TYPES),
        "unit": TEXT_TYPES,
        "quality": ("Boolean", *TEXT_TYPES, *WHOLE_TYPES),
    }
    for key, types in allowed.items():
        arrays = tuple(f"{name}[]" for name in types)
        yield from check_reference(profile, (*at, "columns", key), getattr(columns, key), arrays)
    yield from check_reference(profile, (*at, "rows"), results.rows, WHOLE_TYPES)
    yield from _proof_nodes(profile, at, results)


def _proof_nodes(
    profile: Profile, at: FieldPath, results: ArrayResults | StructureResults
) -> Problems:
    yield from check_reference(profile, (*at, "run"), results.run, (*TEXT_TYPES, *WHOLE_TYPES))
    yield from check_reference(profile, (*at, "serial"), results.serial, TEXT_TYPES)
    yield from check_reference(profile, (*at, "counter"), results.counter, WHOLE_TYPES)

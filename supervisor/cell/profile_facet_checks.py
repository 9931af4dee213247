"""The checks of what a profile says of facets and echoes.

Rules of this file:
- A check yields problems and goes on; it never raises and never stops at the first.
- What stands inside a structure has its type from the station: it is checked when the link comes up, not here.
"""

from collections.abc import Iterable, Mapping
from typing import Any

from supervisor.cell.profile_address import node_id
from supervisor.cell.profile_checks import (
    FieldPath,
    Problems,
    ProfileProblem,
    check_declared,
    check_prefix,
    check_shown,
)
from supervisor.cell.profile_language import (
    REAL_TYPES,
    TEXT_TYPES,
    WHOLE_TYPES,
    WORD_BITS,
    Case,
    Condition,
    Content,
    Echo,
    Facet,
    Heartbeat,
    Pick,
    Profile,
    StationProfile,
)
from supervisor.cell.profile_uses import facet_nodes

TABLES = (
    "codes",
    "texts",
    "truth",
    "names",
    "states",
    "bits",
    "switches",
    "cases",
    "always",
)
SETTLE_MS_MAX = 10_000

# Which types each table of a facet can interpret.
READABLE: Mapping[str, tuple[str, ...]] = {
    "codes": WHOLE_TYPES,
    "texts": TEXT_TYPES,
    "truth": ("Boolean",),
    "names": ("Enumeration",),
    "states": ("NodeId",),
    "bits": tuple(WORD_BITS),
}
COMPARABLE = ("Boolean", *WHOLE_TYPES, *TEXT_TYPES, "NodeId")
CHANGING = ("Boolean", *WHOLE_TYPES, *REAL_TYPES, *TEXT_TYPES)

Source = tuple[Any, ...]


def check_facet(profile: Profile, at: FieldPath, facet: Facet[Any] | None) -> Problems:
    """A facet has exactly one table, and the table fits what it looks at."""
    if facet is None:
        return
    given = [table for table in TABLES if getattr(facet, table) is not None]
    if len(given) != 1:
        yield ProfileProblem(
            at,
            f"{' and '.join(given)}" if given else "none of them",
            f"exactly one of {', '.join(TABLES)}",
            "keep the one that the node's values need",
        )
        return
    yield from _settling(profile, at, facet)
    match given[0]:
        case "always":
            yield from _no_node(at, facet, "always")
        case "switches":
            yield from _no_node(at, facet, "switches")
            yield from _switches(profile, at, facet)
        case "cases":
            yield from _no_node(at, facet, "cases")
            for index, case in enumerate(facet.cases or []):
                yield from _case(profile, (*at, "cases", index), case)
        case table:
            yield from _facet_table(profile, at, facet, table)


def _settling(profile: Profile, at: FieldPath, facet: Facet[Any]) -> Problems:
    if facet.settle_ms is not None and not 0 < facet.settle_ms <= SETTLE_MS_MAX:
        yield ProfileProblem(
            (*at, "settle_ms"),
            str(facet.settle_ms),
            f"more than 0 and at most {SETTLE_MS_MAX} ms",
            "write for how long the contact may bounce",
        )
    parts = facet.pick is not None and (
        facet.pick.field is not None or facet.pick.entry is not None
    )
    latched = _latched(profile, facet)
    sometimes = parts or facet.node in latched or _may_be_missing(profile, facet)
    if facet.missing is not None and not sometimes:
        yield ProfileProblem(
            (*at, "missing"),
            facet.missing,
            "no `missing` without a `field` or `entry` to pick, or an optional node",
            "remove it, or say with `pick` which part is meant",
        )
    if facet.age_s_max is not None and latched:
        yield ProfileProblem(
            (*at, "age_s_max"),
            f"{facet.age_s_max:g} s for `{min(latched)}`, which is latched from an event",
            "no age where nothing is renewed",
            "remove it, and say under `events` what ends the latch",
        )


def _latched(profile: Profile, facet: Facet[Any]) -> frozenset[str]:
    """What the facet looks at of events."""
    if not isinstance(profile, StationProfile):
        return frozenset()
    looked = [facet.node, *(switch.node for switch in facet.switches or ())]
    looked += [one.node for case in facet.cases or () for one in case.when]
    return profile.event_fields() & set(looked)


def _may_be_missing(profile: Profile, facet: Facet[Any]) -> bool:
    looked_at = [profile.nodes.get(name) for name in facet_nodes(facet)]
    return any(node is not None and node.optional is not None for node in looked_at)


def _no_node(at: FieldPath, facet: Facet[Any], table: str) -> Problems:
    for key in ("node", "pick"):
        if getattr(facet, key) is not None:
            found = facet.node if key == "node" else "a part"
            yield ProfileProblem(
                (*at, key), str(found), f"no {key} beside `{table}`", "remove one of the two"
            )


def _facet_table(profile: Profile, at: FieldPath, facet: Facet[Any], table: str) -> Problems:
    if facet.node is None:
        yield ProfileProblem(
            (*at, "node"), "nothing", f"the node that `{table}` interprets", "add `node:` here"
        )
        return
    yield from check_part(profile, at, facet.node, facet.pick, READABLE[table])
    if table == "states":
        for written in facet.states or {}:
            yield from _written_id(profile, (*at, "states", written), written)
    if table != "bits":
        return
    if facet.otherwise is None:
        yield ProfileProblem(
            (*at, "otherwise"), "nothing", "the word when no bit is set", "add `otherwise:` here"
        )
    yield from _bits(profile, at, facet)


def _bits(profile: Profile, at: FieldPath, facet: Facet[Any]) -> Problems:
    seen: set[int] = set()
    for index, entry in enumerate(facet.bits or []):
        here = (*at, "bits", index, "bit")
        yield from _bit_inside(here, entry.bit, _type_of(profile, facet.node), str(facet.node))
        if entry.bit in seen:
            yield ProfileProblem(
                here, f"bit {entry.bit} again", "each bit once", "remove one of the two"
            )
        seen.add(entry.bit)


def _bit_inside(here: FieldPath, bit: int, node_type: str | None, node: str) -> Problems:
    width = WORD_BITS.get(node_type or "", 64)
    if not 0 <= bit < width:
        yield ProfileProblem(
            here,
            f"bit {bit}",
            f"a bit from 0 to {width - 1} of `{node}` ({node_type or 'a word'})",
            "bits count from 0; check the word's width",
        )


# --- switches and cases ---------------------------------------------------------------------------------------------------


def _switches(profile: Profile, at: FieldPath, facet: Facet[Any]) -> Problems:
    if facet.otherwise is None:
        yield ProfileProblem(
            (*at, "otherwise"), "nothing", "the word when no switch is on", "add `otherwise:` here"
        )
    seen: list[Source] = []
    for index, switch in enumerate(facet.switches or []):
        here = (*at, "switches", index)
        yield from check_part(profile, here, switch.node, switch.pick, ("Boolean",))
        source = _source(switch.node, switch.pick)
        if (source, switch.on) in seen:
            yield ProfileProblem(
                (*here, "node"), f"`{switch.node}` again", "each switch once", "remove one of them"
            )
        seen.append((source, switch.on))


def _case(profile: Profile, at: FieldPath, case: Case[Any]) -> Problems:
    if not case.when:
        yield ProfileProblem(
            (*at, "when"), "nothing", "at least one condition", "use `otherwise:` for the rest"
        )
    for index, condition in enumerate(case.when):
        yield from check_condition(profile, (*at, "when", index), condition)


def check_condition(profile: Profile, at: FieldPath, condition: Condition) -> Problems:
    """A condition looks at something that it can be compared with, and at contents that it can show."""
    if condition.there is not None:
        yield from _there(profile, at, condition)
        return
    yield from check_part(profile, at, condition.node, condition.pick, COMPARABLE)
    if not condition.is_:
        yield ProfileProblem(
            (*at, "is"), "nothing", "what the node must show", "list at least one content"
        )
    node_type = part_type(_type_of(profile, condition.node), condition.pick)
    for index, content in enumerate(condition.is_ or []):
        here = (*at, "is", index)
        if node_type == "NodeId":
            yield from _written_id(profile, here, str(content))
        elif node_type is not None and not _can_show(content, node_type):
            yield ProfileProblem(
                here, f"{content!r}", f"a content of the type {node_type}", "correct the content"
            )


def _there(profile: Profile, at: FieldPath, condition: Condition) -> Problems:
    """Only what can be missing is asked whether it is there."""
    if condition.is_ is not None:
        yield ProfileProblem(
            (*at, "there"), "both", "either `is` or `there`", "say what must hold in one way"
        )
    shown = profile.shown()
    if condition.node not in shown:
        yield from check_declared(profile, (*at, "node"), condition.node, shown)
    elif condition.node in profile.nodes and condition.pick is None:
        remedy = "write with `is` what it must show, or pick the part that may be missing"
        yield ProfileProblem(
            (*at, "there"), f"a node, `{condition.node}`", "something that can be missing", remedy
        )


def _can_show(content: Content, node_type: str) -> bool:
    """Whether a node of the type can show the content; an enumeration is written by number or by the name of its member."""
    if isinstance(content, bool):
        return node_type == "Boolean"
    if isinstance(content, int):
        return node_type in WHOLE_TYPES
    return isinstance(content, str) and node_type in (*TEXT_TYPES, "Enumeration")


def _written_id(profile: Profile, at: FieldPath, written: str) -> Problems:
    try:
        parts = node_id(written)
    except ValueError:
        yield ProfileProblem(
            at, f'"{written}"', "a node id such as `s;i=12`", "write it in this form"
        )
        return
    yield from check_prefix(profile, at, parts.prefix)


# --- parts of values ------------------------------------------------------------------------------------------------------


def check_part(
    profile: Profile, at: FieldPath, node: str, pick: Pick | None, types: Iterable[str]
) -> Problems:
    """A node is declared, has the part that is picked, and that part is of one of the types."""
    if pick is None:
        yield from check_shown(profile, (*at, "node"), node, types)
        return
    if (node_type := _type_of(profile, node)) is None:
        yield from check_declared(profile, (*at, "node"), node, profile.shown())
        return
    problems = list(_pick(at, pick, node_type, node))
    yield from problems
    found, allowed = part_type(node_type, pick), tuple(types)
    if not problems and found is not None and found not in allowed:
        yield ProfileProblem(
            (*at, "pick"),
            f"a part of type {found}",
            f"a part of type {' or '.join(allowed)}",
            "pick another part, or interpret it in another way",
        )


def _pick(at: FieldPath, pick: Pick, node_type: str, node: str) -> Problems:
    """Whether a value of the type has such a part, step by step."""
    if not pick.model_fields_set:
        yield ProfileProblem(
            (*at, "pick"), "nothing", "the part that is meant", "add `field`, `entry` or `bit`"
        )
    here: str | None = node_type
    if pick.field is not None:
        if here not in ("Structure", "Structure[]"):
            yield _unfit(at, "field", node, here, "a node of type Structure")
        here = None
    yield from _picked_entry(at, pick, here, node)
    yield from _picked_bits(at, pick, _entry_type(here, pick), node)


def _picked_entry(at: FieldPath, pick: Pick, here: str | None, node: str) -> Problems:
    if pick.split is None:
        if pick.entry is not None and here is not None and not here.endswith("[]"):
            yield _unfit(at, "entry", node, here, "an array")
        return
    if here is not None and here not in TEXT_TYPES:
        yield _unfit(at, "split", node, here, "a text")
    if pick.entry is None or not pick.split:
        remedy = "add `entry:`, counted from 0, and the text between the parts"
        yield ProfileProblem((*at, "pick", "split"), "no entry", "`entry` beside it", remedy)


def _entry_type(here: str | None, pick: Pick) -> str | None:
    """The type of what `split` and `entry` leave."""
    if pick.split is not None:
        return "String"
    if pick.entry is not None and here is not None:
        return here.removesuffix("[]")
    return here


def _unfit(
    at: FieldPath, key: str, node: str, node_type: str | None, expected: str
) -> ProfileProblem:
    found = f"`{node}` of type {node_type}"
    return ProfileProblem((*at, "pick", key), found, expected, f"remove `{key}:`")


def _picked_bits(at: FieldPath, pick: Pick, here: str | None, node: str) -> Problems:
    if pick.bit is None:
        if pick.width is not None:
            yield ProfileProblem(
                (*at, "pick", "width"), str(pick.width), "`bit` beside `width`", "add `bit:`"
            )
        return
    if here is not None and here not in WORD_BITS:
        yield ProfileProblem(
            (*at, "pick", "bit"), f"`{node}` of type {here}", "a word", "remove `bit:`"
        )
        return
    outside = list(_bit_inside((*at, "pick", "bit"), pick.bit, here, node))
    yield from outside
    bits = WORD_BITS.get(here or "", 64)
    if not outside and pick.width is not None and not 1 <= pick.width <= bits - pick.bit:
        yield ProfileProblem(
            (*at, "pick", "width"),
            f"{pick.width} bits from bit {pick.bit} on",
            f"bits inside `{node}` ({here or 'a word'} of {bits} bits)",
            "bits count from 0; check the word's width",
        )


def part_type(node_type: str | None, pick: Pick | None) -> str | None:
    """The type of a part; None where only the station knows it."""
    if node_type is None or pick is None:
        return node_type
    if pick.bit is not None:
        return "Boolean" if pick.width is None else "UInt64"
    return _entry_type(None if pick.field is not None else node_type, pick)


def _type_of(profile: Profile, name: str | None) -> str | None:
    node = profile.shown().get(name or "")
    return None if node is None else node.type


# --- echoes and heartbeat -------------------------------------------------------------------------------------------------


def check_echo(
    profile: Profile, at: FieldPath, echo: Echo | None, types: Iterable[str]
) -> Problems:
    """An echo leads to a declared node, and to a part of one of the types."""
    if echo is None:
        return
    if echo.pick is None:
        yield from check_shown(profile, at, echo.node, types)
    else:
        yield from check_part(profile, at, echo.node, echo.pick, types)


def check_heartbeat(profile: Profile, heartbeat: Heartbeat | None) -> Problems:
    """A heartbeat is something that can change."""
    if heartbeat is None:
        return
    at = ("heartbeat",)
    if heartbeat.node not in profile.nodes:
        yield from check_declared(profile, (*at, "node"), heartbeat.node)
    else:
        yield from check_part(profile, at, heartbeat.node, heartbeat.pick, CHANGING)


# --- one switch, one facet ------------------------------------------------------------------------------------------------


def check_own_switches(profile: Profile, facets: Mapping[FieldPath, Facet[Any]]) -> Problems:
    """No two of these facets look at the same thing: a door switch tells nothing of the nest."""
    owners: dict[Source, FieldPath] = {}
    for at, facet in facets.items():
        for source in dict.fromkeys(_sources(facet)):
            first = owners.setdefault(source, at)
            if first != at and source[0] in profile.shown():
                name = ".".join(str(step) for step in first)
                yield ProfileProblem(
                    at,
                    f"{_shown(source)}, which `{name}` looks at already",
                    "a switch of its own for each facet",
                    "name the node, the bit or the entry that tells this facet",
                    beside=first,
                )


def _sources(facet: Facet[Any]) -> list[Source]:
    if facet.bits is not None:
        return [_source(facet.node, facet.pick, entry.bit) for entry in facet.bits]
    if facet.switches is not None:
        return [_source(switch.node, switch.pick) for switch in facet.switches]
    return [] if facet.node is None else [_source(facet.node, facet.pick)]


def _source(node: str | None, pick: Pick | None, bit: int | None = None) -> Source:
    if pick is None:
        return (node, None, None, None, bit)
    return (node, pick.field, pick.split, pick.entry, pick.bit if bit is None else bit)


def _shown(source: Source) -> str:
    node, field, _, entry, bit = source
    parts = (("field", field), ("entry", entry), ("bit", bit))
    said = [f"{what} {which} of " for what, which in reversed(parts) if which is not None]
    return f"{''.join(said)}`{node}`"

"""The checks of what a profile says of orders.

Rules of this file:
- A check yields problems and goes on; it never raises and never stops at the first.
- Whether a method takes these arguments, the station says when the link comes up.
"""

from supervisor.cell.problem import choose_instead, one_of
from supervisor.cell.profile_checks import (
    SCALARS,
    FieldPath,
    Problems,
    ProfileProblem,
    check_declared,
    check_reference,
    literal_fits,
)
from supervisor.cell.profile_facet_checks import check_condition, check_part
from supervisor.cell.profile_language import (
    FIELD_KINDS,
    ORDER_FIELDS,
    REAL_TYPES,
    TEXT_TYPES,
    WHOLE_TYPES,
    WORD_BITS,
    Argument,
    Assignment,
    CallOrder,
    Check,
    Condition,
    Content,
    CountOrder,
    Declared,
    FirstOrder,
    Profile,
    PulseOrder,
    StepsOrder,
    TagMemory,
    TagOrder,
    ToggleOrder,
    WriteOrder,
)

Given = WriteOrder | Assignment | Argument


def check_order(
    profile: Profile,
    name: str,
    order: Declared | TagOrder,
    section: str = "orders",
) -> Problems:
    """What an order writes, waits for or calls fits the nodes and the fields of its goal."""
    at = (section, name)
    if not isinstance(order, FirstOrder):
        yield from _order(profile, at, order)
        return
    for index, way in enumerate(order.ways):
        yield from _order(profile, (*at, "ways", index), way)


def _order(profile: Profile, at: FieldPath, order: Declared | TagOrder) -> Problems:
    yield from _alone(at, getattr(order, "when", []))
    match order:
        case StepsOrder():
            yield from _steps_order(profile, at, order)
        case ToggleOrder() | CountOrder():
            yield from _turned_order(profile, at, order)
        case WriteOrder():
            yield from _write_order(profile, at, order)
        case PulseOrder():
            yield from _pulse_order(profile, at, order)
        case CallOrder():
            yield from _call_order(profile, at, order)
        case TagOrder():
            yield from _call(profile, at, order)
            yield from _tag_order(profile, at, order)
        case _:
            return


def _steps_order(profile: Profile, at: FieldPath, order: StepsOrder) -> Problems:
    if not order.steps:
        yield ProfileProblem((*at, "steps"), "nothing", "at least one step", "list the orders")
    for index, step in enumerate(order.steps):
        here = (*at, "steps", index)
        yield from _order(profile, here, step.model_copy(update={"when": []}))
        for number, condition in enumerate(step.when):
            yield from _step_condition(profile, (*here, "when", number), condition)


def _step_condition(profile: Profile, at: FieldPath, condition: Condition) -> Problems:
    """What decides about a step is read when the step is due, so it is a node."""
    if condition.node in profile.nodes:
        yield from check_condition(profile, at, condition)
    else:
        yield from check_declared(profile, (*at, "node"), condition.node)


def _alone(at: FieldPath, when: list[Condition]) -> Problems:
    if when:
        remedy = "remove it, or make the order a step of `by: steps`"
        yield ProfileProblem((*at, "when"), "an order that is no step", "no `when` here", remedy)


def _turned_order(profile: Profile, at: FieldPath, order: ToggleOrder | CountOrder) -> Problems:
    """Node and echo are of one type, and they are two nodes: one that echoes itself tells nothing."""
    yield from _befores(profile, at, order.before)
    types = ("Boolean",) if isinstance(order, ToggleOrder) else tuple(WORD_BITS)
    yield from check_reference(profile, (*at, "node"), order.node, types)
    written = _type(profile, order.node)
    if written is not None and written in types:
        yield from check_reference(profile, (*at, "echo"), order.echo, (written,))
    if order.echo == order.node:
        yield ProfileProblem(
            (*at, "echo"),
            f"`{order.echo}`, which is written",
            "a node that the station itself writes",
            "name the node that follows once the station has taken the order",
        )


def _write_order(profile: Profile, at: FieldPath, order: WriteOrder) -> Problems:
    yield from _befores(profile, at, order.before)
    yield from check_reference(profile, (*at, "node"), order.node, SCALARS)
    yield from _given(profile, at, order, _type(profile, order.node))
    written = _type(profile, order.node)
    if written is not None:
        yield from check_reference(profile, (*at, "echo"), order.echo, (written,))
    if order.withdraw is None:
        return
    yield from _literal((*at, "withdraw"), order.withdraw, written)
    if order.echo is None:
        yield ProfileProblem(
            (*at, "withdraw"), "no echo", "`echo` beside `withdraw`", "add `echo:`, or remove it"
        )
    if order.withdraw == order.value:
        yield ProfileProblem(
            (*at, "withdraw"),
            f"{order.withdraw!r}",
            "another value than the order's",
            "write what means no request",
        )


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
    for index, check in enumerate(order.checks):
        yield from _check((*at, "checks", index), check)
    if order.complete is not None:
        yield from _check((*at, "complete"), order.complete)
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


def check_call(profile: Profile, at: FieldPath, node: str, arguments: list[Argument]) -> Problems:
    """A method is declared and takes what fits; the order whose fields it may hand over is the second step of ``at``."""
    yield from check_reference(profile, (*at, "node"), node, ("Method",))
    for index, argument in enumerate(arguments):
        yield from _given(profile, (*at, "arguments", index), argument, argument.type)


def _call(profile: Profile, at: FieldPath, order: CallOrder | TagOrder | TagMemory) -> Problems:
    yield from check_call(profile, at, order.node, order.arguments)
    for key in ("status", "text", "payload"):
        position = getattr(order.outputs, key)
        if position is not None and position < 1:
            yield ProfileProblem(
                (*at, "outputs", key),
                str(position),
                "a position from 1",
                "the first output is number 1",
            )


def _check(here: FieldPath, check: Check) -> Problems:
    if check.output < 1:
        yield ProfileProblem(
            (*here, "output"),
            str(check.output),
            "a position from 1",
            "the first output is number 1",
        )
    if (check.field is None) == (check.value is None):
        found = "both" if check.field is not None else "neither"
        yield ProfileProblem(
            here, found, "either `field` or `value`", "say what the output must be in one way"
        )
    elif check.field is not None:
        yield from _known_field((*here, "field"), check.field, str(here[1]))


def _tag_order(profile: Profile, at: FieldPath, order: TagOrder) -> Problems:
    finds = order.found is not None
    yield from _tag_outputs(at, order, ("status",) if finds else ("status", "payload"))
    if order.found is not None and not order.found.content:
        yield ProfileProblem(
            (*at, "found", "content"),
            "nothing",
            "at least one path",
            "add where the tag's content stands",
        )
    if order.memory is None:
        return
    if not finds:
        yield ProfileProblem(
            (*at, "memory"),
            "no `found`",
            "`found` beside `memory`",
            "say where the tags that were found stand",
        )
    yield from _call(profile, (*at, "memory"), order.memory)
    yield from _tag_outputs((*at, "memory"), order.memory, ("status", "payload"))


def _tag_outputs(at: FieldPath, order: TagOrder | TagMemory, keys: tuple[str, ...]) -> Problems:
    for key in keys:
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
        yield from _given(profile, here, assignment, _type(profile, assignment.node))


def _type(profile: Profile, name: str) -> str | None:
    node = profile.nodes.get(name)
    return node.type if node is not None else None


def _given(profile: Profile, at: FieldPath, given: Given, node_type: str | None) -> Problems:
    """A value to hand over comes from one source and fits the type that it is handed over as."""
    sources = _sources(given)
    if len(sources) != 1:
        ways = "either `field` or `value`"
        if isinstance(given, Argument):
            ways += ", or `members` of a structure, or `items` of an array, or a `node`"
        found = "neither"
        if sources:
            found = "both" if sources == ["field", "value"] else " and ".join(sources)
        yield ProfileProblem(at, found, ways, "say what to hand over in one way")
        return
    match sources[0]:
        case "value":
            yield from _literal((*at, "value"), given.value, node_type)
        case "field":
            yield from _given_field(at, given, node_type)
        case "members":
            yield from _members(profile, at, given, node_type)
        case "items":
            yield from _items(profile, at, given, node_type)
        case _:
            yield from _elsewhere(profile, at, given, node_type)


def _sources(given: Given) -> list[str]:
    keys = ("field", "value", "members", "items", "node", "found")
    if not isinstance(given, Argument):
        keys = keys[:2]  # an assignment names with `node` what is written
    return [key for key in keys if getattr(given, key) is not None]


def _shown(profile: Profile, at: FieldPath, given: Given, node_type: str | None) -> Problems:
    """What a node shows is handed over where a result is asked for: everything else is told by the goal."""
    assert isinstance(given, Argument)
    if at[0] != "results":
        yield ProfileProblem(
            (*at, "node"),
            f"what `{given.node}` shows",
            "a `field` of the goal or a `value`",
            "hand over what the goal says; a node may be named where a result is asked for",
        )
    elif given.node is not None and node_type is not None:
        yield from check_part(profile, at, given.node, given.pick, (node_type,))


def _elsewhere(profile: Profile, at: FieldPath, given: Given, node_type: str | None) -> Problems:
    """What comes neither from the goal nor from the profile."""
    if isinstance(given, Argument) and given.found is not None:
        yield from _found(at, given)
    else:
        yield from _shown(profile, at, given, node_type)


def _found(at: FieldPath, given: Given) -> Problems:
    """What was found before is handed over to the method that reads its memory, and nowhere else."""
    assert isinstance(given, Argument)
    if "memory" not in at:
        yield ProfileProblem(
            (*at, "found"),
            f"{given.found}",
            "a tag that was found before",
            "`found` is for the arguments of `memory`",
        )


def _members(profile: Profile, at: FieldPath, given: Given, node_type: str | None) -> Problems:
    assert isinstance(given, Argument)
    if node_type != "Structure":
        found = f"`members` for a {node_type}"
        yield ProfileProblem((*at, "members"), found, "a Structure", "write `type: Structure`")
    for name, member in (given.members or {}).items():
        yield from _given(profile, (*at, "members", name), member, member.type)


def _items(profile: Profile, at: FieldPath, given: Given, node_type: str | None) -> Problems:
    assert isinstance(given, Argument)
    scalar = (node_type or "").removesuffix("[]")
    if scalar == node_type:
        found = f"`items` for a {node_type}"
        yield ProfileProblem((*at, "items"), found, "an array", f'write `type: "{node_type}[]"`')
    for index, item in enumerate(given.items or []):
        here = (*at, "items", index)
        if scalar not in ("Variant", item.type):
            yield ProfileProblem(
                (*here, "type"), item.type, f"a {scalar}", "write the type of the array's entries"
            )
        yield from _given(profile, here, item, item.type)


def _known_field(at: FieldPath, field: str, order: str) -> Problems:
    fields = ORDER_FIELDS[order]
    if not fields:
        remedy = "write a `value`: no run is known when it is asked"
        yield ProfileProblem(at, f"the field `{field}`", "no field of a goal", remedy)
    elif field not in fields:
        yield ProfileProblem(
            at,
            f"the field `{field}`",
            f"a field of this order: {one_of(fields)}",
            choose_instead(field, fields, "this order does not carry it"),
        )


def _given_field(at: FieldPath, given: Given, node_type: str | None) -> Problems:
    field = given.field or ""
    unknown = list(_known_field((*at, "field"), field, str(at[1])))
    yield from unknown
    if unknown:
        return
    if given.codes is not None:
        for key, content in given.codes.items():
            yield from _literal((*at, "codes", key), content, node_type)
    else:
        yield from _field_fits((*at, "field"), field, node_type)


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

"""The checks of what a profile says of events.

Rules of this file:
- A check yields problems and goes on; it never raises and never stops at the first.
- A latch that nothing ends, or that is not asked for after an outage, is refused here and not found out at the station.
- Whether the type of an event exists and has these fields, the station says when the link comes up.
"""

from supervisor.cell.problem import choose_instead, one_of
from supervisor.cell.profile_address import node_id
from supervisor.cell.profile_checks import (
    FieldPath,
    Problems,
    ProfileProblem,
    check_address,
    check_declared,
    check_reference,
)
from supervisor.cell.profile_facet_checks import check_condition
from supervisor.cell.profile_language import (
    NOT_SUPPORTED,
    Condition,
    Ends,
    EventSource,
    Query,
    StationProfile,
)
from supervisor.cell.profile_order_checks import check_call
from supervisor.cell.profile_values import SINGLE_TYPES

AFTER_OUTAGE = ("levels", "query", "order", "refresh")


def check_events(profile: StationProfile) -> Problems:
    """Every event has a type, fields with names of their own, something that ends it, and something that is asked after an outage."""
    owners: dict[str, str] = {}
    for name, event in profile.events.items():
        at: FieldPath = ("events", name)
        yield from check_reference(profile, (*at, "source"), event.source, ("Object",))
        yield from _type(profile, (*at, "type"), event.type)
        yield from _fields(profile, name, event, owners)
        yield from _only(profile, at, event)
        yield from _ends(profile, name, event)
        yield from _after_outage(profile, (*at, "after_outage"), event)


def is_node_id(written: str) -> bool:
    """Whether the type of an event is written as a node id; otherwise it is a path."""
    try:
        node_id(written)
    except ValueError:
        return False
    return True


def _type(profile: StationProfile, at: FieldPath, written: str) -> Problems:
    form = "id" if is_node_id(written) else "path"
    if written:
        yield from check_address(profile, at, written, form)
        return
    remedy = "write it in this form, or as a node id such as `s;i=1024`"
    yield ProfileProblem(at, "nothing", "a path such as `s:ResultReadyEventType`", remedy)


def _fields(
    profile: StationProfile, name: str, event: EventSource, owners: dict[str, str]
) -> Problems:
    at: FieldPath = ("events", name, "fields")
    if not event.fields:
        remedy = "name what is latched; every event has at least `Severity` (UInt16)"
        yield ProfileProblem(at, "no field", "at least one field", remedy)
    for key, field in event.fields.items():
        here = (*at, key)
        yield from check_address(profile, (*here, "path"), field.path, "path")
        if not field.path:
            remedy = "write where the field stands below the type of the event"
            yield ProfileProblem((*here, "path"), "nothing", "a path such as `s:JobId`", remedy)
        if field.type in SINGLE_TYPES:
            remedy = "name a field with a value"
            yield ProfileProblem((*here, "type"), field.type, "the type of a value", remedy)
        other = "a node" if key in profile.nodes else owners.get(key)
        if other is not None:
            remedy = "give it a name of its own: fields stand beside the nodes"
            yield ProfileProblem(here, f"`{key}`, which is {other}", "each name once", remedy)
        owners.setdefault(key, f"a field of `{name}`")


def _only(profile: StationProfile, at: FieldPath, event: EventSource) -> Problems:
    for index, condition in enumerate(event.only):
        here = (*at, "only", index)
        if condition.node not in event.fields:
            yield ProfileProblem(
                (*here, "node"),
                f"`{condition.node}`",
                f"a field of this event: {one_of(event.fields)}",
                choose_instead(condition.node, event.fields, "add it to its `fields`"),
            )
        else:
            yield from check_condition(profile, here, condition)


def _levels(profile: StationProfile, at: FieldPath, conditions: list[Condition]) -> Problems:
    """Conditions on nodes: what is latched itself cannot say whether something is to be latched."""
    for index, condition in enumerate(conditions):
        here = (*at, index)
        if condition.node not in profile.nodes:
            yield from check_declared(profile, (*here, "node"), condition.node)
        else:
            yield from check_condition(profile, here, condition)


def _ends(profile: StationProfile, name: str, event: EventSource) -> Problems:
    ends, at = event.ends, ("events", name, "ends")
    if not isinstance(ends, Ends):
        return
    if not ends.orders and not ends.events and not ends.nodes:
        remedy = "name what ends it, or write `ends: next event`"
        yield ProfileProblem(at, "nothing", "something that ends the latch", remedy)
    yield from _levels(profile, (*at, "nodes"), ends.nodes)
    others = [other for other in profile.events if other != name]
    for index, other in enumerate(ends.events):
        here = (*at, "events", index)
        if other not in others:
            yield ProfileProblem(
                here,
                f"the event `{other}`",
                f"another event of this profile: {one_of(others)}",
                choose_instead(other, others, "use `next event` if only its own kind replaces it"),
            )
        elif profile.events[other].source != event.source:
            yield ProfileProblem(
                here,
                f"`{other}` of another source",
                "an event of the same source: only these come in their order",
                "name the same `source` for both; the server itself gives all events",
            )


def _after_outage(profile: StationProfile, at: FieldPath, event: EventSource) -> Problems:
    after = event.after_outage
    yield from _levels(profile, (*at, "when"), after.when)
    given = [key for key in AFTER_OUTAGE if getattr(after, key) is not None]
    if len(given) != 1:
        remedy = "name the nodes (`levels`), the method that is asked (`query`), the order that is given again, or `refresh: conditions` for alarms"
        found = " and ".join(given) or "none of them"
        expected = "exactly one of `levels`, `query`, `order` and `refresh`"
        yield ProfileProblem(at, found, expected, remedy)
        return
    if after.refresh is not None:
        yield from _said_again(at, after.when)
        return
    if after.order is not None:
        yield from _given_again(profile, (*at, "order"), after.order)
        return
    if after.query is not None:
        yield from _each_field((*at, "query", "fields"), event, after.query.fields)
        yield from _query(profile, (*at, "query"), after.query)
        return
    levels = after.levels or {}
    yield from _each_field((*at, "levels"), event, levels)
    for key, node in levels.items():
        field = event.fields.get(key)
        types = () if field is None else (field.type,)
        yield from (
            check_reference(profile, (*at, "levels", key), node, types)
            if types
            else check_declared(profile, (*at, "levels", key), node)
        )


def _said_again(at: FieldPath, when: list[Condition]) -> Problems:
    """What is said again comes as an event like any other, so nothing is left that could be asked about it."""
    if when:
        remedy = "leave `when` out, or put what holds for the event itself under `only`"
        yield ProfileProblem((*at, "when"), "conditions with `refresh`", "none", remedy)


def _given_again(profile: StationProfile, at: FieldPath, order: str) -> Problems:
    if getattr(profile.orders, order) == NOT_SUPPORTED:
        remedy = "name another order, or what is asked"
        yield ProfileProblem(
            at, f"`{order}`, which is not supported", "an order that is given", remedy
        )


def _each_field(at: FieldPath, event: EventSource, given: dict[str, str]) -> Problems:
    """All fields are latched together, so all of them are asked for."""
    for key in event.fields:
        if key not in given:
            remedy = f"add `{key}:` here"
            yield ProfileProblem((*at, key), "nothing", "what stands for this field", remedy)
    for key in given:
        if key not in event.fields:
            yield ProfileProblem(
                (*at, key),
                f"the field `{key}`",
                f"a field of this event: {one_of(event.fields)}",
                choose_instead(key, event.fields, "add it to its `fields`"),
            )


def _query(profile: StationProfile, at: FieldPath, query: Query) -> Problems:
    # The name of an order stands second where fields of a goal are looked up: a query has none.
    for problem in check_call(profile, ("after_outage", "query"), query.node, query.arguments):
        yield problem._replace(path=(*at, *problem.path[2:]))
    for key in ("output", "status"):
        position = getattr(query, key)
        if position is not None and position < 1:
            remedy = "the first output is number 1"
            yield ProfileProblem((*at, key), str(position), "a position from 1", remedy)
    if (query.status is None) != (not query.accepted):
        missing = "status" if query.status is None else "accepted"
        yield ProfileProblem(
            (*at, missing), "nothing", "`status` and `accepted` together", f"add `{missing}:`"
        )

"""The checks of what a station may be without: optional nodes, and orders with several ways.

Rules of this file:
- A check yields problems and goes on; it never raises and never stops at the first.
- Whatever may be missing has a stated end: a facet that says so, or another way to give the order.
"""

from collections.abc import Iterable, Mapping

from supervisor.cell.profile_checks import FieldPath, Problems, ProfileProblem
from supervisor.cell.profile_language import (
    NOT_SUPPORTED,
    Declared,
    FirstOrder,
    HandlerProfile,
    Profile,
    StationProfile,
    StructureResults,
)
from supervisor.cell.profile_results import ArrayResults, Results
from supervisor.cell.profile_uses import order_nodes, ways

REMEDY = "remove `optional` there, or give the order another way with `by: first`"


def check_options(profile: StationProfile | HandlerProfile) -> Problems:
    """Where optional nodes stand, the profile can do without them."""
    names = type(profile.orders).model_fields
    orders: dict[str, Declared] = {name: getattr(profile.orders, name) for name in names}
    for name, order in orders.items():
        yield from _order(profile, ("orders", name), order)
    yield from _needed(profile, _needed_nodes(profile))


def _optional(profile: Profile, nodes: Iterable[str]) -> list[str]:
    return [
        name for name in nodes if name in profile.nodes and profile.nodes[name].optional is not None
    ]


def _order(profile: Profile, at: FieldPath, order: Declared) -> Problems:
    if not isinstance(order, FirstOrder):
        for name in _optional(profile, [node for way in ways(order) for node in order_nodes(way)]):
            yield ProfileProblem(at, f"the optional node `{name}`", "nodes that are there", REMEDY)
        return
    if len(order.ways) < 2:  # noqa: PLR2004 - one way is no choice
        yield ProfileProblem(
            (*at, "ways"), f"{len(order.ways)}", "at least two ways", "write the order itself"
        )
    for index, way in enumerate(order.ways):
        last = index == len(order.ways) - 1
        lacking = [] if isinstance(way, str) else _optional(profile, order_nodes(way))
        if not last and not lacking:
            yield ProfileProblem(
                (*at, "ways", index),
                "a way that every station can go",
                "an optional node in every way but the last",
                "remove the ways behind it, or mark its node as `optional`",
            )


def can_lack(order: Declared) -> bool:
    """Whether a station may be without any way to take the order."""
    if isinstance(order, FirstOrder):
        return any(isinstance(way, str) for way in order.ways)
    return order == NOT_SUPPORTED


def _needed_nodes(profile: StationProfile | HandlerProfile) -> Mapping[FieldPath, list[str | None]]:
    """The nodes that nothing can stand in for, by where they are named."""
    heart = profile.heartbeat
    needed: dict[FieldPath, list[str | None]] = {("heartbeat", "node"): [heart and heart.node]}
    if profile.permit is not None:
        nodes = [node for way in ways(profile.permit.renew) for node in order_nodes(way)]
        needed["permit", "renew"] = [*nodes]
    if isinstance(profile, HandlerProfile):
        for name in ("order", "inside"):
            needed["echoes", name] = [getattr(profile.echoes, name).node]
    else:
        needed["results",] = _result_nodes(profile.results)
        for name, event in profile.events.items():
            after = event.after_outage
            query = None if after.query is None else after.query.node
            needed["events", name] = [event.source, query, *(after.levels or {}).values()]
    return needed


def _result_nodes(results: Results) -> list[str | None]:
    shared = [
        getattr(results, name, None) for name in ("node", "run", "serial", "counter", "created")
    ]
    if isinstance(results, ArrayResults):
        columns = results.columns
        return [*shared, results.rows, columns.number, columns.value, columns.unit, columns.quality]
    if isinstance(results, StructureResults):
        return [*shared]
    call = results.call
    several = call is not None and call.instead is not None
    return [results.node, *(call.methods() if call is not None and not several else ())]


def _needed(profile: Profile, needed: Mapping[FieldPath, list[str | None]]) -> Problems:
    for at, names in needed.items():
        for name in _optional(profile, [name for name in names if name is not None]):
            yield ProfileProblem(
                at, f"the optional node `{name}`", "a node that is there", "remove `optional` there"
            )

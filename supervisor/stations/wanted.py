"""What a link needs of a server, gathered from a profile.

Rules of this file:
- Only nodes that the profile uses are asked for: a node that is declared and not used may be missing at the station.
- Watched are the nodes of facets and echoes, and a result that proves by itself which run it belongs to.
- A node for each place is one node per place here, named ``node@place``.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any, TypeVar

from supervisor.cell.profile import HandlerProfile, Profile, ReaderProfile, StationProfile
from supervisor.cell.profile_address import PLACE
from supervisor.cell.profile_language import (
    CallOrder,
    Condition,
    Declared,
    Echo,
    Ends,
    EventSource,
    Facet,
    Fetched,
    Heartbeat,
    Node,
    PresenceWord,
    Supported,
    TagMemory,
    TagOrder,
)
from supervisor.cell.profile_uses import (
    NONE_MISSING,
    calls,
    facet_nodes,
    order_nodes,
    way_there,
    ways,
    ways_needed,
)
from supervisor.cell.value import replace
from supervisor.stations.asking import stored_of, way_calls, ways_of
from supervisor.stations.orders import shown_in
from supervisor.stations.resolve import Call, Wanted
from supervisor.stations.results import AnyResults, proves_itself, result_nodes
from supervisor.stations.trouble import LinkLost

T = TypeVar("T")


def wanted_by_station(profile: StationProfile) -> Wanted:
    """What a station's profile needs."""
    echoes, results = profile.echoes, profile.results
    facets = station_facets(profile)
    watch = [
        *(name for facet in facets for name in facet_nodes(facet)),
        *_echo_nodes([echoes.run, echoes.serial, echoes.program, echoes.counter]),
        *_heart_node(profile.heartbeat),
        *(result_nodes(results) if proves_itself(results, profile.nodes) else ()),
        *_shown_in_call(results),
        *(one.node for event in profile.events.values() for one in event.after_outage.when),
        *(one.node for event in profile.events.values() for one in ended_by_nodes(event)),
    ]
    orders: list[Declared] = [*station_orders(profile).values(), *permit_order(profile)]
    latched = profile.event_fields()
    wanted = _wanted(
        profile,
        [name for name in watch if name not in latched],
        orders,
        [
            *(n for n in result_nodes(results) if n not in latched),
            *_event_nodes(profile),
            *(name for way in ways_of(profile) for name in way.methods()),
            *_stored_node(results),
        ],
        stamped=_stamped(facets),
    )
    calls = (*wanted.calls, *_result_calls(profile), *_queries(profile))
    return replace(wanted, calls=calls, events=profile.events)


def ended_by_nodes(event: EventSource) -> list[Condition]:
    """The levels that end the latch of an event."""
    return event.ends.nodes if isinstance(event.ends, Ends) else []


def _shown_in_call(results: AnyResults) -> list[str]:
    """What the arguments of the call for a result take from nodes."""
    call = results.call if isinstance(results, Fetched) else None
    ways = () if call is None else call.ways()
    return [node for way in ways for node, _ in shown_in(way.arguments)]


def _event_nodes(profile: StationProfile) -> list[str]:
    """The objects that give events, and what is asked after an outage."""
    names: list[str] = []
    for event in profile.events.values():
        after = event.after_outage
        names += [*_there(event.source), *(after.levels or {}).values()]
        names += [after.query.node] if after.query is not None else []
    return names


def _queries(profile: StationProfile) -> tuple[Call, ...]:
    asked = [event.after_outage.query for event in profile.events.values()]
    return tuple(
        Call(node=query.node, arguments=tuple(query.arguments), outputs=(query.output,))
        for query in asked
        if query is not None
    )


def _result_calls(profile: StationProfile) -> tuple[Call, ...]:
    stored = stored_of(profile.results)
    told = () if stored is None else (Call(node=stored.node, arguments=tuple(stored.arguments)),)
    return (*(call for way in ways_of(profile) for call in way_calls(way)), *told)


def _stored_node(results: AnyResults) -> list[str]:
    stored = stored_of(results)
    return [] if stored is None else [stored.node]


def station_facets(profile: StationProfile) -> list[Facet[Any]]:
    """The facets that a station has."""
    facets = profile.facets
    return [*(facets.mode, facets.door, facets.nest, facets.work), *_there(facets.gate)]


def station_orders(profile: StationProfile) -> dict[str, Declared]:
    """The orders of a station as they are declared, by name."""
    return {name: getattr(profile.orders, name) for name in type(profile.orders).model_fields}


def orders_there(
    profile: StationProfile, missing: Collection[str] = NONE_MISSING
) -> dict[str, Supported]:
    """The orders that a station can take, by name, where these optional nodes are missing.

    Raises:
        LinkLost: one that it has to take can be given in no way.
    """
    for name, order in station_orders(profile).items():
        _need_a_way(name, order, missing)
    there = {name: way_there(order, missing) for name, order in station_orders(profile).items()}
    return {name: way for name, way in there.items() if way is not None}


def _need_a_way(name: str, order: Declared, missing: Collection[str]) -> None:
    needed = ways_needed(order, missing)
    if needed:
        listed = ", or ".join(" and ".join(dict.fromkeys(nodes)) for nodes in needed)
        message = f"for the order {name} expected the nodes {listed}, found none of these ways whole; correct the profile, or check that this is the station it is for"
        raise LinkLost(message)


def wanted_by_handler(profile: HandlerProfile, jaws: int) -> Wanted:
    """What a handler's profile needs for a handler with so many jaws."""
    echoes = profile.echoes
    facets = handler_facets(profile, jaws)
    watch = [
        *(name for facet in facets for name in facet_nodes(facet)),
        *_echo_nodes([echoes.order, echoes.inside, echoes.at, echoes.why]),
        *_heart_node(profile.heartbeat),
    ]
    orders: list[Declared] = [profile.orders.move, *permit_order(profile)]
    return _wanted(profile, watch, orders, (), stamped=_stamped(facets))


def handler_facets(profile: HandlerProfile, jaws: int) -> list[Facet[Any]]:
    """The facets of a handler with so many jaws."""
    facets = profile.facets
    return [facets.mode, facets.phase, *facets.jaws[:jaws]]


def permit_order(profile: StationProfile | HandlerProfile) -> tuple[Declared, ...]:
    """How the permit of a machine is renewed; nothing where it takes none."""
    return () if profile.permit is None else (profile.permit.renew,)


def move_there(profile: HandlerProfile, missing: Collection[str] = NONE_MISSING) -> Supported:
    """How a move is ordered, where these optional nodes are missing.

    Raises:
        LinkLost: it can be ordered in no way.
    """
    _need_a_way("move", profile.orders.move, missing)
    order = way_there(profile.orders.move, missing)
    assert order is not None  # profile_problems refuses a handler without
    return order


def wanted_by_reader(profile: ReaderProfile, places: Sequence[str]) -> Wanted:
    """What a reader's profile needs for these places."""
    facets = [presence_at(profile, place) for place in places]
    watch = [name for facet in facets for name in facet_nodes(facet)]
    stamped = _stamped(facets)
    return _wanted(profile, watch, [profile.orders.read_tag], (), places, stamped)


def presence_at(profile: ReaderProfile, place: str) -> Facet[PresenceWord]:
    """The presence facet with the nodes of one place."""

    def named(name: str) -> str:
        path = profile.nodes[name].path
        return at_place(name, place) if path is not None and PLACE in path else name

    facet = profile.facets.presence
    changes: dict[str, Any] = {}
    if facet.node is not None:
        changes["node"] = named(facet.node)
    if facet.switches is not None:
        changes["switches"] = [
            one.model_copy(update={"node": named(one.node)}) for one in facet.switches
        ]
    if facet.cases is not None:
        changes["cases"] = [
            case.model_copy(
                update={
                    "when": [one.model_copy(update={"node": named(one.node)}) for one in case.when]
                }
            )
            for case in facet.cases
        ]
    return facet.model_copy(update=changes)


def at_place(node: str, place: str) -> str:
    """The name of the node for one place."""
    return f"{node}@{place}"


def _echo_nodes(echoes: Iterable[Echo | None]) -> list[str]:
    return [echo.node for echo in echoes if echo is not None]


def _heart_node(heartbeat: Heartbeat | None) -> list[str]:
    return [] if heartbeat is None else [heartbeat.node]


def _stamped(facets: Iterable[Facet[Any]]) -> frozenset[str]:
    """The nodes whose age matters."""
    aged = [facet for facet in facets if facet.age_s_max is not None]
    return frozenset(name for facet in aged for name in facet_nodes(facet))


def _there(thing: T | None) -> tuple[T, ...]:
    return () if thing is None else (thing,)


def _wanted(
    profile: Profile,
    watch: Iterable[str | None],
    orders: Iterable[Declared | TagOrder],
    others: Iterable[str],
    places: Sequence[str] = (),
    stamped: frozenset[str] = frozenset(),
) -> Wanted:
    given = [way for order in orders for way in ways(order)]
    watched = tuple(dict.fromkeys(name for name in watch if name is not None))
    ordered = [name for order in given for name in order_nodes(order)]
    ordered = [one for name in ordered for one in _spread(profile, name, places)]
    used = [*watched, *others, *ordered]
    declared = {**profile.nodes, **_for_places(profile.nodes, places)}
    return Wanted(
        namespaces=profile.namespaces,
        root=profile.root,
        nodes={name: declared[name] for name in dict.fromkeys(used)},
        watch=watched,
        calls=_calls(profile, given, places),
        stamped=stamped,
        optional={
            name: declared[name].optional or ""
            for name in dict.fromkeys(used)
            if declared[name].optional is not None
        },
    )


def _calls(
    profile: Profile, orders: Iterable[Supported | TagOrder], places: Sequence[str]
) -> tuple[Call, ...]:
    return tuple(
        Call(node=node, arguments=tuple(call.arguments), outputs=_taken_apart(call))
        for order in orders
        for call in calls(order)
        for node in _spread(profile, call.node, places)
    )


def _taken_apart(call: CallOrder | TagOrder | TagMemory) -> tuple[int, ...]:
    return (call.found.output,) if isinstance(call, TagOrder) and call.found is not None else ()


def _spread(profile: Profile, name: str, places: Sequence[str]) -> list[str]:
    """The nodes that a name stands for: one for each place where its path says so."""
    if not _is_per_place(profile, name):
        return [name]
    return [at_place(name, place) for place in places]


def _is_per_place(profile: Profile, name: str) -> bool:
    return PLACE in (profile.nodes[name].path or "")


def tag_order_at(profile: ReaderProfile, place: str) -> TagOrder:
    """How a tag is read at one place."""

    def named(name: str) -> str:
        return at_place(name, place) if _is_per_place(profile, name) else name

    order = profile.orders.read_tag
    memory = order.memory
    if memory is not None:
        memory = memory.model_copy(update={"node": named(memory.node)})
    return order.model_copy(update={"node": named(order.node), "memory": memory})


def _for_places(nodes: Mapping[str, Node], places: Sequence[str]) -> dict[str, Node]:
    return {
        at_place(name, place): node.model_copy(update={"path": node.path.replace(PLACE, place)})
        for name, node in nodes.items()
        if node.path is not None and PLACE in node.path
        for place in places
    }

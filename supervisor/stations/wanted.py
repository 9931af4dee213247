"""What a link needs of a server, gathered from a profile.

Rules of this file:
- Only nodes that the profile uses are asked for: a node that is declared and not used may be missing at the station.
- Watched are the nodes of facets and echoes, and a result that proves by itself which run it belongs to.
- A node for each place is one node per place here, named ``node@place``.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from supervisor.cell.profile import HandlerProfile, Profile, ReaderProfile, StationProfile
from supervisor.cell.profile_address import PLACE
from supervisor.cell.profile_language import (
    NOT_SUPPORTED,
    Argument,
    CallOrder,
    Facet,
    Node,
    PulseOrder,
    Supported,
    TagOrder,
    WriteOrder,
)
from supervisor.stations.resolve import Wanted
from supervisor.stations.results import proves_itself, result_nodes


def wanted_by_station(profile: StationProfile) -> Wanted:
    """What a station's profile needs."""
    facets, echoes, results = profile.facets, profile.echoes, profile.results
    watch = [
        *_facet_nodes([facets.mode, facets.door, facets.nest, facets.work, facets.gate]),
        *(echoes.run, echoes.serial, echoes.program, echoes.counter),
        *(result_nodes(results) if proves_itself(results) else ()),
    ]
    orders = [*station_orders(profile).values(), *permit_order(profile)]
    return _wanted(profile, watch, orders, result_nodes(results))


def station_orders(profile: StationProfile) -> dict[str, Supported]:
    """The orders that a station supports, by name."""
    written = {name: getattr(profile.orders, name) for name in type(profile.orders).model_fields}
    return {name: order for name, order in written.items() if order != NOT_SUPPORTED}


def wanted_by_handler(profile: HandlerProfile, jaws: int) -> Wanted:
    """What a handler's profile needs for a handler with so many jaws."""
    facets, echoes = profile.facets, profile.echoes
    watch = [
        *_facet_nodes([facets.mode, facets.phase, *facets.jaws[:jaws]]),
        *(echoes.order, echoes.inside, echoes.at, echoes.why),
    ]
    return _wanted(profile, watch, [handler_order(profile), *permit_order(profile)], ())


def permit_order(profile: StationProfile | HandlerProfile) -> tuple[Supported, ...]:
    """How the permit of a machine is renewed; nothing where it takes none."""
    if profile.permit is None:
        return ()
    renew = profile.permit.renew
    assert not isinstance(renew, str)  # profile_problems refuses a permit that cannot be renewed
    return (renew,)


def handler_order(profile: HandlerProfile) -> Supported:
    """How a move is ordered."""
    order = profile.orders.move
    assert not isinstance(order, str)  # profile_problems refuses a handler without
    return order


def wanted_by_reader(profile: ReaderProfile, places: Sequence[str]) -> Wanted:
    """What a reader's profile needs for these places."""
    node = profile.facets.presence.node
    watch = [at_place(node, place) for place in places] if node is not None else []
    return _wanted(profile, watch, [profile.orders.read_tag], (), places)


def at_place(node: str, place: str) -> str:
    """The name of the node for one place."""
    return f"{node}@{place}"


def _facet_nodes(facets: Iterable[Facet[Any] | None]) -> list[str | None]:
    return [facet.node for facet in facets if facet is not None]


def _wanted(
    profile: Profile,
    watch: Iterable[str | None],
    orders: Iterable[Supported | TagOrder],
    others: Iterable[str],
    places: Sequence[str] = (),
) -> Wanted:
    given = list(orders)
    watched = tuple(dict.fromkeys(name for name in watch if name is not None))
    used = [*watched, *others, *(name for order in given for name in _order_nodes(order))]
    declared = {**profile.nodes, **_for_places(profile.nodes, places)}
    return Wanted(
        namespaces=profile.namespaces,
        root=profile.root,
        nodes={name: declared[name] for name in dict.fromkeys(used)},
        watch=watched,
        arguments=_arguments(given),
    )


def _order_nodes(order: Supported | TagOrder) -> list[str]:
    names: list[str | None] = [order.node]
    if isinstance(order, WriteOrder | PulseOrder):
        names += [entry.node for entry in order.before]
    if isinstance(order, WriteOrder):
        names.append(order.echo)
    if isinstance(order, PulseOrder):
        names += [order.acknowledge, order.refusal, order.text]
    return [name for name in names if name is not None]


def _arguments(orders: Iterable[Supported | TagOrder]) -> dict[str, tuple[Argument, ...]]:
    return {
        order.node: tuple(order.arguments)
        for order in orders
        if isinstance(order, CallOrder | TagOrder)
    }


def _for_places(nodes: Mapping[str, Node], places: Sequence[str]) -> dict[str, Node]:
    return {
        at_place(name, place): node.model_copy(update={"path": node.path.replace(PLACE, place)})
        for name, node in nodes.items()
        if node.path is not None and PLACE in node.path
        for place in places
    }

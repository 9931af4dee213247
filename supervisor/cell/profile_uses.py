"""Which nodes an order or a facet uses, and which of the ways of an order a station can go.

Rules of this file:
- An order by ``first`` has several ways; the station decides on connecting which one is gone: the first whose nodes are all there.
- What is used is asked in one place only: checks, links and pages see the same.
"""

from collections.abc import Collection, Iterator
from typing import Any

from supervisor.cell.profile_facets import Facet
from supervisor.cell.profile_orders import (
    CallOrder,
    CountOrder,
    Declared,
    FirstOrder,
    PulseOrder,
    Single,
    StepsOrder,
    Supported,
    TagMemory,
    TagOrder,
    ToggleOrder,
    WriteOrder,
)

NONE_MISSING: frozenset[str] = frozenset()


def ways(order: Declared | TagOrder) -> list[Supported | TagOrder]:
    """The ways in which an order can be given, the best one first; none for one that is not supported."""
    if isinstance(order, str):
        return []
    if isinstance(order, FirstOrder):
        return [way for way in order.ways if not isinstance(way, str)]
    return [order]


def way_there(order: Declared, missing: Collection[str] = NONE_MISSING) -> Supported | None:
    """The way that a station goes where the nodes in ``missing`` are not there; None where there is none."""
    for way in ways(order):
        if not isinstance(way, TagOrder) and not any(name in missing for name in order_nodes(way)):
            return way
    return None


def ways_needed(order: Declared, missing: Collection[str] = NONE_MISSING) -> list[list[str]]:
    """For an order that has to be there and is not, where these nodes are missing: the nodes of each of its ways; else nothing."""
    if not isinstance(order, FirstOrder) or any(isinstance(way, str) for way in order.ways):
        return []
    if way_there(order, missing) is not None:
        return []
    return [order_nodes(way) for way in ways(order)]


def singles(order: Supported | TagOrder) -> list[Single | TagOrder]:
    """An order in its steps."""
    return list(order.steps) if isinstance(order, StepsOrder) else [order]


def order_nodes(order: Supported | TagOrder) -> list[str]:
    """The nodes that an order writes, reads, calls or looks at."""
    return [name for single in singles(order) for name in _single_nodes(single)]


def _single_nodes(order: Single | TagOrder) -> Iterator[str]:
    yield order.node
    if not isinstance(order, TagOrder):
        yield from (one.node for one in order.when)
    if isinstance(order, WriteOrder | PulseOrder | ToggleOrder | CountOrder):
        yield from (entry.node for entry in order.before)
    others: list[str | None] = []
    if isinstance(order, WriteOrder | ToggleOrder | CountOrder):
        others = [order.echo]
    if isinstance(order, PulseOrder):
        others = [order.acknowledge, order.refusal, order.text]
    if isinstance(order, TagOrder) and order.memory is not None:
        others = [order.memory.node]
    yield from (name for name in others if name is not None)


def calls(order: Supported | TagOrder) -> list[CallOrder | TagOrder | TagMemory]:
    """The calls of methods in an order."""
    if isinstance(order, TagOrder):
        return [order] if order.memory is None else [order, order.memory]
    return [one for one in singles(order) if isinstance(one, CallOrder)]


def facet_nodes(facet: Facet[Any]) -> list[str]:
    """The nodes that a facet looks at."""
    own = [] if facet.node is None else [facet.node]
    switches = [switch.node for switch in facet.switches or ()]
    conditions = [one.node for case in facet.cases or () for one in case.when]
    return [*own, *switches, *conditions]

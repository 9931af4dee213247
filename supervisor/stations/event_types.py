"""The types of events at a server: found anew on every connection, with their subtypes and the fields that are latched.

Rules of this file:
- A type is found by namespace URI and browse path below ``BaseEventType``, or by node id. Subtypes count as the type itself.
- A field is looked for at the type and then at its supertypes, because an address space shows a field at the type that declares it only.
- A type or field that is not there is named; the link does not come up without it.
"""

import asyncio
from collections.abc import Mapping, Sequence
from typing import Protocol

from supervisor.cell.profile_address import BrowseName, browse_path
from supervisor.cell.profile_event_checks import is_node_id
from supervisor.cell.profile_language import EventSource
from supervisor.cell.value import value
from supervisor.stations.opcua import (
    BrowsePathResult,
    NodeId,
    QualifiedName,
    numeric_id,
    plain_id,
    ua,
)
from supervisor.stations.trouble import LinkLost
from supervisor.stations.wire import Session

SUPERTYPES_MAX = 20
SUBTYPES_MAX = 200
BASE_EVENT = numeric_id(ua.ObjectIds.BaseEventType)


@value
class KnownEvent:
    """An event of the profile at this server: its type, that and all subtypes, and the browse paths of its fields by name."""

    name: str
    type: NodeId
    kinds: frozenset[NodeId]
    paths: Mapping[str, Sequence[QualifiedName]]


class Finder(Protocol):
    """What finding needs of the pass over the nodes of a profile."""

    session: Session

    def qualified(self, name: BrowseName) -> QualifiedName:
        """A browse name at this server."""
        ...

    def node_id(self, written: str) -> NodeId:
        """A node id at this server."""
        ...

    async def translate(
        self, requests: Sequence[tuple[NodeId, list[QualifiedName]]]
    ) -> list[BrowsePathResult]:
        """Follow browse paths."""
        ...


async def find_events(
    finder: Finder, events: Mapping[str, EventSource]
) -> tuple[dict[str, KnownEvent], dict[str, NodeId]]:
    """The events at this server, and for each latched field the node that declares it.

    Raises:
        LinkLost: a type or a field is not there.
    """
    found = await asyncio.gather(*(_found(finder, name, event) for name, event in events.items()))
    known = {event.name: event for event, _ in found}
    return known, {field: node for _, places in found for field, node in places.items()}


async def _found(
    finder: Finder, name: str, event: EventSource
) -> tuple[KnownEvent, dict[str, NodeId]]:
    """One event, and the nodes that declare its fields."""
    kind = await _type(finder, name, event)
    paths = {
        field: [finder.qualified(step) for step in browse_path(one.path)]
        for field, one in event.fields.items()
    }
    places, kinds = await asyncio.gather(
        _declared(finder, name, kind, paths), _downwards(finder, name, kind)
    )
    return KnownEvent(name=name, type=kind, kinds=kinds, paths=paths), places


async def _type(finder: Finder, name: str, event: EventSource) -> NodeId:
    if is_node_id(event.type):
        return finder.node_id(event.type)
    path = [finder.qualified(step) for step in browse_path(event.type)]
    (result,) = await finder.translate([(BASE_EVENT, path)])
    if not result.StatusCode.is_good() or not result.Targets:
        message = f"event {name}: expected the type BaseEventType/{event.type}, found none; correct the profile"
        raise LinkLost(message)
    return plain_id(result.Targets[0].TargetId)


async def _upwards(finder: Finder, kind: NodeId) -> list[NodeId]:
    """The type and its supertypes, up to the type of all events."""
    chain = [kind]
    for _ in range(SUPERTYPES_MAX):
        if chain[-1] == BASE_EVENT:
            break
        (above,) = await finder.session.supertypes([chain[-1]])
        if above is None:
            break
        chain.append(above)
    return chain


async def _downwards(finder: Finder, name: str, kind: NodeId) -> frozenset[NodeId]:
    """The type and all its subtypes."""
    found = {kind}
    edge = [kind]
    while edge:
        below = await finder.session.subtypes_down(edge)
        edge = [node for node in below if node not in found]
        found |= set(edge)
        if len(found) > SUBTYPES_MAX:
            message = (
                f"event {name}: its type has more than {SUBTYPES_MAX} subtypes; name a narrower one"
            )
            raise LinkLost(message)
    return frozenset(found)


async def _declared(
    finder: Finder, name: str, kind: NodeId, paths: Mapping[str, list[QualifiedName]]
) -> dict[str, NodeId]:
    """For each field the node that declares it, at the type itself or at the nearest supertype."""
    chain = await _upwards(finder, kind)
    requests = [(kind, path) for path in paths.values() for kind in chain]
    results = iter(await finder.translate(requests))
    found: dict[str, NodeId] = {}
    for field in paths:
        answers = [next(results) for _ in chain]
        targets = [one.Targets[0] for one in answers if one.StatusCode.is_good() and one.Targets]
        if not targets:
            shown = "/".join(step.Name for step in paths[field])
            message = f"event {name}: expected the field {field} ({shown}) in its type, found none; correct the profile"
            raise LinkLost(message)
        found[field] = plain_id(targets[0].TargetId)
    return found

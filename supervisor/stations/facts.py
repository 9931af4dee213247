"""What a server says of itself before anything else is asked of it.

Rules of this file:
- The start time is the server's boot identity: when it changes, every assumption about the server falls.
- A server that says that it is not fit to be asked is asked no further.
- Requests are split to what the server says it takes, and to ``CHUNK_MAX`` where it says nothing or more.
"""

import asyncio
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Literal, TypeVar, cast

from supervisor.cell.value import value
from supervisor.stations.health import (
    SERVICE_LEVEL,
    STATE,
    check_service_level,
    check_state,
)
from supervisor.stations.opcua import DataValue, NodeId, content_of, numeric_id, ua
from supervisor.stations.trouble import LinkLost
from supervisor.stations.wire import Session

CHUNK_MAX = 100
FIRST_MAX = 4  # nodes in a request before it is known how many the server takes

T = TypeVar("T")

_CAPABILITIES = "Server_ServerCapabilities_OperationLimits"
_LIMITS: Mapping[str, int] = {
    "read": getattr(ua.ObjectIds, f"{_CAPABILITIES}_MaxNodesPerRead"),
    "write": getattr(ua.ObjectIds, f"{_CAPABILITIES}_MaxNodesPerWrite"),
    "translate": getattr(ua.ObjectIds, f"{_CAPABILITIES}_MaxNodesPerTranslateBrowsePathsToNodeIds"),
    "items": getattr(ua.ObjectIds, f"{_CAPABILITIES}_MaxMonitoredItemsPerCall"),
    "browse": getattr(ua.ObjectIds, f"{_CAPABILITIES}_MaxNodesPerBrowse"),
}
_NAMESPACES = numeric_id(ua.ObjectIds.Server_NamespaceArray)
_START_TIME = numeric_id(ua.ObjectIds.Server_ServerStatus_StartTime)


@value
class ServerFacts:
    """What a server says of itself: ``boot`` is its start time, ``limits`` how many operations one request may hold."""

    boot: str
    namespaces: tuple[str, ...]
    limits: Mapping[str, int]


def chunks(items: Sequence[T], size: int) -> Iterator[Sequence[T]]:
    """The items in runs of at most ``size``."""
    for start in range(0, len(items), size):
        yield items[start : start + size]


async def read_facts(
    session: Session, health: Literal["asked", "state alone", "whatever"] = "asked"
) -> ServerFacts:
    """Ask a server for its namespaces and its start time, and for its limits.

    Of its health its ``state alone`` is believed where its service level is to be ignored, and ``whatever`` it says where only a person looks.

    Raises:
        LinkLost: it does not give namespaces or start time, or says that it is not fit to be used.
    """
    names = sorted(_LIMITS)
    asked = [_NAMESPACES, _START_TIME, STATE, SERVICE_LEVEL]
    asked += [numeric_id(_LIMITS[name]) for name in names]
    parts = await asyncio.gather(*(_read(session, part) for part in chunks(asked, FIRST_MAX)))
    found = [one for part in parts for one in part]
    said, limits = found[: -len(names)], found[-len(names) :]
    if health != "whatever":
        check_state(said[2])
    if health == "asked":
        check_service_level(said[3])
    namespaces, start = content_of(said[0]), content_of(said[1])
    if not isinstance(namespaces, list) or start is None:
        message = "the server gives neither namespaces nor its start time"
        raise LinkLost(message)
    return ServerFacts(
        boot=start.isoformat(timespec="milliseconds"),
        namespaces=tuple(str(uri) for uri in cast("list[Any]", namespaces)),
        limits={
            name: _bounded(content_of(limit)) for name, limit in zip(names, limits, strict=True)
        },
    )


async def _read(session: Session, nodes: Sequence[NodeId]) -> list[DataValue]:
    return await session.read([(node, ua.AttributeIds.Value) for node in nodes])


def _bounded(limit: Any) -> int:
    """A stated limit is never 0 (OPC 10000-5 6.3.11); servers that say 0 all the same mean that they have none (common practice)."""
    return min(limit, CHUNK_MAX) if isinstance(limit, int) and limit > 0 else CHUNK_MAX

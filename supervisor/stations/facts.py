"""What a server says of itself before anything else is asked of it.

Rules of this file:
- The start time is the server's boot identity: when it changes, every assumption about the server falls.
- Requests are split to what the server says it takes, and to ``CHUNK_MAX`` where it says nothing or more.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, TypeVar, cast

from supervisor.cell.value import value
from supervisor.stations.opcua import content_of, numeric_id, ua
from supervisor.stations.trouble import LinkLost
from supervisor.stations.wire import Session

CHUNK_MAX = 100

T = TypeVar("T")

_CAPABILITIES = "Server_ServerCapabilities_OperationLimits"
_LIMITS: Mapping[str, int] = {
    "read": getattr(ua.ObjectIds, f"{_CAPABILITIES}_MaxNodesPerRead"),
    "write": getattr(ua.ObjectIds, f"{_CAPABILITIES}_MaxNodesPerWrite"),
    "translate": getattr(ua.ObjectIds, f"{_CAPABILITIES}_MaxNodesPerTranslateBrowsePathsToNodeIds"),
    "items": getattr(ua.ObjectIds, f"{_CAPABILITIES}_MaxMonitoredItemsPerCall"),
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


async def read_facts(session: Session) -> ServerFacts:
    """Ask a server for its namespaces, its start time and its limits, in one request.

    Raises:
        LinkLost: it does not give namespaces or start time.
    """
    names = sorted(_LIMITS)
    wanted = [_NAMESPACES, _START_TIME, *(numeric_id(_LIMITS[name]) for name in names)]
    found = await session.read([(node, ua.AttributeIds.Value) for node in wanted])
    namespaces, start, *limits = [content_of(item) for item in found]
    if not isinstance(namespaces, list) or start is None:
        message = "the server gives neither namespaces nor its start time"
        raise LinkLost(message)
    bounds = {
        name: min(limit, CHUNK_MAX) if isinstance(limit, int) and limit > 0 else CHUNK_MAX
        for name, limit in zip(names, limits, strict=True)
    }
    return ServerFacts(
        boot=start.isoformat(timespec="milliseconds"),
        namespaces=tuple(str(uri) for uri in cast("list[Any]", namespaces)),
        limits=bounds,
    )

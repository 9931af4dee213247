"""What is latched from events: pulses made levels, beside the watched nodes in the image.

Rules of this file:
- The fields of an event are latched together and end together. Until an event has come they are not there, which is not the same as
  unreadable: unreadable they are only until the world was asked.
- Every source has one monitored item, because only the events of one item come in their order.
- The latches live as long as their connection. The next connection asks the world again (``supervisor.stations.reconcile``).
- Nothing here waits or sends: it is called from within the publish callback.
"""

import asyncio
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from supervisor.cell.profile_language import Ends, EventSource
from supervisor.cell.value import replace
from supervisor.stations.decode import Places, Test, all_hold, looked_at
from supervisor.stations.event_types import BASE_EVENT, KnownEvent
from supervisor.stations.opcua import ItemRequest, NodeId, QualifiedName, Variant, numeric_id, ua
from supervisor.stations.reading import UNREAD, Image, Reading
from supervisor.stations.trouble import LinkLost
from supervisor.stations.wire import field_reading

QUEUE_SIZE = 100
HEADER = ("EventType", "Time")  # of BaseEventType, OPC 10000-5 6.4.2
SERVER = numeric_id(ua.ObjectIds.Server)
OVERFLOW = numeric_id(ua.ObjectIds.EventQueueOverflowEventType)
REFRESH_END = numeric_id(ua.ObjectIds.RefreshEndEventType)
REFRESH_REQUIRED = numeric_id(ua.ObjectIds.RefreshRequiredEventType)

Placed = tuple[int, Reading]


class _Latch(NamedTuple):
    """One event: where its fields begin in the image and among the fields of its item, and what it has to do with others."""

    known: KnownEvent
    first: int
    slot: int
    only: list[Test]
    ends_by_orders: frozenset[str]
    ends_by_events: frozenset[str]
    ends_by_nodes: list[Test]
    when: list[Test]

    def positions(self) -> range:
        """Where its fields stand in the image."""
        return range(self.first, self.first + len(self.known.paths))


class Latches:
    """The latches of one connection. ``first`` is the position in the image behind the watched nodes; handles begin behind all."""

    def __init__(
        self,
        events: Mapping[str, EventSource],
        known: Mapping[str, KnownEvent],
        places: Places,
        first: int,
    ) -> None:
        self._latches: dict[str, _Latch] = {}
        self._items: list[list[str]] = []
        self.refreshed = asyncio.Event()
        self._changes = dict.fromkeys(events, 0)
        sources: dict[str | None, int] = {}
        for name, event in events.items():
            item = sources.setdefault(event.source, len(sources))
            if item == len(self._items):
                self._items.append([])
            slot = len(HEADER) + sum(len(events[other].fields) for other in self._items[item])
            self._items[item].append(name)
            self._latches[name] = _latch(event, known[name], places, first, slot)
            first += len(event.fields)
        self._handles = first
        self._sources = tuple(sources)

    # --- monitored items --------------------------------------------------------------------------------------------------

    def items(self, source: Mapping[str, NodeId]) -> list[ItemRequest]:
        """One monitored item for each source; ``source`` gives the objects of the profile by name."""
        return [
            ua.MonitoredItemCreateRequest(
                ItemToMonitor=ua.ReadValueId(
                    NodeId=SERVER if name is None else source[name],
                    AttributeId=ua.AttributeIds.EventNotifier,
                ),
                MonitoringMode=ua.MonitoringMode.Reporting,
                RequestedParameters=ua.MonitoringParameters(
                    ClientHandle=self._handles + number,
                    SamplingInterval=0,  # events are not sampled (OPC 10000-4 5.13.1.2)
                    Filter=_filter([self._latches[one].known for one in self._items[number]]),
                    QueueSize=QUEUE_SIZE,
                    DiscardOldest=True,
                ),
            )
            for number, name in enumerate(self._sources)
        ]

    # --- what happens to them ---------------------------------------------------------------------------------------------

    def taken(self, handle: int, fields: Sequence[Variant], now_s: float) -> list[Placed]:
        """What an event changes in the image.

        Raises:
            LinkLost: the server says that it had to drop events, or that its conditions have to be asked anew.
        """
        number = handle - self._handles
        if not 0 <= number < len(self._items) or len(fields) < len(HEADER):
            return []
        kind, at = fields[0].Value, fields[1].Value
        if kind == OVERFLOW:
            message = "the server had to drop events; what they said is asked anew"
            raise LinkLost(message)
        if kind == REFRESH_REQUIRED:
            message = (
                "the server says that its conditions may have changed unheard; they are asked anew"
            )
            raise LinkLost(message)
        if kind == REFRESH_END:
            self.refreshed.set()
            return []
        source_ms = 0 if at is None else int(at.timestamp() * 1000)
        changed: list[Placed] = []
        for name in self._items[number]:
            latch = self._latches[name]
            if kind in latch.known.kinds:
                read = [
                    field_reading(fields[at], source_ms, now_s)
                    for at in range(latch.slot, latch.slot + len(latch.known.paths))
                ]
                changed += self._latched(name, latch, read, now_s)
        return changed

    def _latched(self, name: str, latch: _Latch, read: list[Reading], now_s: float) -> list[Placed]:
        if all_hold(latch.only, read) is not True:
            return []
        ended = [
            placed
            for other, one in self._latches.items()
            if name in one.ends_by_events
            for placed in self._end(other, now_s)
        ]
        self._changes[name] += 1
        return [*ended, *zip(latch.positions(), read, strict=True)]

    def ended_by_order(self, order: str, now_s: float) -> list[Placed]:
        """What an order that is about to be sent changes in the image."""
        return [
            placed
            for name, latch in self._latches.items()
            if order in latch.ends_by_orders
            for placed in self._end(name, now_s)
        ]

    def ended_by_levels(self, image: Image, now_s: float) -> list[Placed]:
        """What the levels in the image end; called once for each message, after all of it was put into the image."""
        return [
            placed
            for name, latch in self._latches.items()
            if any(all_hold([test], image) for test in latch.ends_by_nodes)
            and any(image[position].value is not None for position in latch.positions())
            for placed in self._end(name, now_s)
        ]

    def _end(self, name: str, now_s: float) -> Iterator[Placed]:
        self._changes[name] += 1
        nothing = Reading(None, "good", 0, now_s)
        return ((position, nothing) for position in self._latches[name].positions())

    # --- what the world answers -------------------------------------------------------------------------------------------

    def counts(self, name: str, read: list[Reading]) -> bool:
        """Whether what an answer says of an event is something that the event would have been latched for."""
        return all_hold(self._latches[name].only, read) is True

    def answered(
        self, answers: Mapping[str, list[Reading] | None], image: Image, now_s: float
    ) -> list[Placed]:
        """What answers are worth, beside the levels of an image; None stands for "there is nothing"."""
        placed: list[Placed] = []
        for name, read in answers.items():
            latch = self._latches[name]
            counts = read is not None and all_hold(latch.when, image) is True
            nothing = [Reading(None, "good", 0, now_s)] * len(latch.positions())
            placed += zip(latch.positions(), read if counts and read else nothing, strict=True)
        return placed

    def changes(self) -> dict[str, int]:
        """How often each latch has been set or ended: who compares two of them knows what happened in between."""
        return dict(self._changes)


def _latch(event: EventSource, known: KnownEvent, places: Places, first: int, slot: int) -> _Latch:
    ends = event.ends if isinstance(event.ends, Ends) else Ends()
    own = replace(places, positions={field: at for at, field in enumerate(event.fields)})
    return _Latch(
        known=known,
        first=first,
        slot=slot,
        only=looked_at(event.only, own),
        ends_by_orders=frozenset(ends.orders),
        ends_by_events=frozenset(ends.events),
        ends_by_nodes=looked_at(ends.nodes, places),
        when=looked_at(event.after_outage.when, places),
    )


def unasked(events: Mapping[str, EventSource]) -> Image:
    """The part of an image that is latched, before the world was asked."""
    return [UNREAD for event in events.values() for _ in event.fields]


# --- the filter ---------------------------------------------------------------------------------------------------------------


def _filter(events: list[KnownEvent]) -> Any:
    """Type, time and the fields of these events, of events of their types only, and of the one that says that some were dropped.

    Those that begin and end a refresh, or ask for one, come whatever the filter says (OPC 10000-9 4.5).

    Subtypes are named one by one although ``OfType`` includes them: there are servers that compare the type itself only (measured).
    """
    fields = [(BASE_EVENT, [ua.QualifiedName(name, 0)]) for name in HEADER]
    fields += [(event.type, list(path)) for event in events for path in event.paths.values()]
    kinds = sorted({OVERFLOW, *(kind for event in events for kind in event.kinds)}, key=str)
    return ua.EventFilter(
        SelectClauses=[_field(kind, path) for kind, path in fields],
        WhereClause=ua.ContentFilter(Elements=_any_of(kinds)),
    )


def _field(kind: NodeId, path: Sequence[QualifiedName]) -> Any:
    return ua.SimpleAttributeOperand(
        TypeDefinitionId=kind, BrowsePath=list(path), AttributeId=ua.AttributeIds.Value
    )


def _any_of(kinds: Sequence[NodeId]) -> list[Any]:
    """``OfType`` for each, put together by ``Or`` in a chain: each ``Or`` names a type and the next ``Or``, the last one two types.

    The operands of an element stand behind it, so that it cannot lead back to itself (OPC 10000-4 7.7.1).
    """
    links = len(kinds) - 1
    chain = [
        _element(
            ua.FilterOperator.Or, _at(links + at), _at(at + 1 if at + 1 < links else 2 * links)
        )
        for at in range(links)
    ]
    return chain + [_element(ua.FilterOperator.OfType, _node(kind)) for kind in kinds]


def _element(operator: Any, *operands: Any) -> Any:
    return ua.ContentFilterElement(FilterOperator=operator, FilterOperands=list(operands))


def _at(index: int) -> Any:
    return ua.ElementOperand(Index=index)


def _node(kind: NodeId) -> Any:
    return ua.LiteralOperand(Value=ua.Variant(kind, ua.VariantType.NodeId))

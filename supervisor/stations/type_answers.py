"""What a server says of its data types, asked in a few wide rounds ahead of whoever needs it.

Rules of this file:
- Types lead to types. Asked one by one they take some forty round trips after each start of a server, most of the time in which it is back
  and does not deliver yet (measured); a round asks for everything that the last one led to.
- Only the asking is brought forward. What was not asked ahead is asked when it is needed, and what an answer means is decided there.
- A request holds no more than the server takes.
- Kept is what the server says of a type. That it cannot say it, as while it still loads its types after a start, is asked again.
"""

import asyncio
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, cast

from supervisor.stations.facts import chunks
from supervisor.stations.opcua import DataValue, NodeId, content_of, numeric_id, status_name, ua
from supervisor.stations.plain_types import PLAIN
from supervisor.stations.wire import Session

ROUNDS_MAX = 30
TYPES_MAX = 1_000
SAID = ("Good", "BadAttributeIdInvalid")
"""With these a server has answered: here is the definition, or the type has none (OPC 10000-4 7.39.2)."""

_BUILT_IN = {numeric_id(one) for one in (*PLAIN, ua.ObjectIds.Structure)}
"""Where the way of every type ends: these are known without asking."""


class TypeAnswers:
    """The definitions and supertypes of one start of a server, as they came."""

    def __init__(self) -> None:
        self._definitions: dict[NodeId, Any] = {}
        self._above: dict[NodeId, NodeId | None] = {}

    async def definition(self, session: Session, data_type: NodeId) -> Any:
        """The content of a type's ``DataTypeDefinition``; None where it has none."""
        if data_type not in self._definitions:
            (found,) = await session.read([_definition_of(data_type)])
            self._keep_definitions([data_type], [found])
        return self._definitions.get(data_type)

    async def above(self, session: Session, data_type: NodeId) -> NodeId | None:
        """The supertype of a type; None where the server shows none."""
        if data_type not in self._above:
            self._keep_above([data_type], await session.supertypes([data_type]))
        return self._above.get(data_type)

    async def ask_ahead(
        self, session: Session, data_types: Iterable[NodeId], limits: Mapping[str, int]
    ) -> None:
        """Ask for these types and all that they are made of, as far as that is not known.

        A server of ever more types is left at ``TYPES_MAX``: who needs the rest asks for it, and says what is wrong.
        """
        edge, asked = self._unasked(data_types), set[NodeId]()
        for _ in range(ROUNDS_MAX):
            if not edge or len(asked) > TYPES_MAX:
                return
            asked.update(edge)
            definitions, above = await asyncio.gather(
                _definitions(session, edge, limits["read"]), _above(session, edge, limits["browse"])
            )
            self._keep_definitions(edge, definitions)
            self._keep_above(edge, above)
            ahead = self._unasked(one for kind in edge for one in self._leads_to(kind))
            edge = [one for one in ahead if one not in asked]

    def _keep_definitions(self, data_types: Sequence[NodeId], found: Sequence[DataValue]) -> None:
        self._definitions |= {
            kind: content_of(one)
            for kind, one in zip(data_types, found, strict=True)
            if status_name(one.StatusCode) in SAID
        }

    def _keep_above(self, data_types: Sequence[NodeId], above: Sequence[NodeId | None]) -> None:
        """Every type but that of all types has one above it: none is an answer that did not come."""
        self._above |= {
            kind: one for kind, one in zip(data_types, above, strict=True) if one is not None
        }

    def _unasked(self, data_types: Iterable[NodeId]) -> list[NodeId]:
        """Those that there is something to ask of, each once, in their order."""
        return [
            one
            for one in dict.fromkeys(data_types)
            if one not in _BUILT_IN
            and not (one in self._above and one in self._definitions)
            and not one.is_null()
        ]

    def _leads_to(self, asked: NodeId) -> list[NodeId]:
        """The types that one type is made of, with its supertype."""
        definition: Any = self._definitions.get(asked)
        found: list[Any] = [self._above.get(asked)]
        if isinstance(definition, ua.StructureDefinition):
            fields = cast("list[Any]", definition.Fields or [])
            found += [definition.BaseDataType, *(field.DataType for field in fields)]
        return [one for one in found if one is not None]


def _definition_of(data_type: NodeId) -> tuple[NodeId, Any]:
    return data_type, ua.AttributeIds.DataTypeDefinition


async def _definitions(
    session: Session, data_types: Sequence[NodeId], limit: int
) -> list[DataValue]:
    wanted = [_definition_of(one) for one in data_types]
    parts = await asyncio.gather(*(session.read(part) for part in chunks(wanted, limit)))
    return [one for part in parts for one in part]


async def _above(session: Session, data_types: Sequence[NodeId], limit: int) -> list[NodeId | None]:
    parts = await asyncio.gather(*(session.supertypes(part) for part in chunks(data_types, limit)))
    return [one for part in parts for one in part]

"""Structures taken apart by the server's own type definition.

Rules of this file:
- Nothing here uses or fills asyncua's process-wide registry: it knows structures by namespace index and class name, and two
  stations with the same structure at different indices get each other's (measured).
- A definition is read once per connection, because the ids in it hold for that connection only.
- What we do not take apart (unions, subtyped fields) is said when the link comes up, not when a result is due.
"""

from collections.abc import Callable
from dataclasses import is_dataclass
from typing import Any, cast

from supervisor.stations.opcua import (
    Buffer,
    NodeId,
    StructureDefinition,
    StructureField,
    binary,
    content_of,
    numeric_id,
    ua,
)
from supervisor.stations.trouble import LinkLost, ResultUnreadable
from supervisor.stations.wire import Session

ROWS_MAX = 100_000
DEPTH_MAX = 5

Unpack = Callable[[Any], Any]
Row = dict[str, Any]

_PLAIN: dict[int, Unpack] = {
    ua.ObjectIds.Boolean: binary.Primitives.Boolean.unpack,
    ua.ObjectIds.SByte: binary.Primitives.SByte.unpack,
    ua.ObjectIds.Byte: binary.Primitives.Byte.unpack,
    ua.ObjectIds.Int16: binary.Primitives.Int16.unpack,
    ua.ObjectIds.UInt16: binary.Primitives.UInt16.unpack,
    ua.ObjectIds.Int32: binary.Primitives.Int32.unpack,
    ua.ObjectIds.UInt32: binary.Primitives.UInt32.unpack,
    ua.ObjectIds.Int64: binary.Primitives.Int64.unpack,
    ua.ObjectIds.UInt64: binary.Primitives.UInt64.unpack,
    ua.ObjectIds.Float: binary.Primitives.Float.unpack,
    ua.ObjectIds.Double: binary.Primitives.Double.unpack,
    ua.ObjectIds.String: binary.Primitives.String.unpack,
    ua.ObjectIds.DateTime: binary.Primitives.DateTime.unpack,
    ua.ObjectIds.Guid: binary.Primitives.Guid.unpack,
    ua.ObjectIds.ByteString: binary.Primitives.ByteString.unpack,
    ua.ObjectIds.StatusCode: binary.Primitives.UInt32.unpack,
    ua.ObjectIds.Enumeration: binary.Primitives.Int32.unpack,
    ua.ObjectIds.NodeId: binary.nodeid_from_binary,
    ua.ObjectIds.LocalizedText: lambda data: binary.struct_from_binary(ua.LocalizedText, data).Text,
}


class Structure:
    """How one structure stands on the wire: ``encoding`` is the id that comes with it, ``fields`` are in wire order."""

    def __init__(
        self, encoding: NodeId, fields: tuple[str, ...], unpack: Callable[[Any], Row]
    ) -> None:
        self.encoding = encoding
        self.fields = fields
        self._unpack = unpack

    def rows(self, content: Any) -> list[Row]:
        """An array of these structures as one mapping per row.

        Raises:
            ResultUnreadable: the value is no such array.
        """
        if content is None:
            return []
        if not isinstance(content, list) or len(cast("list[Any]", content)) > ROWS_MAX:
            message = "the results are no array of structures"
            raise ResultUnreadable(message)
        return [self._row(item) for item in cast("list[Any]", content)]

    def row(self, item: Any) -> Row:
        """One structure as a mapping; an empty one where there is none.

        Raises:
            ResultUnreadable: the value is no such structure.
        """
        return {} if item is None else self._row(item)

    def _row(self, item: Any) -> Row:
        encoding, body = _raw(item)
        if encoding is not None and encoding != self.encoding:
            message = f"a result is a structure {encoding.to_string()}, expected {self.encoding.to_string()}"
            raise ResultUnreadable(message)
        try:
            return self._unpack(Buffer(body))
        except Exception as error:
            message = f"a result structure does not follow its own type definition ({error})"
            raise ResultUnreadable(message) from error


def _raw(item: Any) -> tuple[NodeId | None, bytes]:
    """The bytes of a structure. Where something else in this process registered the type, asyncua has unpacked it already."""
    if isinstance(item, ua.ExtensionObject):
        return item.TypeId, item.Body or b""
    if is_dataclass(item):
        return None, binary.struct_to_binary(item)
    message = f"a result is {type(item).__name__}, expected a structure"
    raise ResultUnreadable(message)


async def structure_of(session: Session, data_type: NodeId, node: str) -> Structure:
    """Read the definition of a data type; ``node`` is named in messages.

    Raises:
        LinkLost: the type is no structure that we take apart.
    """
    definition = await _definition(session, data_type, node)
    unpack = await _unpacker(session, definition, node, 0)
    names = tuple(str(field.Name) for field in definition.Fields)
    return Structure(definition.DefaultEncodingId, names, unpack)


async def _definition(session: Session, data_type: NodeId, node: str) -> StructureDefinition:
    (found,) = await session.read([(data_type, ua.AttributeIds.DataTypeDefinition)])
    definition = content_of(found)
    if not isinstance(definition, ua.StructureDefinition):
        message = f"node {node}: its type {data_type.to_string()} has no structure definition"
        raise LinkLost(message)
    if definition.StructureType not in (
        ua.StructureType.Structure,
        ua.StructureType.StructureWithOptionalFields,
    ):
        message = f"node {node}: structures of the kind {definition.StructureType.name} are not taken apart"
        raise LinkLost(message)
    return definition


async def _unpacker(
    session: Session, definition: StructureDefinition, node: str, depth: int
) -> Callable[[Any], Row]:
    fields = [
        (str(field.Name), await _field(session, field, node, depth), bool(field.IsOptional))
        for field in definition.Fields
    ]
    if definition.StructureType == ua.StructureType.Structure:
        plain = [(name, unpack) for name, unpack, _ in fields]
        return lambda data: {name: unpack(data) for name, unpack in plain}
    return lambda data: _with_optional(fields, data)


def _with_optional(fields: list[tuple[str, Unpack, bool]], data: Any) -> Row:
    """A mask of the optional fields that are there stands first (OPC 10000-6 5.2.7, from memory)."""
    mask = binary.Primitives.UInt32.unpack(data)
    row: Row = {}
    for name, unpack, optional in fields:
        if optional:
            present = mask & 1
            mask >>= 1
            row[name] = unpack(data) if present else None
        else:
            row[name] = unpack(data)
    return row


async def _field(session: Session, field: StructureField, node: str, depth: int) -> Unpack:
    single = await _single(session, field.DataType, node, depth)
    if field.ValueRank == ua.ValueRank.OneDimension:
        return lambda data: [
            single(data) for _ in range(max(binary.Primitives.Int32.unpack(data), 0))
        ]
    return single


async def _single(session: Session, data_type: NodeId, node: str, depth: int) -> Unpack:
    """The unpacker of a data type: of a plain type, of what a plain type is the supertype of, or of a structure inside."""
    here: NodeId | None = data_type
    while here is not None:
        plain = _PLAIN.get(cast("int", here.Identifier)) if here.NamespaceIndex == 0 else None
        if plain is not None:
            return plain
        if here == numeric_id(ua.ObjectIds.Structure):
            break
        here = await session.subtypes_up(here)
    if here is None or depth == DEPTH_MAX:
        message = f"node {node}: a field of the type {data_type.to_string()} cannot be taken apart"
        raise LinkLost(message)
    return await _unpacker(session, await _definition(session, data_type, node), node, depth + 1)

"""The data types of published models, from tables: structures, unions and enumerations, and arguments that use them.

Rules of this file:
- Names, fields and their order are those of the model, so that a structure has on the wire what the standard says. Data types get other
  numbers here than in its nodeset: a client has to find them by name.
- asyncua knows a class of structures by its name and by the process, so one server has no two data types of one name.
"""

from collections.abc import Mapping, Sequence
from typing import Any, Literal

from asyncua import Server, ua
from asyncua.common.structures104 import new_enum, new_enum_field, new_struct, new_struct_field

from simulators.servers import wire
from simulators.servers.panel import Argument, Type

Fields = Sequence[tuple[str, str, str]]
"""Name, kind and "M" (mandatory) or "O" (optional). A kind is a data type by name, with "[]" for an array of it."""

_BUILT_ON = {
    "DecimalString": Type.String,
    "TrimmedString": Type.String,
    "UriString": Type.String,
    "Duration": Type.Double,
    "UtcTime": Type.DateTime,
    "Handle": Type.UInt32,
}
"""What data types of the standard namespace are built on (OPC 10000-5), as far as our tables have them."""


class DataTypes:
    """The data types that one server adds. Add first what others hold, then ``load``, then ``make``."""

    def __init__(self, server: Server) -> None:
        self._server = server
        self._own: dict[str, ua.NodeId] = {}
        self._variant_types: dict[str, ua.VariantType] = {}

    async def add_structures(self, index: int, tables: Mapping[str, Fields]) -> None:
        """Add structures by their fields; one may hold itself."""
        for name, fields in tables.items():
            await self._add(index, name, fields, "structure")

    async def add_union(self, index: int, name: str, fields: Sequence[tuple[str, str]]) -> None:
        """Add a union, of which one field is there at a time."""
        await self._add(index, name, [(field, kind, "M") for field, kind in fields], "union")

    async def _add(
        self, index: int, name: str, fields: Fields, what: Literal["structure", "union"]
    ) -> None:
        self._own[name] = wire.node_id(name, index)
        made = [
            new_struct_field(
                field, self.type_id(kind), array=kind.endswith("[]"), optional=rule == "O"
            )
            for field, kind, rule in fields
        ]
        text = ua.QualifiedName(name, index)
        await new_struct(self._server, self._own[name], text, made, is_union=what == "union")

    async def add_enumeration(self, index: int, name: str, words: Sequence[str]) -> None:
        """Add an enumeration whose words are numbered from 0."""
        self._own[name] = wire.node_id(name, index)
        self._variant_types[name] = Type.Int32
        fields = [new_enum_field(word) for word in words]
        await new_enum(self._server, self._own[name], ua.QualifiedName(name, index), [*fields])

    async def add_text(self, index: int, name: str) -> None:
        """Add a data type that is a text with a name of its own."""
        base = self._server.get_node(wire.type_id(Type.String))
        self._own[name] = wire.node_id(name, index)
        self._variant_types[name] = Type.String
        await base.add_data_type(self._own[name], ua.QualifiedName(name, index))

    async def load(self) -> None:
        """Make classes of all that was added, so that structures can be made, sent and taken apart."""
        await self._server.load_data_type_definitions()

    def make(self, name: str, **fields: object) -> Any:
        """A structure by its name; an optional field that is not given is not there."""
        known: Any = ua
        return getattr(known, name)(**fields)

    def type_id(self, kind: str) -> ua.NodeId:
        """The data type of a kind, also one of the standard namespace."""
        scalar = kind.removesuffix("[]")
        if scalar in self._own:
            return self._own[scalar]
        if scalar == "Variant":
            return wire.type_id(Type.Variant)
        return wire.node_id(getattr(ua.ObjectIds, scalar), 0)

    def variant_type(self, kind: str) -> ua.VariantType:
        """What values of a kind are on the wire."""
        scalar = kind.removesuffix("[]")
        if scalar in self._variant_types:
            return self._variant_types[scalar]
        if scalar in _BUILT_ON:
            return _BUILT_ON[scalar]
        return getattr(Type, scalar, Type.ExtensionObject)

    def variant(self, content: object, kind: str) -> ua.Variant:
        """A value of a kind."""
        return ua.Variant(content, self.variant_type(kind), is_array=kind.endswith("[]"))

    def arguments(self, named: Sequence[tuple[str, str]]) -> tuple[Argument, ...]:
        """Arguments of a method by name and kind."""
        return tuple(
            Argument(
                name=name,
                type=self.variant_type(kind),
                data_type=self.type_id(kind),
                rank="array" if kind.endswith("[]") else "scalar",
            )
            for name, kind in named
        )

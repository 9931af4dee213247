"""Structures taken apart and put together by the server's own type definitions.

Rules of this file:
- Nothing here uses or fills asyncua's process-wide registry of companion types: it knows structures by namespace index and class
  name, and two stations with the same structure at different indices get each other's (measured). The types of OPC UA itself, whose
  ids are the same everywhere, are the library's.
- A definition is read once per connection, because the ids in it hold for that connection only.
- A union is the mapping of its one field. What we do not take apart (structures with subtyped values) is said when the link comes up, not when a result is due.
"""

from collections.abc import Mapping
from dataclasses import is_dataclass
from typing import Any, Literal, NamedTuple, cast

from supervisor.stations.opcua import (
    Buffer,
    NodeId,
    StructureDefinition,
    StructureField,
    Variant,
    VariantType,
    binary,
    numeric_id,
    ua,
)
from supervisor.stations.plain_types import (
    PLAIN,
    VARIANT,
    Handed,
    Plain,
    fitting,
    handed_variant,
    plain_content,
    travels_as,
    variant,
)
from supervisor.stations.trouble import LinkLost, OrderImpossible, ResultUnreadable
from supervisor.stations.type_answers import TypeAnswers
from supervisor.stations.wire import Session

# A filter holds operands of any type, which no definition of it says: it is put together of the library's own types.
LIBRARY = {numeric_id(ua.ObjectIds.ContentFilter): ua.ContentFilter}
ROWS_MAX = 100_000
FIELDS_MAX = 1_000
SUPERTYPES_MAX = 20

Row = dict[str, Any]
Layout = Literal["plain", "mask", "union"]
LAYOUTS: Mapping[Any, Layout] = {
    ua.StructureType.Structure: "plain",
    ua.StructureType.StructureWithOptionalFields: "mask",
    ua.StructureType.StructureWithSubtypedValues: "plain",
    ua.StructureType.Union: "union",
}


class Member(NamedTuple):
    """A field of a structure: its type, whether it is an array of it, and whether it may be left out."""

    name: str
    shape: "Plain | Structure | LibraryStructure | Subtyped"
    rank: str
    optional: bool

    def unpack(self, data: Any) -> Any:
        """The field's content from the wire."""
        if self.rank == "single":
            return self.shape.unpack(data)
        count = max(binary.Primitives.Int32.unpack(data), 0)
        return [self.shape.unpack(data) for _ in range(count)]

    def pack(self, handed: Handed | None) -> bytes:
        """The field's content for the wire; what is not handed over is the type's own nothing.

        Raises:
            OrderImpossible: it does not fit.
        """
        if self.rank == "single":
            return self.shape.pack(handed)
        if handed is None:
            return binary.Primitives.Int32.pack(-1)
        entries = cast("list[Handed]", handed.content)
        return binary.Primitives.Int32.pack(len(entries)) + b"".join(
            self.shape.pack(entry) for entry in entries
        )

    def taken(self, content: Any) -> Any:
        """An output of a method, its structures taken apart.

        Raises:
            ResultUnreadable: it does not follow its type.
        """
        if not isinstance(self.shape, Structure):
            return plain_content(content)
        return self.shape.rows(content) if self.rank == "array" else self.shape.row(content)

    def variant(self, handed: Handed) -> Variant:
        """The content as an argument of a method.

        Raises:
            OrderImpossible: it does not fit.
        """
        kinds = ua.VariantType
        if isinstance(self.shape, LibraryStructure):
            made = [self.shape.made(one) for one in _entries(handed, self.rank)]
            content = made if self.rank == "array" else made[0]
            return ua.Variant(content, kinds.ExtensionObject, is_array=self.rank == "array")
        if self.rank == "single":
            if isinstance(self.shape, Structure):
                return ua.Variant(self.shape.extension(handed), kinds.ExtensionObject)
            return (
                handed_variant(handed)
                if self.shape is VARIANT
                else variant(handed.content, kinds[travels_as(self.shape.base)])
            )
        entries = cast("list[Handed]", handed.content)
        if isinstance(self.shape, Structure):
            made = [self.shape.extension(entry) for entry in entries]
            return ua.Variant(made, kinds.ExtensionObject, is_array=True)
        if self.shape is VARIANT:
            return ua.Variant(
                [handed_variant(entry) for entry in entries], kinds.Variant, is_array=True
            )
        name = travels_as(self.shape.base)
        return ua.Variant(
            [fitting(entry.content, name) for entry in entries], kinds[name], is_array=True
        )


def _entries(handed: Handed, rank: str) -> list[Handed]:
    return cast("list[Handed]", handed.content) if rank == "array" else [handed]


class Structure:
    """How one structure stands on the wire: ``encoding`` is the id that comes with it, ``members`` are in wire order."""

    base = "Structure"

    def __init__(self, encoding: NodeId, *, layout: Layout) -> None:
        self.encoding = encoding
        self.members: list[Member] = []
        self._layout = layout

    @property
    def fields(self) -> tuple[str, ...]:
        """The names of the fields."""
        return tuple(member.name for member in self.members)

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
        if isinstance(item, dict):  # an answer that was taken apart when it came
            return cast("Row", item)
        encoding, body = _raw(item)
        if encoding is not None and encoding != self.encoding:
            message = f"a result is a structure {encoding.to_string()}, expected {self.encoding.to_string()}"
            raise ResultUnreadable(message)
        try:
            return self.unpack(Buffer(body))
        except Exception as error:
            message = f"a result structure does not follow its own type definition ({error})"
            raise ResultUnreadable(message) from error

    def unpack(self, data: Any) -> Row:
        """The fields from the wire. A mask of the optional ones that are there stands first (OPC 10000-6 5.2.7, from memory)."""
        if self._layout == "union":
            return self._unpack_union(data)
        if self._layout == "plain":
            return {member.name: member.unpack(data) for member in self.members}
        mask = binary.Primitives.UInt32.unpack(data)
        row: Row = {}
        for member in self.members:
            if member.optional:
                row[member.name] = member.unpack(data) if mask & 1 else None
                mask >>= 1
            else:
                row[member.name] = member.unpack(data)
        return row

    def _unpack_union(self, data: Any) -> Row:
        """The one field that is there, behind its number from 1; 0 is none (OPC 10000-6 5.2.7, from memory)."""
        number = int(cast("int", binary.Primitives.UInt32.unpack(data)))
        if number == 0:
            return {}
        member: Member = self.members[number - 1]
        return {member.name: member.unpack(data)}

    def _pack_union(self, given: dict[str, Handed]) -> bytes:
        for number, member in enumerate(self.members, start=1):
            if member.name in given:
                return binary.Primitives.UInt32.pack(number) + member.pack(given[member.name])
        return binary.Primitives.UInt32.pack(0)

    def pack(self, handed: Handed | None) -> bytes:
        """The fields for the wire.

        Raises:
            OrderImpossible: one does not fit.
        """
        given: dict[str, Handed] = {} if handed is None else handed.content
        if self._layout == "union":
            return self._pack_union(given)
        optional = [member for member in self.members if member.optional]
        mask = sum(1 << at for at, member in enumerate(optional) if member.name in given)
        body = b"" if self._layout == "plain" else binary.Primitives.UInt32.pack(mask)
        return body + b"".join(
            member.pack(given.get(member.name))
            for member in self.members
            if not member.optional or member.name in given
        )

    def extension(self, handed: Handed | None) -> Any:
        """The structure as it travels inside a variant."""
        return ua.ExtensionObject(TypeId=self.encoding, Body=self.pack(handed))


class LibraryStructure:
    """A structure of OPC UA itself, such as EUInformation: its id is the same at every server, and the library knows it."""

    base = "Structure"

    def __init__(self, kind: Any) -> None:
        self._kind = kind

    def unpack(self, data: Any) -> Any:
        """Its fields as a mapping."""
        return plain_content(binary.struct_from_binary(self._kind, data))

    def pack(self, handed: Handed | None) -> bytes:
        """An empty one; nothing else can be handed over."""
        if handed is not None:
            message = f"a {self._kind.__name__} cannot be handed over; nothing was sent"
            raise OrderImpossible(message)
        return binary.struct_to_binary(self._kind())

    def made(self, handed: Handed) -> Any:
        """One of ours that was made beforehand, or an empty one.

        Raises:
            OrderImpossible: fields were handed over; only a whole one can be.
        """
        if isinstance(handed.content, self._kind):
            return handed.content
        if handed.content:
            message = f"fields of a {self._kind.__name__} cannot be handed over; nothing was sent"
            raise OrderImpossible(message)
        return self._kind()


def _library_kinds() -> Mapping[NodeId, Any]:
    """The structures of OPC UA itself that the library knows, by their data types."""
    found: dict[NodeId, Any] = {}
    for name in dir(ua):
        kind: Any = getattr(ua, name)
        of = getattr(kind, "data_type", None) if is_dataclass(kind) else None
        if isinstance(of, NodeId) and of.NamespaceIndex == 0:
            found[of] = kind
    return found


LIBRARY_KINDS = _library_kinds()
"""As the library came: whoever has it load a server's types puts others in their places, for the whole process."""


class Subtyped:
    """A structure where any of its subtypes may stand: it travels with the id of its encoding (OPC 10000-6 5.2.6, from memory)."""

    base = "Structure"

    def unpack(self, data: Any) -> Any:
        """It as it came; who reads the result takes it apart by that id."""
        return binary.extensionobject_from_binary(data)

    def pack(self, handed: Handed | None) -> bytes:
        """None of it; nothing else can be handed over."""
        if handed is not None:
            message = (
                "a structure that may be of several types cannot be handed over; nothing was sent"
            )
            raise OrderImpossible(message)
        return binary.extensionobject_to_binary(None)


def given_back(member: Member, content: Any) -> Handed:
    """What was taken apart as a field, to be handed over as it came."""
    if member.rank == "array":
        entry = member._replace(rank="single")
        entries: list[Any] = content or []
        return Handed(f"{member.shape.base}[]", [given_back(entry, one) for one in entries])
    if not isinstance(member.shape, Structure):
        return Handed(member.shape.base, content)
    row: Row = content
    fields = {
        one.name: given_back(one, row[one.name])
        for one in member.shape.members
        if row.get(one.name) is not None
    }
    return Handed("Structure", fields)


def _raw(item: Any) -> tuple[NodeId | None, bytes]:
    """The bytes of a structure. Where something else in this process registered the type, asyncua has unpacked it already."""
    if isinstance(item, ua.ExtensionObject):
        return item.TypeId, item.Body or b""
    if is_dataclass(item):
        return None, binary.struct_to_binary(item)
    message = f"a result is {type(item).__name__}, expected a structure"
    raise ResultUnreadable(message)


class TypeBook:
    """The types of one start of a server, each read once. A type may hold itself, as a parameter holds parameters.

    ``kinds`` are the built-in types that data types go back to, with the names of their kinds; ``answers`` is what the server said of them.
    """

    def __init__(self) -> None:
        self.answers = TypeAnswers()
        self.kinds: dict[NodeId, tuple[VariantType, str]] = {}
        self._known: dict[NodeId, Plain | Structure | LibraryStructure] = {}
        self._by_encoding: dict[NodeId, Structure] = {}
        self._count = 0
        self._making = 0

    @property
    def whole(self) -> bool:
        """Whether no type was left half read, by a connection that broke: then the next one may use the book."""
        return self._making == 0

    async def structure(self, session: Session, data_type: NodeId, node: str) -> Structure:
        """How the structures of a data type are taken apart; ``node`` is named in messages.

        Raises:
            LinkLost: the type is no structure that we take apart.
        """
        known = self._known.get(data_type)
        if isinstance(known, Structure):
            return known
        return await self._read_structure(session, data_type, node)

    async def of_encoding(self, session: Session, encoding: NodeId, node: str) -> Structure:
        """The structure that travels with an encoding id.

        Raises:
            LinkLost: the server does not say which one it is.
        """
        if encoding not in self._by_encoding:
            data_type = await session.encoded_by(encoding)
            if data_type is None:
                message = f"node {node}: no data type has the encoding {encoding.to_string()}"
                raise LinkLost(message)
            self._by_encoding[encoding] = await self.structure(session, data_type, node)
        return self._by_encoding[encoding]

    async def shape(self, session: Session, data_type: NodeId, node: str) -> Any:
        """A data type: a plain one, one that goes back to a plain one, or a structure."""
        if data_type not in self._known:
            plain = await self._plain(session, data_type)
            plain = plain or await self._left_undefined(session, data_type)
            if plain is None:
                return await self._read_structure(session, data_type, node)
            self._known[data_type] = plain
        return self._known[data_type]

    async def _left_undefined(self, session: Session, data_type: NodeId) -> LibraryStructure | None:
        """A structure of OPC UA itself that the server gives no definition of, as servers may: the library has it."""
        if data_type.NamespaceIndex != 0:
            return None
        found = await self.answers.definition(session, data_type)
        kind = LIBRARY_KINDS.get(data_type)
        if isinstance(found, ua.StructureDefinition) or kind is None:
            return None
        return LibraryStructure(kind)

    async def _plain(self, session: Session, data_type: NodeId) -> Plain | LibraryStructure | None:
        here: NodeId | None = data_type
        for _ in range(SUPERTYPES_MAX):
            if here is None or here == numeric_id(ua.ObjectIds.Structure):
                break
            if here.NamespaceIndex == 0:
                plain = PLAIN.get(cast("int", here.Identifier))
                if plain is not None:
                    return plain
                kind = LIBRARY.get(here)
                if kind is not None and here == data_type:
                    return LibraryStructure(kind)
            here = await self.answers.above(session, here)
        return None

    async def _read_structure(self, session: Session, data_type: NodeId, node: str) -> Structure:
        self._making += 1  # and no longer where it fails: others may hold what is half made
        definition = await self._definition(session, data_type, node)
        subtyped = definition.StructureType == ua.StructureType.StructureWithSubtypedValues
        made = Structure(definition.DefaultEncodingId, layout=LAYOUTS[definition.StructureType])
        self._known[data_type] = made  # before its fields are read: one of them may be of this type
        for field in await self._all_fields(session, definition, node):
            member = await self._member(session, field, node)
            if subtyped:  # what is optional elsewhere says here that subtypes may stand there (OPC 10000-3 8.51)
                member = _subtyped(member) if member.optional else member
            made.members.append(member)
        self._by_encoding[made.encoding] = made
        self._making -= 1
        return made

    async def _all_fields(
        self, session: Session, definition: StructureDefinition, node: str
    ) -> list[StructureField]:
        """The fields with those of the supertypes before them.

        A definition lists them all (OPC 10000-3, from memory); a server that serves a nodeset as it stands lists its own only
        (measured: reading the file into asyncua leaves them so).
        """
        own: list[StructureField] = list(definition.Fields)
        base: NodeId | None = definition.BaseDataType
        if base is None or base.NamespaceIndex == 0:
            return own
        above = await self._all_fields(session, await self._definition(session, base, node), node)
        names = [field.Name for field in above]
        return own if [field.Name for field in own[: len(names)]] == names else [*above, *own]

    async def _member(self, session: Session, field: StructureField, node: str) -> Member:
        self._count += 1
        if self._count > FIELDS_MAX:
            message = f"node {node}: its type has more than {FIELDS_MAX} fields"
            raise LinkLost(message)
        return Member(
            name=str(field.Name),
            shape=await self.shape(session, field.DataType, node),
            rank="array" if field.ValueRank == ua.ValueRank.OneDimension else "single",
            optional=bool(field.IsOptional),
        )

    async def _definition(
        self, session: Session, data_type: NodeId, node: str
    ) -> StructureDefinition:
        definition = await self.answers.definition(session, data_type)
        if not isinstance(definition, ua.StructureDefinition):
            message = f"node {node}: its type {data_type.to_string()} has no structure definition"
            raise LinkLost(message)
        if definition.StructureType not in LAYOUTS:
            message = f"node {node}: structures of the kind {definition.StructureType.name} are not taken apart"
            raise LinkLost(message)
        return definition


def _subtyped(member: Member) -> Member:
    """A field that may hold any subtype of its type: a structure with its id, a value in a variant."""
    is_structure = isinstance(member.shape, Structure | LibraryStructure)
    return member._replace(shape=Subtyped() if is_structure else VARIANT, optional=False)

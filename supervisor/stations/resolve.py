"""From the names of a profile to the nodes of a server, anew on every connection.

Rules of this file:
- A node is found by namespace URI; an index from an earlier connection is never used again. A restarted server may have given
  the old index to another namespace, where the same id is another node (measured).
- Every node is checked by class, browse name, data type and rank before the link counts as up; a wrong one names itself, what
  was expected and what was found.
- Requests are split to what the server takes, and those that do not need each other's answers go out together: a link that is to be
  back within half a second has no time to wait for each.
"""

import asyncio
import base64
import uuid
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import field
from typing import Any, NoReturn

from supervisor.cell.profile_address import BrowseName, browse_name, browse_path, node_id
from supervisor.cell.profile_language import Argument, EventSource, Node
from supervisor.cell.value import replace, value
from supervisor.stations.event_types import BASE_EVENT, KnownEvent, find_events
from supervisor.stations.facts import ServerFacts, chunks
from supervisor.stations.opcua import (
    BrowsePathResult,
    DataValue,
    NodeId,
    QualifiedName,
    VariantType,
    content_of,
    numeric_id,
    plain_id,
    status_name,
    ua,
)
from supervisor.stations.structures import Member, Structure, TypeBook
from supervisor.stations.trouble import LinkLost
from supervisor.stations.wire import Session

SUPERTYPES_MAX = 20
FILE_METHODS = ("Open", "Read", "Close")  # of FileType, OPC 10000-20 4.2
_CLASSES = {
    "Method": ua.NodeClass.Method,
    "File": ua.NodeClass.Object,
    "Object": ua.NodeClass.Object,
}

_IDENTIFIERS: Mapping[str, Callable[[str], Any]] = {
    "i": int,
    "s": str,
    "g": uuid.UUID,
    "b": base64.b64decode,
}
_VARIANT_TYPES = {
    ua.NodeId(kind.value): kind
    for kind in ua.VariantType
    if kind.value <= ua.VariantType.LocalizedText.value
}
# What a variable of an abstract data type may hold: each value says itself what it is (OPC 10000-3 8.29 and following, from memory).
_SIGNED, _UNSIGNED = ("SByte", "Int16", "Int32", "Int64"), ("Byte", "UInt16", "UInt32", "UInt64")
_ABSTRACT = {
    numeric_id(ua.ObjectIds.Number): (*_SIGNED, *_UNSIGNED, "Float", "Double"),
    numeric_id(ua.ObjectIds.Integer): _SIGNED,
    numeric_id(ua.ObjectIds.UInteger): _UNSIGNED,
}
_ENUMERATION = numeric_id(ua.ObjectIds.Enumeration)
_STRUCTURE = numeric_id(ua.ObjectIds.Structure)
_ANYTHING = numeric_id(ua.ObjectIds.BaseDataType)


@value
class Call:
    """A method and what it is called with; ``outputs`` are the positions (from 1) of outputs that are taken apart."""

    node: str
    arguments: tuple[Argument, ...]
    outputs: tuple[int, ...] = ()


@value
class Wanted:
    """What a link needs of a server: the nodes of a profile by name, those to ``watch``, and the calls of its methods.

    Those in ``stamped`` are reported also when only their time stamp changed. ``events`` are latched. Those in ``optional`` may be
    missing, with what is then not known or not done.
    """

    namespaces: Mapping[str, str]
    root: str
    nodes: Mapping[str, Node]
    watch: tuple[str, ...]
    calls: tuple[Call, ...] = ()
    stamped: frozenset[str] = frozenset()
    events: Mapping[str, EventSource] = field(default_factory=dict[str, EventSource])

    def latched(self) -> tuple[str, ...]:
        """The fields of all events, in the order in which they stand behind ``watch`` in the image."""
        return tuple(name for event in self.events.values() for name in event.fields)

    optional: Mapping[str, str] = field(default_factory=dict[str, str])


@value
class Found:
    """A node of the profile at this server. ``owner`` is the object that a method is called on; ``members`` are an enumeration's.

    ``inputs`` are the arguments that a method takes, ``outputs`` those that are taken apart, by position.
    """

    name: str
    node: NodeId
    owner: NodeId
    kind: VariantType
    members: Mapping[str, int]
    structure: Structure | None
    inputs: tuple[Member, ...] = ()
    outputs: Mapping[int, Member] = field(default_factory=dict[int, Member])
    file: Mapping[str, NodeId] = field(default_factory=dict[str, NodeId])


def node_id_at(written: str, namespaces: Mapping[str, str], facts: ServerFacts) -> NodeId:
    """A node id of a profile with the index that its namespace has at this server."""
    parts = node_id(written)
    index = facts.namespaces.index(namespaces[parts.prefix]) if parts.prefix else 0
    return ua.NodeId(_IDENTIFIERS[parts.kind](parts.identifier), index)


@value
class Resolution:
    """What a profile needs at this server: nodes and fields of events by name, and the events themselves."""

    found: Mapping[str, Found]
    events: Mapping[str, KnownEvent]


async def resolve(
    session: Session, facts: ServerFacts, wanted: Wanted, types: TypeBook
) -> Resolution:
    """Find and check every node and event that is wanted; what is learnt of the server's types is kept in ``types``.

    Raises:
        LinkLost: one that is not optional is missing, or one is not what the profile says.
    """
    return await _Resolver(session, facts, wanted, types).all()


class _Resolver:
    """One pass over the nodes of a profile."""

    def __init__(
        self, session: Session, facts: ServerFacts, wanted: Wanted, types: TypeBook
    ) -> None:
        self.session = session
        self.facts = facts
        self.wanted = wanted
        self.kinds = types.kinds
        self.nodes: Mapping[str, Node] = wanted.nodes
        self.declared: dict[str, Mapping[str, list[Any]]] = {}
        self.types = types
        self.indices = {
            prefix: self._index(uri) for prefix, uri in sorted(wanted.namespaces.items())
        }

    def _index(self, uri: str) -> int:
        try:
            return self.facts.namespaces.index(uri)
        except ValueError:
            known = ", ".join(self.facts.namespaces)
            message = f"expected the namespace {uri}, found {known}; this is not the station that the profile is for"
            raise LinkLost(message) from None

    async def all(self) -> Resolution:
        nodes = self.wanted.nodes
        events = self.wanted.events
        places, (known, fields) = await asyncio.gather(self._places(), find_events(self, events))
        places |= {name: (node, BASE_EVENT) for name, node in fields.items()}
        self.nodes = {**nodes, **_as_nodes(events)}
        where = {
            name: places[name][0] for name in sorted(places) if self.nodes[name].type == "Method"
        }
        described, inputs, outputs = await asyncio.gather(
            self._there(places),
            self._arguments(where, "InputArguments"),
            self._arguments(where, "OutputArguments"),
        )
        self.declared = {"Input": inputs, "Output": outputs}
        leads = [content_of(found[2]) for found in described.values()]
        await self._ask_types_ahead(one for one in leads if one is not None)
        names = sorted(described)
        found = {name: await self._checked(name, places[name], described[name]) for name in names}
        return Resolution(found=found, events=known)

    async def _ask_types_ahead(self, variables: Iterable[NodeId]) -> None:
        """The types of the variables, and of what the methods take and give, where that is looked at."""
        methods = sorted({call.node for call in self.wanted.calls})
        arguments: list[Any] = [
            one
            for direction in self.declared.values()
            for name in methods
            for one in direction.get(name, [])
        ]
        data_types = (*variables, *(one.DataType for one in arguments))
        await self.types.answers.ask_ahead(self.session, data_types, self.facts.limits)

    async def _there(
        self, places: Mapping[str, tuple[NodeId, NodeId]]
    ) -> dict[str, list[DataValue]]:
        """The attributes of the nodes, without the optional ones that a node id leads to and that are not there."""
        names = sorted(places)
        attributes = await self._attributes([places[name][0] for name in names])
        return {
            name: described
            for name, described in zip(names, attributes, strict=True)
            if name not in self.wanted.optional or content_of(described[0]) is not None
        }

    # --- where ----------------------------------------------------------------------------------------------------------

    async def _places(self) -> dict[str, tuple[NodeId, NodeId]]:
        """Each node and the object that a method is called on."""
        paths = {name: node for name, node in self.wanted.nodes.items() if node.path is not None}
        ids = {name: node for name, node in self.wanted.nodes.items() if node.path is None}
        places = await self._follow({name: node.path or "" for name, node in paths.items()})
        for name, node in ids.items():
            places[name] = (self.node_id(node.id or ""), self.node_id(node.on or "i=0"))
        return places

    def qualified(self, name: BrowseName) -> QualifiedName:
        """A browse name at this server."""
        return ua.QualifiedName(name.name, self.indices[name.prefix] if name.prefix else 0)

    def node_id(self, written: str) -> NodeId:
        """A node id at this server."""
        return node_id_at(written, self.wanted.namespaces, self.facts)

    async def _follow(self, paths: Mapping[str, str]) -> dict[str, tuple[NodeId, NodeId]]:
        """Each path's node, and the node before it: the object that a method is called on."""
        objects = numeric_id(ua.ObjectIds.ObjectsFolder)
        base = browse_path(self.wanted.root)
        whole = {name: (*base, *browse_path(path)) for name, path in paths.items()}
        distinct = sorted(
            {path[:cut] for path in whole.values() for cut in (len(path), len(path) - 1) if cut}
        )
        requests = [(objects, [self.qualified(name) for name in path]) for path in distinct]
        needed = {
            path[:cut]
            for name, path in whole.items()
            if name not in self.wanted.optional
            for cut in (len(path), len(path) - 1)
        }
        nodes: dict[tuple[BrowseName, ...], NodeId] = {(): objects}
        for path, result in zip(distinct, await self.translate(requests), strict=True):
            if path in needed or result.StatusCode.is_good():
                nodes[path] = self._single_target(path, result)
        return {
            name: (nodes[path], nodes[path[:-1]]) for name, path in whole.items() if path in nodes
        }

    def _single_target(self, path: tuple[BrowseName, ...], result: BrowsePathResult) -> NodeId:
        shown = "/".join(str(name) for name in path)
        targets: list[Any] = result.Targets or []
        if not result.StatusCode.is_good() or not targets:
            message = (
                f"expected a node at Objects/{shown}, found none ({status_name(result.StatusCode)})"
            )
            raise LinkLost(message)
        if len(targets) > 1:
            message = f"expected one node at Objects/{shown}, found {len(targets)}; name it by its node id"
            raise LinkLost(message)
        return plain_id(targets[0].TargetId)

    # --- what -----------------------------------------------------------------------------------------------------------

    async def _attributes(self, nodes: list[NodeId]) -> list[list[DataValue]]:
        asked = (
            ua.AttributeIds.NodeClass,
            ua.AttributeIds.BrowseName,
            ua.AttributeIds.DataType,
            ua.AttributeIds.ValueRank,
        )
        found = await self._read([(node, attribute) for node in nodes for attribute in asked])
        return [found[start : start + len(asked)] for start in range(0, len(found), len(asked))]

    async def _checked(
        self, name: str, place: tuple[NodeId, NodeId], described: list[DataValue]
    ) -> Found:
        node = self.nodes[name]
        where = f"node {name} ({node.path or node.id})"
        node_class, found_name, data_type, rank = [content_of(item) for item in described]
        wanted_class = _CLASSES.get(node.type, ua.NodeClass.Variable)
        if node_class != wanted_class:
            found = "nothing" if node_class is None else ua.NodeClass(node_class).name
            _refuse(where, f"a {wanted_class.name.lower()}", found)
        if node.name is not None and self.qualified(browse_name(node.name)) != found_name:
            _refuse(
                where,
                f"the browse name {node.name}",
                f"{found_name.NamespaceIndex}:{found_name.Name}",
            )
        if node.type == "Method":
            return await self._method(name, where, place)
        if node.type == "File":
            return await self._file(name, where, place)
        if node.type == "Object":
            return _found(name, place, ua.VariantType.Null)
        return await self._variable(name, place, data_type, rank)

    async def _file(self, name: str, where: str, place: tuple[NodeId, NodeId]) -> Found:
        """An object with the methods of a file."""
        paths = [(place[0], [ua.QualifiedName(method, 0)]) for method in FILE_METHODS]
        methods: dict[str, NodeId] = {}
        for method, result in zip(FILE_METHODS, await self.translate(paths), strict=True):
            if not result.StatusCode.is_good() or not result.Targets:
                _refuse(where, f"a file with the method {method}", "none")
            methods[method] = plain_id(result.Targets[0].TargetId)
        return replace(_found(name, place, ua.VariantType.Null), file=methods)

    async def _variable(
        self, name: str, place: tuple[NodeId, NodeId], data_type: NodeId, rank: int | None
    ) -> Found:
        node = self.nodes[name]
        where = f"node {name} ({node.path or node.id})"
        scalar = node.type.removesuffix("[]")
        kind, base = await self._kind(data_type)
        if scalar not in (base, *_ABSTRACT.get(data_type, ())) and not (
            base == "Enumeration" and scalar == "Int32"
        ):
            _refuse(where, f"the data type {scalar}", base)
        is_array = rank is not None and rank != ua.ValueRank.Scalar
        if is_array != node.type.endswith("[]") and rank not in (
            ua.ValueRank.Any,
            ua.ValueRank.ScalarOrOneDimension,
        ):
            _refuse(
                where,
                f"{'an array' if node.type.endswith('[]') else 'a single value'}",
                f"value rank {rank}",
            )
        members = await self._members(where, data_type) if scalar == "Enumeration" else {}
        structure = (
            await self.types.structure(self.session, data_type, name)
            if scalar == "Structure"
            else None
        )
        return _found(name, place, kind, members, structure)

    async def _kind(self, data_type: NodeId) -> tuple[VariantType, str]:
        """How a data type travels, and the name of the built-in type, Enumeration or Structure that it goes back to."""
        if data_type not in self.kinds:
            self.kinds[data_type] = await self._look_up_kind(data_type)
        return self.kinds[data_type]

    async def _look_up_kind(self, data_type: NodeId) -> tuple[VariantType, str]:
        here: NodeId | None = data_type
        for _ in range(SUPERTYPES_MAX):
            if here is None:
                break
            if here == _ENUMERATION:
                return ua.VariantType.Int32, "Enumeration"
            if here == _STRUCTURE:
                return ua.VariantType.ExtensionObject, "Structure"
            if here == _ANYTHING:
                return ua.VariantType.Variant, "Variant"
            kind = _VARIANT_TYPES.get(here)
            if kind is not None:
                return kind, kind.name
            here = await self.types.answers.above(self.session, here)
        return ua.VariantType.Variant, f"the data type {data_type.to_string()}"

    async def _members(self, where: str, data_type: NodeId) -> dict[str, int]:
        """The members of an enumeration by name."""
        definition = await self.types.answers.definition(self.session, data_type)
        if isinstance(definition, ua.EnumDefinition):
            return {str(one.Name): int(one.Value) for one in definition.Fields}
        (result,) = await self.session.translate(
            [(data_type, [ua.QualifiedName("EnumStrings", 0)])]
        )
        if not result.StatusCode.is_good() or not result.Targets:
            _refuse(
                where, "an enumeration that names its members", "neither definition nor EnumStrings"
            )
        (strings,) = await self.session.read(
            [(plain_id(result.Targets[0].TargetId), ua.AttributeIds.Value)]
        )
        texts: list[Any] = content_of(strings) or []
        return {str(text.Text): number for number, text in enumerate(texts)}

    async def _arguments(
        self, methods: Mapping[str, NodeId], direction: str
    ) -> dict[str, list[Any]]:
        """The declared arguments of each method in one direction; none where the server declares none."""
        names = sorted(methods)
        path = [ua.QualifiedName(direction, 0)]
        results = await self.translate([(methods[name], path) for name in names])
        there = {
            name: plain_id(result.Targets[0].TargetId)
            for name, result in zip(names, results, strict=True)
            if result.StatusCode.is_good() and result.Targets
        }
        values = await self._read([(node, ua.AttributeIds.Value) for node in there.values()])
        found: dict[str, list[Any]] = {
            name: content_of(item) or [] for name, item in zip(there, values, strict=True)
        }
        return {name: found.get(name, []) for name in names}

    async def _method(self, name: str, where: str, place: tuple[NodeId, NodeId]) -> Found:
        """The method takes what the profile hands over, and gives what it takes apart."""
        calls = [call for call in self.wanted.calls if call.node == name]
        declared = self.declared["Input"][name]
        inputs: tuple[Member, ...] = ()
        if calls:
            inputs = tuple([await self._member(one, name) for one in declared])
        for call in calls:
            if len(inputs) != len(call.arguments):
                _refuse(where, f"a method with {len(call.arguments)} arguments", f"{len(inputs)}")
            for position, (member, argument) in enumerate(
                zip(inputs, call.arguments, strict=True), start=1
            ):
                _check_argument(f"{where}, argument {position} ({member.name})", member, argument)
        positions = sorted({position for call in calls for position in call.outputs})
        return Found(
            name=name,
            node=place[0],
            owner=place[1],
            kind=ua.VariantType.Null,
            members={},
            structure=None,
            inputs=inputs,
            outputs={at: await self._output(name, where, at) for at in positions},
        )

    async def _output(self, name: str, where: str, position: int) -> Member:
        declared = self.declared["Output"][name]
        if position > len(declared):
            _refuse(where, f"a method with an output {position}", f"{len(declared)} outputs")
        return await self._member(declared[position - 1], name)

    async def _member(self, declared: Any, node: str) -> Member:
        """A declared argument as a field of no structure."""
        return Member(
            name=str(declared.Name),
            shape=await self.types.shape(self.session, declared.DataType, node),
            rank="array" if declared.ValueRank == ua.ValueRank.OneDimension else "single",
            optional=False,
        )

    # --- requests, split to what the server takes ------------------------------------------------------------------------

    async def translate(
        self, requests: Sequence[tuple[NodeId, list[QualifiedName]]]
    ) -> list[BrowsePathResult]:
        """Follow browse paths, in as many requests as the server needs."""
        found: list[BrowsePathResult] = []
        for chunk in chunks(requests, self.facts.limits["translate"]):
            found += await self.session.translate(chunk)
        return found

    async def _read(self, wanted: Sequence[tuple[NodeId, Any]]) -> list[DataValue]:
        found: list[DataValue] = []
        for chunk in chunks(wanted, self.facts.limits["read"]):
            found += await self.session.read(chunk)
        return found


def _as_nodes(events: Mapping[str, EventSource]) -> dict[str, Node]:
    """The fields of events as nodes that are checked like any other."""
    return {
        name: Node(type=field.type, path=field.path)
        for event in events.values()
        for name, field in event.fields.items()
    }


def _found(
    name: str,
    place: tuple[NodeId, NodeId],
    kind: VariantType,
    members: Mapping[str, int] | None = None,
    structure: Structure | None = None,
) -> Found:
    return Found(
        name=name,
        node=place[0],
        owner=place[1],
        kind=kind,
        members=members or {},
        structure=structure,
    )


def _check_argument(where: str, member: Member, argument: Argument) -> None:
    """What is handed over is of the type that the server declares, inside structures too."""
    scalar = argument.type.removesuffix("[]")
    base = member.shape.base
    if base not in (scalar, "Variant") and not (base == "Enumeration" and scalar == "Int32"):
        _refuse(where, f"the data type {scalar}", base)
    is_array = argument.type.endswith("[]")
    if is_array != (member.rank == "array") and base != "Variant":
        _refuse(where, "an array" if is_array else "a single value", member.rank)
    _check_parts(where, member, argument)


def _check_parts(where: str, member: Member, argument: Argument) -> None:
    if argument.items is not None and member.rank == "array":
        entry = member._replace(rank="single")
        for index, item in enumerate(argument.items):
            _check_argument(f"{where}, entry {index}", entry, item)
    if argument.members is None:
        return
    fields = {one.name: one for one in getattr(member.shape, "members", [])}
    for name, part in argument.members.items():
        if name not in fields:
            known = ", ".join(fields) or "none"
            _refuse(where, f"a structure with the field {name}", f"the fields {known}")
        _check_argument(f"{where}, field {name}", fields[name], part)


def _refuse(where: str, expected: str, found: str) -> NoReturn:
    message = f"{where}: expected {expected}, found {found}; correct the profile, or check that this is the station it is for"
    raise LinkLost(message)

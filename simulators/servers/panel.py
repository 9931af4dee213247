"""What one machine shows and takes over OPC UA: variables, commands, methods.

Rules of this file:
- A variable is written only when its value or its quality changed, with the real time as source timestamp, in the order given:
  a result stands there before the state that announces it.
- A command variable calls back on every write by a client, also of the same value, before the write is answered: no pulse is missed
  however short. Our own writes to it call nobody.
- Arguments of methods are checked against their declaration; a machine never sees a wrong one.
- No node is known by an index: namespaces are registered by URI, in an order that differs from run to run where wanted.
- A browse name is of the machine's own namespace, or of that of its prefix ("m:Machines"); node ids are all of its own.
"""

from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Literal

from asyncua import Node, Server, ua
from asyncua.server.address_space import NodeData

from simulators.servers import wire

OnWrite = Callable[[Any], None]
Method = Callable[..., Awaitable[tuple[Any, ...]]]
Quality = Literal["good", "bad"]
Type = ua.VariantType


@dataclass(frozen=True, slots=True, kw_only=True)
class Argument:
    """One argument of a method. ``data_type`` None: the built-in type itself. One of type Variant takes any scalar or array."""

    name: str
    type: ua.VariantType
    data_type: ua.NodeId | None = None
    rank: Literal["scalar", "array"] = "scalar"


STATUS = (Argument(name="Status", type=Type.Int32), Argument(name="Text", type=Type.String))


@dataclass(frozen=True, slots=True, kw_only=True)
class Variable:
    """One variable below the panel's root, by its path ("Door/State"). ``data_type`` None: the built-in type itself."""

    path: str
    type: ua.VariantType
    start: Any
    data_type: ua.NodeId | None = None


class Panel:
    """The nodes of one machine below one root object. ``prefixes``: the indices of other namespaces that browse names are of."""

    def __init__(
        self,
        server: Server,
        root: Node,
        *,
        index: int,
        ids: Literal["names", "numbers"],
        prefixes: Mapping[str, int] | None = None,
    ) -> None:
        self.index = index
        self.prefixes = prefixes or {}
        self.root = root
        self._server = server
        self._ids = ids
        self._next_number = 1000
        self._objects: dict[str, Node] = {"": root}
        self._variables: dict[str, tuple[ua.NodeId, Variable]] = {}
        self._shown: dict[str, tuple[Any, Quality]] = {}
        self._own_writes: set[ua.NodeId] = set()

    async def show(self, variables: Sequence[Variable]) -> None:
        """Add variables that clients can only read."""
        for variable in variables:
            await self._add(variable)

    async def take(self, variable: Variable, on_write: OnWrite) -> None:
        """Add a variable that clients write; ``on_write`` gets every value."""
        node = await self._add(variable)
        await node.set_writable()

        def setter(data: NodeData, attribute: ua.AttributeIds, value: ua.DataValue) -> None:
            data.attributes[attribute].value = value
            if data.nodeid in self._own_writes:
                self._own_writes.discard(data.nodeid)
            elif value.Value is not None:
                self._shown[variable.path] = (value.Value.Value, "good")
                on_write(value.Value.Value)

        self._server.set_attribute_value_setter(node.nodeid, setter)

    async def offer(
        self,
        path: str,
        method: Method,
        *,
        takes: Sequence[Argument],
        gives: Sequence[Argument] = STATUS,
    ) -> None:
        """Add a method. ``method`` gets plain values and returns one per argument of ``gives``."""

        async def call(_parent: ua.NodeId, *sent: ua.Variant) -> Any:
            fault = _wrong_arguments(takes, sent)
            if fault:
                return fault
            answers = await method(*(variant.Value for variant in sent))
            return [_answer(answer, out) for answer, out in zip(answers, gives, strict=True)]

        parent, name = await self._parent(path)
        inputs, outputs = ([_declared(one) for one in takes], [_declared(one) for one in gives])
        await parent.add_method(self._node_id(path), self._name(name), call, inputs, outputs)

    async def mimic(self, root: Node, *, index: int) -> None:
        """Add variables with the identifiers and types of ours in another namespace. They mean nothing."""
        for number, (node_id, variable) in enumerate(self._variables.values()):
            other = wire.in_namespace(node_id, index)
            name = ua.QualifiedName(f"Other{number}", index)
            await root.add_variable(other, name, _start(variable), datatype=variable.data_type)

    async def publish(self, values: Mapping[str, Any], quality: Quality) -> None:
        """Bring variables up to date, in the order of ``values``; with bad quality no value goes out."""
        for path, value in values.items():
            if self._shown[path] != (value, quality):
                self._shown[path] = (value, quality)
                await self._write(path, value, quality)

    async def _write(self, path: str, value: Any, quality: Quality) -> None:
        node_id, variable = self._variables[path]
        status = ua.StatusCodes.Good if quality == "good" else ua.StatusCodes.BadSensorFailure
        data = wire.data_value(ua.Variant(value, variable.type), status, datetime.now(UTC))
        self._own_writes.add(node_id)
        await self._server.write_attribute_value(node_id, data)
        self._own_writes.discard(node_id)

    async def _add(self, variable: Variable) -> Node:
        parent, name = await self._parent(variable.path)
        node_id = self._node_id(variable.path)
        start = _start(variable)
        below_a_variable = variable.path.rpartition("/")[0] in self._variables
        add = parent.add_property if below_a_variable else parent.add_variable
        node = await add(node_id, self._name(name), start, datatype=variable.data_type)
        self._variables[variable.path] = (node.nodeid, variable)
        self._shown[variable.path] = (variable.start, "good")
        return node

    async def object(self, path: str) -> Node:
        """The object at a path, added with those above it where it is not there yet; "" is the root."""
        if path not in self._objects:
            parent, name = await self._parent(path)
            self._objects[path] = await parent.add_object(self._node_id(path), self._name(name))
        return self._objects[path]

    async def _parent(self, path: str) -> tuple[Node, str]:
        above, _, name = path.rpartition("/")
        if above in self._variables:
            return self._server.get_node(self._variables[above][0]), name
        return await self.object(above), name

    def _name(self, name: str) -> ua.QualifiedName:
        return qualified(name, self.index, self.prefixes)

    def _node_id(self, path: str) -> ua.NodeId:
        self._next_number += 1
        identifier = without_prefixes(path) if self._ids == "names" else self._next_number
        return wire.node_id(identifier, self.index)


def qualified(name: str, own: int, prefixes: Mapping[str, int]) -> ua.QualifiedName:
    """A browse name, of the namespace of its prefix or of our own."""
    prefix, _, bare = name.rpartition(":")
    return ua.QualifiedName(bare, prefixes[prefix] if prefix else own)


def without_prefixes(path: str) -> str:
    """The text of a node id for a path of browse names."""
    return ".".join(name.rpartition(":")[2] for name in path.split("/"))


def _declared(argument: Argument) -> ua.Argument:
    data_type = argument.data_type or wire.type_id(argument.type)
    return wire.argument(argument.name, data_type, argument.rank)


def _answer(content: Any, out: Argument) -> ua.Variant:
    return ua.Variant(content, out.type, is_array=out.rank == "array")


def _start(variable: Variable) -> ua.Variant:
    return ua.Variant(variable.start, variable.type, is_array=isinstance(variable.start, list))


def _wrong_arguments(
    takes: Sequence[Argument], sent: Sequence[ua.Variant]
) -> ua.CallMethodResult | None:
    if len(sent) < len(takes):
        return ua.CallMethodResult(StatusCode=wire.status(ua.StatusCodes.BadArgumentsMissing))
    if len(sent) > len(takes):
        return ua.CallMethodResult(StatusCode=wire.status(ua.StatusCodes.BadTooManyArguments))
    checks = [
        wire.status(ua.StatusCodes.Good if _fits(got, want) else ua.StatusCodes.BadTypeMismatch)
        for want, got in zip(takes, sent, strict=True)
    ]
    if all(check.is_good() for check in checks):
        return None
    invalid = wire.status(ua.StatusCodes.BadInvalidArgument)
    return ua.CallMethodResult(StatusCode=invalid, InputArgumentResults=checks)


def _fits(got: ua.Variant, want: Argument) -> bool:
    if want.type == Type.Variant:
        return True
    return got.VariantType == want.type and bool(got.is_array) == (want.rank == "array")

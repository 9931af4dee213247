"""The part of machine vision (OPC 40100-1) that the simulated optical station shows: types, state machines, methods, events.

Rules of this file:
- Names, fields, arguments and the numbers of the state objects are those of the standard's nodeset, version 1.0.0. Data types and event
  types get other numbers here: a client has to find them by name.
- What a measured value looks like the standard leaves open: the structure for it stands in our own namespace.
- Nothing here knows the machine; it shows what it is given and calls what it was given.
"""

from collections.abc import Awaitable, Callable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from asyncua import Node, Server, ua
from asyncua.common.structures104 import new_struct, new_struct_field

from simulators.servers import wire
from simulators.servers.panel import Type

URI = "http://opcfoundation.org/UA/MachineVision"
STATES = {
    "Preoperational": 5028,
    "Halted": 5029,
    "Error": 5030,
    "Operational": 5031,
    "Initialized": 5056,
    "Ready": 5057,
    "SingleExecution": 5058,
}
Method = Callable[..., Awaitable[tuple[Any, ...]]]

_BUILT_IN = {
    "Boolean": Type.Boolean,
    "Int32": Type.Int32,
    "UInt32": Type.UInt32,
    "String": Type.String,
    "DateTime": Type.DateTime,
    "ByteString": Type.ByteString,
    "LocalizedText": Type.LocalizedText,
    "Double": Type.Double,
    "Variant": Type.Variant,
}
_DESCRIBED = (("Id", "String", "M"), ("Description", "LocalizedText", "O"))
_BINARY = (
    ("Id", "String", "M"),
    ("Version", "String", "O"),
    ("Hash", "ByteString", "O"),
    ("HashAlgorithm", "String", "O"),
    ("Description", "LocalizedText", "O"),
)
_STRUCTURES = {
    "JobIdDataType": (("Id", "String", "M"),),
    "ResultIdDataType": (("Id", "String", "M"),),
    "MeasIdDataType": _DESCRIBED,
    "PartIdDataType": _DESCRIBED,
    "ProductIdDataType": _DESCRIBED,
    "RecipeIdExternalDataType": _BINARY,
    "RecipeIdInternalDataType": _BINARY,
    "ConfigurationIdDataType": _BINARY,
    "ProcessingTimesDataType": (
        ("StartTime", "DateTime", "M"),
        ("EndTime", "DateTime", "M"),
        ("AcquisitionDuration", "Double", "O"),
        ("ProcessingDuration", "Double", "O"),
    ),
    "ResultDataType": (
        ("ResultId", "ResultIdDataType", "M"),
        ("HasTransferableDataOnFile", "Boolean", "O"),
        ("IsPartial", "Boolean", "M"),
        ("IsSimulated", "Boolean", "O"),
        ("ResultState", "Int32", "M"),
        ("MeasId", "MeasIdDataType", "O"),
        ("PartId", "PartIdDataType", "O"),
        ("ExternalRecipeId", "RecipeIdExternalDataType", "O"),
        ("InternalRecipeId", "RecipeIdInternalDataType", "M"),
        ("ProductId", "ProductIdDataType", "O"),
        ("ExternalConfigurationId", "ConfigurationIdDataType", "O"),
        ("InternalConfigurationId", "ConfigurationIdDataType", "M"),
        ("JobId", "JobIdDataType", "M"),
        ("CreationTime", "DateTime", "M"),
        ("ProcessingTimes", "ProcessingTimesDataType", "O"),
        ("ResultContent", "Variant[]", "O"),
    ),
}
_VALUE = (
    ("Number", "String", "M"),
    ("Value", "Double", "M"),
    ("Unit", "String", "M"),
    ("Quality", "Int32", "M"),
)
_CAUSE = (("Cause", "Int32"), ("CauseDescription", "String"))
_ERROR = (("Error", "Int32"),)
_MACHINE, _MODE = "VisionStateMachine", "VisionStateMachine/AutomaticModeStateMachine"
_METHODS = {
    f"{_MACHINE}/Reset": (_CAUSE, _ERROR),
    f"{_MACHINE}/SelectModeAutomatic": ((), _ERROR),
    f"{_MODE}/StartSingleJob": (
        (
            ("MeasId", "MeasIdDataType"),
            ("PartId", "PartIdDataType"),
            ("RecipeId", "RecipeIdExternalDataType"),
            ("ProductId", "ProductIdDataType"),
            ("Parameters", "Variant[]"),
        ),
        (("JobId", "JobIdDataType"), *_ERROR),
    ),
    f"{_MODE}/Abort": (_CAUSE, _ERROR),
    "RecipeManagement/PrepareRecipe": (
        (("ExternalId", "RecipeIdExternalDataType"), ("InternalIdIn", "RecipeIdInternalDataType")),
        (("InternalIdOut", "RecipeIdInternalDataType"), ("IsCompleted", "Boolean"), *_ERROR),
    ),
    "ResultManagement/GetResultById": (
        (("ResultId", "ResultIdDataType"), ("Timeout", "Int32")),
        (("ResultHandle", "UInt32"), ("Result", "ResultDataType"), *_ERROR),
    ),
    "ResultManagement/GetResultListFiltered": (
        (
            ("ResultState", "Int32"),
            ("MeasId", "MeasIdDataType"),
            ("PartId", "PartIdDataType"),
            ("ExternalRecipeId", "RecipeIdExternalDataType"),
            ("InternalRecipeId", "RecipeIdInternalDataType"),
            ("ExternalConfigurationId", "ConfigurationIdDataType"),
            ("InternalConfigurationId", "ConfigurationIdDataType"),
            ("ProductId", "ProductIdDataType"),
            ("JobId", "JobIdDataType"),
            ("MaxResults", "UInt32"),
            ("StartIndex", "UInt32"),
            ("Timeout", "Int32"),
        ),
        (
            ("IsComplete", "Boolean"),
            ("ResultCount", "UInt32"),
            ("ResultHandle", "UInt32"),
            ("ResultList", "ResultDataType[]"),
            *_ERROR,
        ),
    ),
}
_RESULT_FIELDS = tuple(
    (name, kind) for name, kind, _ in _STRUCTURES["ResultDataType"] if name != "HasTransferableDataOnFile"
)  # fmt: skip
_EVENTS = {
    "JobStartedEventType": (("JobId", "JobIdDataType"),),
    "AcquisitionDoneEventType": (("JobId", "JobIdDataType"),),
    "RecipePreparedEventType": (
        ("InternalId", "RecipeIdInternalDataType"),
        ("ExternalId", "RecipeIdExternalDataType"),
    ),
    "ResultReadyEventType": _RESULT_FIELDS,
}


class VisionSpace:
    """The nodes of machine vision below one root object. ``make`` makes a structure by its name."""

    def __init__(self, server: Server, root: Node, own: int) -> None:
        self._server = server
        self._root = root
        self._own = own
        self._index = 0
        self._types: dict[str, ua.NodeId] = {}
        self._objects: dict[str, Node] = {"": root}
        self._states: dict[str, tuple[Node, Node]] = {}
        self._shown: dict[str, str | None] = {}
        self._generators: dict[str, Any] = {}

    def make(self, name: str, **fields: object) -> Any:
        """A structure of machine vision, or ``MeasuredValueDataType``."""
        known: Any = ua
        return getattr(known, name)(**fields)

    def variant(self, structure: object) -> ua.Variant:
        """A structure inside a variant, as the content of a result holds it."""
        return ua.Variant(structure, Type.ExtensionObject)

    async def build(self, methods: Mapping[str, Method]) -> None:
        """Add everything; ``methods`` are by their names."""
        self._index = await self._server.register_namespace(URI)
        for name, fields in _STRUCTURES.items():
            await self._structure(self._index, name, fields)
        await self._structure(self._own, "MeasuredValueDataType", _VALUE)
        await self._server.load_data_type_definitions()
        await self._state_machine(_MACHINE)
        await self._state_machine(_MODE)
        for path, (takes, gives) in _METHODS.items():
            await self._method(path, methods[path.rpartition("/")[2]], takes, gives)
        for name, fields in _EVENTS.items():
            await self._event(name, fields)

    async def _structure(
        self, index: int, name: str, fields: Sequence[tuple[str, str, str]]
    ) -> None:
        made, _ = await new_struct(
            self._server,
            index,
            name,
            [
                new_struct_field(
                    field,
                    self._type_id(kind),
                    array=kind.endswith("[]"),
                    optional=rule == "O",
                )
                for field, kind, rule in fields
            ],
        )
        self._types[name] = made.nodeid

    def _type_id(self, kind: str) -> ua.NodeId:
        scalar = kind.removesuffix("[]")
        return wire.type_id(_BUILT_IN[scalar]) if scalar in _BUILT_IN else self._types[scalar]

    async def _object(self, path: str) -> Node:
        if path not in self._objects:
            above, _, name = path.rpartition("/")
            parent = await self._object(above)
            self._objects[path] = await parent.add_object(
                wire.node_id(f"Vision.{path}", self._index), ua.QualifiedName(name, self._index)
            )
        return self._objects[path]

    async def _state_machine(self, path: str) -> None:
        machine = await self._object(path)
        current = await machine.add_variable(
            wire.node_id(f"Vision.{path}.CurrentState", self._index),
            ua.QualifiedName("CurrentState", 0),
            ua.Variant(ua.LocalizedText(""), Type.LocalizedText),
        )
        there = await current.add_property(
            wire.node_id(f"Vision.{path}.CurrentState.Id", self._index),
            ua.QualifiedName("Id", 0),
            ua.Variant(ua.NodeId(), Type.NodeId),
        )
        self._states[path] = (current, there)

    async def _method(
        self,
        path: str,
        function: Method,
        takes: Sequence[tuple[str, str]],
        gives: Sequence[tuple[str, str]],
    ) -> None:
        async def call(_parent: ua.NodeId, *sent: ua.Variant) -> Any:
            if len(sent) != len(takes):
                return ua.CallMethodResult(
                    StatusCode=wire.status(ua.StatusCodes.BadInvalidArgument)
                )
            answers = await function(*(one.Value for one in sent))
            return [
                _variant(answer, kind) for answer, (_, kind) in zip(answers, gives, strict=True)
            ]

        above, _, name = path.rpartition("/")
        parent = await self._object(above)
        await parent.add_method(
            wire.node_id(f"Vision.{path}", self._index),
            ua.QualifiedName(name, self._index),
            call,
            [self._argument(*one) for one in takes],
            [self._argument(*one) for one in gives],
        )

    def _argument(self, name: str, kind: str) -> ua.Argument:
        text: Any = name
        rank: Any = 1 if kind.endswith("[]") else -1
        return ua.Argument(Name=text, DataType=self._type_id(kind), ValueRank=rank)

    async def _event(self, name: str, fields: Sequence[tuple[str, str]]) -> None:
        base = self._server.get_node(wire.node_id(ua.ObjectIds.BaseEventType, 0))
        kind = await base.add_object_type(self._index, name)
        for field, of in fields:
            made = await kind.add_property(
                self._index, field, ua.Variant(None), datatype=self._type_id(of)
            )
            if of.endswith("[]"):
                rank = ua.DataValue(ua.Variant(1, Type.Int32))
                await made.write_attribute(ua.AttributeIds.ValueRank, rank)
        self._generators[name] = await self._server.get_event_generator(
            kind, self._server.nodes.server.nodeid
        )

    # --- what is shown and told -------------------------------------------------------------------------------------------

    async def show(self, state: str, mode: str | None) -> None:
        """The state of the machine and of its automatic mode; None while that is not active."""
        await self._show(_MACHINE, state)
        await self._show(_MODE, mode)

    async def _show(self, path: str, state: str | None) -> None:
        if self._shown.get(path, "") == state:
            return
        self._shown[path] = state
        current, there = self._states[path]
        code = ua.StatusCodes.Good if state else ua.StatusCodes.BadStateNotActive
        text = ua.Variant(ua.LocalizedText(state), Type.LocalizedText) if state else ua.Variant()
        now = datetime.now(UTC)
        await current.write_value(wire.data_value(text, code, now))
        number = wire.node_id(STATES[state], self._index) if state else None
        content = ua.Variant(number, Type.NodeId) if state else ua.Variant()
        await there.write_value(wire.data_value(content, code, now))

    async def tell(self, name: str, **fields: object) -> None:
        """Send an event of the server object; a field that is not given stays null."""
        generator = self._generators[name]
        kinds = dict(_EVENTS[name])
        for field, content in fields.items():
            variant = _variant(content, kinds[field])
            generator.event.add_property(field, variant.Value, variant.VariantType)
        await generator.trigger(message=name)


def _variant(content: Any, kind: str) -> ua.Variant:
    variant_type = _BUILT_IN.get(kind.removesuffix("[]"), Type.ExtensionObject)
    return ua.Variant(content, variant_type, is_array=isinstance(content, list))

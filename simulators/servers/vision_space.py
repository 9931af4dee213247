"""The part of machine vision (OPC 40100-1) that the simulated optical station shows: types, state machines, methods, events.

Rules of this file:
- Names, fields, arguments and the numbers of the state objects are those of the standard's nodeset, version 1.0.0. Event types get
  other numbers here, as data types do: a client has to find them by name.
- What a measured value looks like the standard leaves open: the structure for it stands in our own namespace.
- Nothing here knows the machine; it shows what it is given and calls what it was given.
"""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from asyncua import Node, Server, ua

from simulators.servers import wire
from simulators.servers.data_types import DataTypes
from simulators.servers.panel import Method, Panel, Type

URI, PREFIX = "http://opcfoundation.org/UA/MachineVision", "v"
STATES = {
    "Preoperational": 5028,
    "Halted": 5029,
    "Error": 5030,
    "Operational": 5031,
    "Initialized": 5056,
    "Ready": 5057,
    "SingleExecution": 5058,
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
    """The nodes of machine vision below the root of a panel. ``types`` makes its structures."""

    def __init__(self, server: Server, panel: Panel) -> None:
        self.types = DataTypes(server)
        self._server = server
        self._panel = panel
        self._index = panel.prefixes[PREFIX]
        self._states: dict[str, tuple[Node, Node]] = {}
        self._shown: dict[str, str | None] = {}
        self._generators: dict[str, Any] = {}

    def variant(self, structure: object) -> ua.Variant:
        """A structure inside a variant, as the content of a result holds it."""
        return ua.Variant(structure, Type.ExtensionObject)

    async def build(self, methods: Mapping[str, Method]) -> None:
        """Add everything; ``methods`` are by their names."""
        await self.types.add_structures(self._index, _STRUCTURES)
        await self.types.add_structures(self._panel.index, {"MeasuredValueDataType": _VALUE})
        await self.types.load()
        await self._state_machine(_MACHINE)
        await self._state_machine(_MODE)
        for path, (takes, gives) in _METHODS.items():
            await self._panel.offer(
                _here(path),
                methods[path.rpartition("/")[2]],
                takes=self.types.arguments(takes),
                gives=self.types.arguments(gives),
            )
        for name, fields in _EVENTS.items():
            await self._event(name, fields)

    async def _state_machine(self, path: str) -> None:
        machine = await self._panel.object(_here(path))
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

    async def _event(self, name: str, fields: Sequence[tuple[str, str]]) -> None:
        base = self._server.get_node(wire.node_id(ua.ObjectIds.BaseEventType, 0))
        kind = await base.add_object_type(self._index, name)
        for field, of in fields:
            made = await kind.add_property(
                self._index, field, ua.Variant(None), datatype=self.types.type_id(of)
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
            variant = self.types.variant(content, kinds[field])
            generator.event.add_property(field, variant.Value, variant.VariantType)
        await generator.trigger(message=name)


def _here(path: str) -> str:
    """A path with every name in the namespace of machine vision."""
    return "/".join(f"{PREFIX}:{name}" for name in path.split("/"))

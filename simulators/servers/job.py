"""The tactile station as a geometric measuring system (OPC 40210) with job control and result transfer. See docs/reference/simulators.md.

Rules of this file:
- The model is the same as behind the data block; only what is shown and called differs. Its area is granted as a door is opened.
- OPC 40210 only monitors: that it is calibrated, that its sensor is qualified, that it stands so that it can be loaded. None of these
  keeps this machine from measuring; whoever orders has to look at them.
- Jobs are of OPC 10031-4, results of OPC 40001-101; names and numbers of words are those of the published models.
"""

from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

from asyncua import Server, ua

from simulators.models.station import StationImage
from simulators.servers import job_orders, kept_results
from simulators.servers.data_types import DataTypes
from simulators.servers.job_orders import JobOrders
from simulators.servers.kept_results import Kept, KeptResults
from simulators.servers.machine import Switch, World
from simulators.servers.measuring import MeasuringMachine
from simulators.servers.panel import Panel, Type, Variable
from simulators.servers.site_door import SiteDoor

# OPC 40001-1: states of a machinery item, and its modes of operation.
ITEM_STATES = ("NotAvailable", "OutOfService", "NotExecuting", "Executing")
ITEM_MODES = ("None", "Maintenance", "Setup", "Processing")
EMPTY, FILLED = 1, 2  # LoadStatus, OPC 40210 8.4
MANUAL, AUTOMATIC = 0, 1
OPERATION_MODES = ("Manual", "Automatic", "Setup", "AutoWithManualIntervention", "Service", "Other")
QUALIFIED = ("Qualified", "Imprecise", "NotQualified")  # OPC 40210 11.7
_BLOCKS = "m:MachineryBuildingBlocks"
_ITEM_STATE = f"{_BLOCKS}/m:MachineryItemState/ua:CurrentState"
_ITEM_MODE = f"{_BLOCKS}/m:MachineryOperationMode/ua:CurrentState"
_MACHINE_MODE = "mt:Monitoring/mt:MachineTool/mt:OperationMode"
_LOADING = "mt:Monitoring/g:LoadingMonitoring"
_CALIBRATED = "mt:Notification/mt:Prognoses/g:Calibration/g:Calibrated"
_SENSOR = "mt:Equipment/mt:Tools/Probe/g:IsQualifiedStatus"


class JobMachine(MeasuringMachine):
    """Jobs order, lists and states show, results are asked for."""

    uri = "urn:pointsman:sim:gms-station"
    root = ("m:Machines", "Station")
    ids = "names"
    namespaces: ClassVar = {
        "ua": "http://opcfoundation.org/UA/",
        "m": "http://opcfoundation.org/UA/Machinery/",
        "r": "http://opcfoundation.org/UA/Machinery/Result/",
        "jc": "http://opcfoundation.org/UA/ISA95-JOBCONTROL_V2/",
        "mj": "http://opcfoundation.org/UA/Machinery/Jobs/",
        "mt": "http://opcfoundation.org/UA/MachineTool/",
        "g": "http://opcfoundation.org/UA/GMS/",
    }

    def __init__(self, world: World, station: str) -> None:
        super().__init__(world, station)
        self._programs = [one.name for one in world.physics.programs if one.station == station]
        self._door = SiteDoor(self)
        self._calibrated = True
        self._sensor = 0

    async def build(self, server: Server, panel: Panel) -> None:
        """See ``Machine``."""
        types = DataTypes(server)
        await types.add_structures(panel.prefixes["jc"], job_orders.STRUCTURES)
        await kept_results.add_types(types, panel.prefixes["r"])
        await types.add_enumeration(panel.prefixes["mt"], "MachineOperationMode", OPERATION_MODES)
        await types.add_enumeration(panel.prefixes["g"], "ToolIsQualifiedStatus", QUALIFIED)
        await types.load()
        await self._show(panel, types)
        await self._door.build(panel)
        self._jobs = JobOrders(self, types, self._programs)
        await self._jobs.build(panel)
        self._results = KeptResults(types)
        await self._results.build(panel, "g:ResultManagement")

    async def _show(self, panel: Panel, types: DataTypes) -> None:
        for path, kind, start in (
            (_ITEM_STATE, "LocalizedText", ua.LocalizedText("")),
            (f"{_ITEM_STATE}/ua:Number", "UInt32", 0),
            (_ITEM_MODE, "LocalizedText", ua.LocalizedText("")),
            (f"{_ITEM_MODE}/ua:Number", "UInt32", 0),
            (_MACHINE_MODE, "MachineOperationMode", 0),
            (f"{_LOADING}/g:LoadStatus", "UInt32", 0),
            (f"{_LOADING}/g:IsInLoadingPosition", "Boolean", False),
            (_CALIBRATED, "Boolean", False),
            (_SENSOR, "ToolIsQualifiedStatus", 0),
        ):
            data_type, variant_type = types.type_id(kind), types.variant_type(kind)
            variable = Variable(path=path, type=variant_type, start=start, data_type=data_type)
            await panel.show([variable])

    def advance(self, now_ms: int) -> None:
        """See ``Machine``."""
        super().advance(now_ms)
        ended = self._jobs.follow(self.model.image())
        if ended is not None and ended.state == job_orders.ENDED:
            assert ended.began is not None
            assert ended.ended is not None
            self._results.keep(
                Kept(
                    job=ended.job_id,
                    part=ended.serial,
                    began=ended.began,
                    made=ended.ended,
                    content=ended.values,
                )
            )

    def values(self) -> Mapping[str, Any]:
        """See ``Machine``."""
        image = self.model.image()
        return {
            **self._door.values(image),
            **_state(_ITEM_STATE, ITEM_STATES, _item_state(image)),
            **_state(_ITEM_MODE, ITEM_MODES, "Setup" if image.mode == "manual" else "Processing"),
            _MACHINE_MODE: MANUAL if image.mode == "manual" else AUTOMATIC,
            f"{_LOADING}/g:LoadStatus": FILLED if image.nest == "occupied" else EMPTY,
            f"{_LOADING}/g:IsInLoadingPosition": image.door == "open",
            _CALIBRATED: self._calibrated,
            _SENSOR: self._sensor,
            **self._jobs.values(),
        }

    def switches(self) -> Mapping[str, Switch]:
        """See ``Machine``."""
        return {
            **super().switches(),
            "Calibrated": Switch(
                type=Type.Boolean, throw=self._calibrate, show=lambda: self._calibrated
            ),
            "Sensor": Switch(
                type=Type.String, throw=self._qualify, show=lambda: QUALIFIED[self._sensor]
            ),
        }

    def _calibrate(self, value: object) -> None:
        self._calibrated = bool(value)

    def _qualify(self, word: str) -> None:
        if word in QUALIFIED:
            self._sensor = QUALIFIED.index(word)


def _state(path: str, words: Sequence[str], word: str) -> Mapping[str, Any]:
    return {path: ua.LocalizedText(word), f"{path}/ua:Number": words.index(word)}


def _item_state(image: StationImage) -> str:
    if image.mode == "fault":
        return "OutOfService"
    return "Executing" if image.work in {"acquiring", "evaluating"} else "NotExecuting"

"""Job orders and their responses as ISA-95 job control has them (OPC 10031-4 v2), inside machinery job management (OPC 40001-3).

Rules of this file:
- Names, fields, arguments and numbers of states are those of the nodeset, version 2.0.0.
- An order is a value, not an object: what became of it stands beside it in the list. It stays there until it is cleared or cancelled.
- The station has one place for parts, so one order runs at a time; what the model refuses it is unable to accept.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from asyncua import ua

from simulators.models.station import Answer, Reading, StationImage
from simulators.servers.data_types import DataTypes
from simulators.servers.measuring import MeasuringMachine
from simulators.servers.panel import Panel, Variable

# ReturnStatus is a bit map (OPC 10031-4, B.2): no error, unknown job order id, invalid job order status, unable to accept.
OK, UNKNOWN, BAD_STATUS, UNABLE = 1 << 0, 1 << 1, 1 << 3, 1 << 4
NOT_ALLOWED, ALLOWED, RUNNING, INTERRUPTED, ENDED, ABORTED = range(1, 7)
STATES = ("NotAllowedToStart", "AllowedToStart", "Running", "Interrupted", "Ended", "Aborted")
DOWNLOADABLE_MAX = 20
MILLIMETRE = ("http://www.opcfoundation.org/UA/units/un/cefact", 5066068)  # MMT of UNECE rec. 20

_UNIT = ("EngineeringUnits", "EUInformation", "O")
_TEXTS = ("Description", "LocalizedText[]", "O")
_PROPERTIES = ("Properties", "ISA95PropertyDataType[]", "O")


def _resource(use: str) -> Sequence[tuple[str, str, str]]:
    return (("ID", "String", "M"), _TEXTS, (use, "String", "O"), ("Quantity", "DecimalString", "O"), _UNIT, _PROPERTIES)  # fmt: skip


STRUCTURES = {
    "ISA95PropertyDataType": (
        ("ID", "String", "M"),
        ("Value", "Variant", "M"),
        _TEXTS,
        _UNIT,
        ("Subproperties", "ISA95PropertyDataType[]", "O"),
    ),
    "ISA95ParameterDataType": (
        ("ID", "String", "M"),
        ("Value", "Variant", "M"),
        _TEXTS,
        _UNIT,
        ("Subparameters", "ISA95ParameterDataType[]", "O"),
    ),
    "ISA95StateDataType": (
        ("BrowsePath", "RelativePath", "M"),
        ("StateText", "LocalizedText", "M"),
        ("StateNumber", "UInt32", "M"),
    ),
    "ISA95WorkMasterDataType": (
        ("ID", "String", "M"),
        ("Description", "LocalizedText", "O"),
        ("Parameters", "ISA95ParameterDataType[]", "O"),
    ),
    "ISA95PersonnelDataType": _resource("PersonnelUse"),
    "ISA95EquipmentDataType": _resource("EquipmentUse"),
    "ISA95PhysicalAssetDataType": _resource("PhysicalAssetUse"),
    "ISA95MaterialDataType": (
        *((f"Material{name}ID", "String", "O") for name in ("Class", "Definition", "Lot", "Sublot")),
        _TEXTS,
        ("MaterialUse", "String", "O"),
        ("Quantity", "DecimalString", "O"),
        _UNIT,
        _PROPERTIES,
    ),
    "ISA95JobOrderDataType": (
        ("JobOrderID", "String", "M"),
        _TEXTS,
        ("WorkMasterID", "ISA95WorkMasterDataType[]", "O"),
        ("StartTime", "DateTime", "O"),
        ("EndTime", "DateTime", "O"),
        ("Priority", "Int16", "O"),
        ("JobOrderParameters", "ISA95ParameterDataType[]", "O"),
        ("PersonnelRequirements", "ISA95PersonnelDataType[]", "O"),
        ("EquipmentRequirements", "ISA95EquipmentDataType[]", "O"),
        ("PhysicalAssetRequirements", "ISA95PhysicalAssetDataType[]", "O"),
        ("MaterialRequirements", "ISA95MaterialDataType[]", "O"),
    ),
    "ISA95JobResponseDataType": (
        ("JobResponseID", "String", "M"),
        ("Description", "LocalizedText", "O"),
        ("JobOrderID", "String", "M"),
        ("StartTime", "DateTime", "O"),
        ("EndTime", "DateTime", "O"),
        ("JobState", "ISA95StateDataType[]", "M"),
        ("JobResponseData", "ISA95ParameterDataType[]", "O"),
        ("PersonnelActuals", "ISA95PersonnelDataType[]", "O"),
        ("EquipmentActuals", "ISA95EquipmentDataType[]", "O"),
        ("PhysicalAssetActuals", "ISA95PhysicalAssetDataType[]", "O"),
        ("MaterialActuals", "ISA95MaterialDataType[]", "O"),
    ),
    "ISA95JobOrderAndStateDataType": (
        ("JobOrder", "ISA95JobOrderDataType", "M"),
        ("State", "ISA95StateDataType[]", "M"),
    ),
}  # fmt: skip
_ORDER = (("JobOrder", "ISA95JobOrderDataType"), ("Comment", "LocalizedText[]"))
_BY_ID = (("JobOrderID", "String"), ("Comment", "LocalizedText[]"))
_RETURN = (("ReturnStatus", "UInt64"),)
_RESPONSE = (("JobResponse", "ISA95JobResponseDataType"), *_RETURN)
_MANAGEMENT = "m:MachineryBuildingBlocks/mj:JobManagement"
_CONTROL, _RESULTS = f"{_MANAGEMENT}/mj:JobOrderControl", f"{_MANAGEMENT}/mj:JobOrderResults"
_LIST, _RESPONSES = f"{_CONTROL}/jc:JobOrderList", f"{_RESULTS}/jc:JobOrderResponseList"


@dataclass(slots=True, kw_only=True)
class Job:
    """One order and what became of it. ``values`` are what it measured, as ISA-95 parameters."""

    order: Any
    state: int
    began: datetime | None = None
    ended: datetime | None = None
    values: tuple[Any, ...] = ()

    @property
    def job_id(self) -> str:
        """What the order calls itself; it is the run."""
        return str(self.order.JobOrderID or "")

    @property
    def program(self) -> str:
        """The work master that it names first."""
        masters: list[Any] = self.order.WorkMasterID or []
        return str(masters[0].ID or "") if masters else ""

    @property
    def serial(self) -> str:
        """The part that it names first, by its sublot."""
        parts: list[Any] = self.order.MaterialRequirements or []
        return str(parts[0].MaterialSublotID or "") if parts else ""


class JobOrders:
    """The receiver of orders and the provider of responses of one machine."""

    def __init__(
        self, machine: MeasuringMachine, types: DataTypes, programs: Sequence[str]
    ) -> None:
        self._machine = machine
        self._types = types
        self._programs = programs
        self._jobs: list[Job] = []

    async def build(self, panel: Panel) -> None:
        """Add variables and methods; the data types are there and loaded."""
        masters = [self._types.make("ISA95WorkMasterDataType", ID=name) for name in self._programs]
        for path, kind, start in (
            (_LIST, "ISA95JobOrderAndStateDataType[]", []),
            (_RESPONSES, "ISA95JobResponseDataType[]", []),
            (f"{_CONTROL}/jc:WorkMaster", "ISA95WorkMasterDataType[]", masters),
            (f"{_CONTROL}/jc:MaxDownloadableJobOrders", "UInt16", DOWNLOADABLE_MAX),
        ):
            variable = Variable(
                path=path,
                type=self._types.variant_type(kind),
                start=start,
                data_type=self._types.type_id(kind),
            )
            await panel.show([variable])
        for path, method, takes, gives in (
            (f"{_CONTROL}/jc:Store", self._on_store, _ORDER, _RETURN),
            (f"{_CONTROL}/jc:StoreAndStart", self._on_store_and_start, _ORDER, _RETURN),
            (f"{_CONTROL}/jc:Start", self._on_start, _BY_ID, _RETURN),
            (f"{_CONTROL}/jc:Cancel", self._on_cancel, _BY_ID, _RETURN),
            (f"{_CONTROL}/jc:Abort", self._on_abort, _BY_ID, _RETURN),
            (f"{_CONTROL}/jc:Clear", self._on_clear, _BY_ID, _RETURN),
            (f"{_RESULTS}/jc:RequestJobResponseByJobOrderID", self._on_request, _BY_ID[:1], _RESPONSE),
        ):  # fmt: skip
            arguments, outputs = self._types.arguments(takes), self._types.arguments(gives)
            await panel.offer(path, method, takes=arguments, gives=outputs)

    def values(self) -> Mapping[str, Any]:
        """What the two lists show, responses before the states that announce them."""
        pair = "ISA95JobOrderAndStateDataType"
        return {
            _RESPONSES: [self._response(job) for job in self._jobs if job.state >= RUNNING],
            _LIST: [
                self._types.make(pair, JobOrder=job.order, State=[self._state(job.state)])
                for job in self._jobs
            ],
        }

    def follow(self, image: StationImage) -> Job | None:
        """Bring the present job to where the machine stands; the job, if it has ended just now."""
        job = self._find(image.run_id)
        if job is None or job.state != RUNNING or image.work not in {"finished", "aborted"}:
            return None
        job.ended = datetime.now(UTC)
        job.state = ENDED if image.work == "finished" else ABORTED
        if job.state == ENDED and image.result is not None:
            job.values = tuple(self._parameter(one) for one in image.result.values)
        return job

    # --- what it is asked -------------------------------------------------------------------------------------------------

    async def _on_store(self, order: Any, _comment: Any) -> tuple[int]:
        if not order.JobOrderID or self._find(order.JobOrderID):
            return (BAD_STATUS,)
        if len(self._jobs) >= DOWNLOADABLE_MAX:
            return (UNABLE,)
        self._machine.catch_up()
        self._jobs.append(Job(order=order, state=NOT_ALLOWED))
        return (OK,)

    async def _on_store_and_start(self, order: Any, comment: Any) -> tuple[int]:
        (stored,) = await self._on_store(order, comment)
        if stored != OK:
            return (stored,)
        (started,) = await self._on_start(order.JobOrderID, comment)
        if started != OK:
            self._jobs = [job for job in self._jobs if job.order is not order]
        return (started,)

    async def _on_start(self, job_id: str, _comment: Any) -> tuple[int]:
        """It may start, and there is nothing that it would wait for: so it runs, or is refused."""
        self._machine.catch_up()
        job = self._find(job_id)
        if job is None:
            return (UNKNOWN,)
        if job.state != NOT_ALLOWED:
            return (BAD_STATUS,)
        answer = self._machine.model.load_and_start(job.job_id, job.serial, job.program)
        if answer.status != "ok":
            return (UNABLE,)
        job.state, job.began = RUNNING, datetime.now(UTC)
        return (OK,)

    async def _on_cancel(self, job_id: str, _comment: Any) -> tuple[int]:
        self._machine.catch_up()
        return (self._forgotten(job_id, (NOT_ALLOWED, ALLOWED)),)

    async def _on_abort(self, job_id: str, _comment: Any) -> tuple[int]:
        self._machine.catch_up()
        job = self._find(job_id)
        if job is None:
            return (UNKNOWN,)
        if job.state != RUNNING:
            return (BAD_STATUS,)
        return (_status(self._machine.model.abort(job.job_id)),)

    async def _on_clear(self, job_id: str, _comment: Any) -> tuple[int]:
        self._machine.catch_up()
        done = self._forgotten(job_id, (ENDED, ABORTED))
        if done == OK and self._machine.model.image().run_id == job_id:
            self._machine.model.acknowledge(job_id)
        return (done,)

    async def _on_request(self, job_id: str) -> tuple[Any, int]:
        self._machine.catch_up()
        job = self._find(job_id)
        if job is None:
            nothing = self._types.make("ISA95JobResponseDataType", JobOrderID=job_id)
            return nothing, UNKNOWN
        return self._response(job), OK

    # --- inside -----------------------------------------------------------------------------------------------------------

    def _find(self, job_id: str) -> Job | None:
        return next((job for job in self._jobs if job.job_id == job_id), None)

    def _forgotten(self, job_id: str, states: tuple[int, ...]) -> int:
        job = self._find(job_id)
        if job is None:
            return UNKNOWN
        if job.state not in states:
            return BAD_STATUS
        self._jobs.remove(job)
        return OK

    def _state(self, number: int) -> Any:
        return self._types.make(
            "ISA95StateDataType",
            BrowsePath=ua.RelativePath(),
            StateText=ua.LocalizedText(STATES[number - 1]),
            StateNumber=number,
        )

    def _response(self, job: Job) -> Any:
        return self._types.make(
            "ISA95JobResponseDataType",
            JobResponseID=f"response to {job.job_id}",
            JobOrderID=job.job_id,
            StartTime=job.began,
            EndTime=job.ended,
            JobState=[self._state(job.state)],
            JobResponseData=list(job.values) or None,
        )

    def _parameter(self, one: Reading) -> Any:
        value = float("nan") if one.value is None else one.value
        uri, number = MILLIMETRE
        assert one.unit == "mm", "a tactile station gives lengths in mm"
        return self._types.make(
            "ISA95ParameterDataType",
            ID=one.number,
            Value=ua.Variant(value, ua.VariantType.Double),
            EngineeringUnits=ua.EUInformation(
                NamespaceUri=uri,
                UnitId=number,
                DisplayName=ua.LocalizedText(one.unit),
                Description=ua.LocalizedText("millimetre"),
            ),
        )


def _status(answer: Answer) -> int:
    return {"ok": OK, "refused": BAD_STATUS, "unknown run": UNKNOWN}[answer.status]

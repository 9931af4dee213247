"""The optical station in the dialect of machine vision (OPC 40100-1). See docs/reference/simulators.md.

Rules of this file:
- The model is the same as behind the other panel; only what is shown and told differs.
- A job is told of step by step in the order of the standard, also when several steps fell between two looks at the model.
- The standard knows no acknowledgement: the machine takes note of its own results as soon as it has told of them, and keeps them listed.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, ClassVar, Literal

from asyncua import Server

from simulators.models.station import Answer, StationImage
from simulators.servers.measuring import MeasuringMachine
from simulators.servers.panel import Panel
from simulators.servers.site_door import SiteDoor
from simulators.servers.vision_space import PREFIX, URI, VisionSpace

OK, REFUSED, UNKNOWN = 0, -1, -2
COMPLETED, PROCESSING, ABORTED = 1, 2, 3  # ResultStateDataType, 12.19
QUALITIES = {"good": 0, "uncertain": 1, "bad": 2}
MODES = {"automatic": "Operational", "manual": "Halted", "fault": "Error"}
RESULTS_MAX = 200
Told = Literal["nothing", "started", "acquired", "ended"]


@dataclass(slots=True, kw_only=True)
class Job:
    """One job of the machine and how far it was told of."""

    job: str
    meas: str
    part: str
    recipe: str
    created: datetime
    told: Told = "nothing"
    state: int = PROCESSING
    content: tuple[Any, ...] = ()


class VisionMachine(MeasuringMachine):
    """State machines, recipes, jobs and results of the standard; door and nest of our own namespace."""

    uri = "urn:pointsman:sim:vision-station"
    root = ("Camera",)
    ids = "names"
    namespaces: ClassVar = {PREFIX: URI}

    async def build(self, server: Server, panel: Panel) -> None:
        """See ``Machine``."""
        self._jobs: list[Job] = []
        self._number = 0
        self._recipe = ""
        self._reset = False
        self._door = SiteDoor(self)
        await self._door.build(panel)
        self._space = VisionSpace(server, panel)
        await self._space.build(
            {
                "Reset": self._on_reset,
                "SelectModeAutomatic": self._on_select_automatic,
                "StartSingleJob": self._on_start,
                "Abort": self._on_abort,
                "PrepareRecipe": self._on_prepare,
                "GetResultById": self._on_result,
                "GetResultListFiltered": self._on_results,
            }
        )
        self.tell = self._tell

    def values(self) -> Mapping[str, Any]:
        """See ``Machine``."""
        return self._door.values(self.model.image())

    # --- what it shows and tells ------------------------------------------------------------------------------------------

    async def _tell(self) -> None:
        image = self.model.image()
        self._reset = self._reset and image.mode == "fault"
        state = "Preoperational" if self._reset else MODES[image.mode]
        await self._space.show(state, _mode(image) if state == "Operational" else None)
        await self._tell_of_recipe(image)
        if self._jobs and self._jobs[-1].told != "ended":
            await self._tell_of_job(self._jobs[-1], image)

    async def _tell_of_recipe(self, image: StationImage) -> None:
        ready = image.program.name if image.program and image.work == "prepared" else ""
        if ready and ready != self._recipe:
            await self._space.tell(
                "RecipePreparedEventType",
                InternalId=self._space.types.make("RecipeIdInternalDataType", Id=ready),
                ExternalId=self._space.types.make("RecipeIdExternalDataType", Id=ready),
            )
        self._recipe = ready or ("" if image.program is None else self._recipe)

    async def _tell_of_job(self, job: Job, image: StationImage) -> None:
        about = {"JobId": self._space.types.make("JobIdDataType", Id=job.job)}
        if job.told == "nothing":
            job.told = "started"
            await self._space.tell("JobStartedEventType", **about)
        if job.told == "started" and image.work in {"evaluating", "finished"}:
            job.told = "acquired"
            await self._space.tell("AcquisitionDoneEventType", **about)
        if image.work in {"finished", "aborted"}:
            job.told = "ended"
            job.state = COMPLETED if image.work == "finished" else ABORTED
            if job.state == COMPLETED and image.result is not None:
                job.content = tuple(self._content(image))
            result = self._result(job)
            fields = {
                name: content
                for name in ("ResultId", "IsPartial", "IsSimulated", "ResultState", "MeasId", "PartId", "ExternalRecipeId",
                             "InternalRecipeId", "InternalConfigurationId", "JobId", "CreationTime", "ResultContent")
                if (content := getattr(result, name)) is not None
            }  # fmt: skip
            await self._space.tell("ResultReadyEventType", **fields)
            self.model.acknowledge(image.run_id)
            self._world.woken()

    def _content(self, image: StationImage) -> list[Any]:
        assert image.result is not None
        return [
            self._space.types.make(
                "MeasuredValueDataType",
                Number=one.number,
                Value=float("nan") if one.value is None else one.value,
                Unit=one.unit,
                Quality=QUALITIES[one.quality],
            )
            for one in image.result.values
        ]

    def _result(self, job: Job) -> Any:
        make = self._space.types.make
        return make(
            "ResultDataType",
            ResultId=make("ResultIdDataType", Id=f"result of {job.job}"),
            IsPartial=False,
            IsSimulated=False,
            ResultState=job.state,
            MeasId=make("MeasIdDataType", Id=job.meas),
            PartId=make("PartIdDataType", Id=job.part),
            ExternalRecipeId=make("RecipeIdExternalDataType", Id=job.recipe),
            InternalRecipeId=make("RecipeIdInternalDataType", Id=job.recipe),
            InternalConfigurationId=make("ConfigurationIdDataType", Id="as built"),
            JobId=make("JobIdDataType", Id=job.job),
            CreationTime=job.created,
            ResultContent=[self._space.variant(one) for one in job.content],
        )

    # --- what it is asked -------------------------------------------------------------------------------------------------

    async def _on_reset(self, _cause: int, _why: str) -> tuple[int]:
        self.catch_up()
        self._reset = self.model.image().mode == "fault"
        return (OK if self._reset else REFUSED,)

    async def _on_select_automatic(self) -> tuple[int]:
        self.catch_up()
        if not self._reset:
            return (REFUSED,)
        self._reset = False
        return (_error(self.model.clear_fault()),)

    async def _on_prepare(self, external: Any, _internal: Any) -> tuple[Any, bool, int]:
        self.catch_up()
        inside = self._space.types.make("RecipeIdInternalDataType", Id=external.Id)
        if self.model.image().mode != "automatic":
            return inside, False, REFUSED
        answer = self.model.prepare(external.Id or "", external.Version or "")
        image = self.model.image()
        done = image.work == "prepared" and image.program is not None
        return inside, done and answer.status == "ok", _error(answer)

    async def _on_start(
        self, meas: Any, part: Any, recipe: Any, _product: Any, _parameters: Any
    ) -> tuple[Any, int]:
        self.catch_up()
        program = self.model.image().program
        answer = self.model.start(meas.Id or "", part.Id or "", recipe.Id or "")
        if answer.status != "ok" or program is None:
            return self._space.types.make("JobIdDataType", Id=""), _error(answer)
        self._number += 1
        job = Job(
            job=f"J{self._number}",
            meas=meas.Id or "",
            part=part.Id or "",
            recipe=program.name,
            created=datetime.now(UTC),
        )
        self._jobs = [*self._jobs[-RESULTS_MAX + 1 :], job]
        return self._space.types.make("JobIdDataType", Id=job.job), OK

    async def _on_abort(self, _cause: int, _why: str) -> tuple[int]:
        self.catch_up()
        return (_error(self.model.abort(self.model.image().run_id)),)

    async def _on_result(self, result_id: Any, _timeout: int) -> tuple[int, Any, int]:
        for job in self._jobs:
            if f"result of {job.job}" == result_id.Id and job.told == "ended":
                return 0, self._result(job), OK
        nothing = Job(job="", meas="", part="", recipe="", created=datetime.now(UTC), state=0)
        return 0, self._result(nothing), UNKNOWN

    async def _on_results(
        self, state: int, meas: Any, *_more: Any
    ) -> tuple[bool, int, int, list[Any], int]:
        """The newest first; of the filters state and measurement are looked at, the others have to be empty."""
        wanted = [
            self._result(job)
            for job in reversed(self._jobs)
            if state in (0, job.state) and (not meas.Id or meas.Id == job.meas)
        ]
        return True, len(wanted), 0, wanted, OK


def _mode(image: StationImage) -> str:
    if image.work == "acquiring":
        return "SingleExecution"
    return "Initialized" if image.program is None else "Ready"


def _error(answer: Answer) -> int:
    return {"ok": OK, "refused": REFUSED, "unknown run": UNKNOWN}[answer.status]

"""Results as machinery result transfer has them (OPC 40001-101 v1.01): kept until they are acknowledged, found by their job.

Rules of this file:
- Names, fields and arguments are those of the nodeset, version 1.01. A timeout is a hint and none of our answers takes time.
- Handles are not given: 0 says that there is nothing to be released.
- Of the filters one element "a path from ResultType equals a literal" is understood, with the path to the job; others are refused, so
  that a wrong one shows.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from asyncua import ua

from simulators.servers import wire
from simulators.servers.data_types import DataTypes
from simulators.servers.panel import Panel, Type

OK, NO_SUCH_RESULT, NO_SUCH_FILTER = 0, -1, -2  # below 0: of the application (7.1.2)
NO_HANDLE = 0
COMPLETED = 1  # ResultState, 10.6
KEPT_MAX = 200
RESULT_TYPE = 2001  # the number of ResultType in the nodeset, where paths of a filter begin (7.1.3)
EVALUATIONS = ("Undefined", "OK", "NotOK", "NotDecidable")
STRUCTURES = {
    "ProcessingTimesDataType": (
        ("StartTime", "UtcTime", "M"),
        ("EndTime", "UtcTime", "M"),
        ("AcquisitionDuration", "Duration", "O"),
        ("ProcessingDuration", "Duration", "O"),
    ),
    "ResultMetaDataType": (
        ("ResultId", "TrimmedString", "M"),
        ("HasTransferableDataOnFile", "Boolean", "O"),
        ("IsPartial", "Boolean", "O"),
        ("IsSimulated", "Boolean", "O"),
        ("ResultState", "Int32", "O"),
        ("StepId", "TrimmedString", "O"),
        ("PartId", "TrimmedString", "O"),
        ("ExternalRecipeId", "TrimmedString", "O"),
        ("InternalRecipeId", "TrimmedString", "O"),
        ("ProductId", "TrimmedString", "O"),
        ("ExternalConfigurationId", "TrimmedString", "O"),
        ("InternalConfigurationId", "TrimmedString", "O"),
        ("JobId", "TrimmedString", "O"),
        ("CreationTime", "UtcTime", "O"),
        ("ProcessingTimes", "ProcessingTimesDataType", "O"),
        ("ResultUri", "UriString[]", "O"),
        ("ResultEvaluation", "ResultEvaluationEnum", "O"),
        ("ResultEvaluationCode", "Int64", "O"),
        ("ResultEvaluationDetails", "LocalizedText", "O"),
        ("FileFormat", "String[]", "O"),
    ),
    "ResultDataType": (
        ("ResultMetaData", "ResultMetaDataType", "M"),
        ("ResultContent", "Variant[]", "M"),
    ),
}
_TIMEOUT, _ERROR = ("Timeout", "Int32"), ("Error", "Int32")
_HANDLE = ("ResultHandle", "Handle")
_ONE = (_HANDLE, ("Result", "ResultDataType"), _ERROR)
_FILTERED = (
    ("Filter", "ContentFilter"),
    ("OrderedBy", "RelativePath[]"),
    ("MaxResults", "UInt32"),
    _TIMEOUT,
)
_LISTED = (_HANDLE, ("ResultIdList", "TrimmedString[]"), _ERROR)
_EACH = (("ErrorPerResultId", "Int32[]"), _ERROR)


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """One whole result: which job and part it is of, and what was measured, as structures."""

    job: str
    part: str
    began: datetime
    made: datetime
    content: tuple[Any, ...]

    @property
    def result_id(self) -> str:
        """A job has one result."""
        return f"result of {self.job}"


class KeptResults:
    """The result management of one machine."""

    def __init__(self, types: DataTypes) -> None:
        self._types = types
        self._kept: tuple[Kept, ...] = ()
        self._index = 0

    async def build(self, panel: Panel, path: str) -> None:
        """Add the methods below an object; the data types are there and loaded."""
        self._index = panel.prefixes["r"]
        for name, method, takes, gives in (
            ("GetLatestResult", self._on_latest, (_TIMEOUT,), _ONE),
            ("GetResultById", self._on_one, (("ResultId", "TrimmedString"), _TIMEOUT), _ONE),
            ("GetResultIdListFiltered", self._on_listed, _FILTERED, _LISTED),
            ("AcknowledgeResults", self._on_acknowledged, (("ResultIds", "TrimmedString[]"),), _EACH),
        ):  # fmt: skip
            arguments, outputs = self._types.arguments(takes), self._types.arguments(gives)
            await panel.offer(f"{path}/r:{name}", method, takes=arguments, gives=outputs)

    def keep(self, result: Kept) -> None:
        """Take a result that was just made; the oldest goes where there are too many."""
        self._kept = (*self._kept[-KEPT_MAX + 1 :], result)

    async def _on_latest(self, _timeout: int) -> tuple[int, Any, int]:
        return self._given(self._kept[-1:])

    async def _on_one(self, result_id: str, _timeout: int) -> tuple[int, Any, int]:
        return self._given([one for one in self._kept if one.result_id == result_id])

    async def _on_listed(
        self, asked: Any, _order: Any, most: int, _timeout: int
    ) -> tuple[int, list[str], int]:
        job = self._job_of(asked)
        if job is None:
            return NO_HANDLE, [], NO_SUCH_FILTER
        found = [one.result_id for one in self._kept if one.job == job]
        return NO_HANDLE, found[: most or None], OK

    async def _on_acknowledged(self, ids: Sequence[str] | None) -> tuple[list[int], int]:
        known = {one.result_id for one in self._kept}
        errors = [OK if one in known else NO_SUCH_RESULT for one in ids or ()]
        self._kept = tuple(one for one in self._kept if one.result_id not in set(ids or ()))
        return (errors, NO_SUCH_RESULT) if any(errors) else ([], OK)

    def _job_of(self, asked: Any) -> str | None:
        """The job that a filter asks for; None if it is another filter."""
        elements: list[Any] = asked.Elements or []
        if len(elements) != 1 or elements[0].FilterOperator != ua.FilterOperator.Equals:
            return None
        path, literal = _operands(elements[0])
        if path is None or literal is None:
            return None
        names = [(name.NamespaceIndex, name.Name) for name in path.BrowsePath]
        wanted = [(self._index, "ResultMetaData"), (self._index, "JobId")]
        of_results = path.TypeDefinitionId == wire.node_id(RESULT_TYPE, self._index)
        return str(literal.Value.Value) if of_results and names == wanted else None

    def _given(self, found: Sequence[Kept]) -> tuple[int, Any, int]:
        if not found:
            return NO_HANDLE, None, NO_SUCH_RESULT
        one, make = found[0], self._types.make
        meta = make(
            "ResultMetaDataType",
            ResultId=one.result_id,
            IsPartial=False,
            IsSimulated=False,
            ResultState=COMPLETED,
            PartId=one.part,
            JobId=one.job,
            CreationTime=one.made,
            ProcessingTimes=make("ProcessingTimesDataType", StartTime=one.began, EndTime=one.made),
        )
        content = [ua.Variant(value, Type.ExtensionObject) for value in one.content]
        return NO_HANDLE, make("ResultDataType", ResultMetaData=meta, ResultContent=content), OK


def _operands(element: Any) -> tuple[Any, Any]:
    """The path and the literal that an element compares; None for what is of another kind."""
    operands: list[Any] = list(element.FilterOperands or [])
    if [type(one) for one in operands] != [ua.SimpleAttributeOperand, ua.LiteralOperand]:
        return None, None
    return operands[0], operands[1]


async def add_types(types: DataTypes, index: int) -> None:
    """Add the data types of result transfer."""
    await types.add_enumeration(index, "ResultEvaluationEnum", EVALUATIONS)
    await types.add_structures(index, STRUCTURES)

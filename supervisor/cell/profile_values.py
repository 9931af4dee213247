"""The values of the profile language: our words, the types of nodes, the fields of goals, and how each is written.

Rules of this file:
- A refusal says what was expected and what to write instead.
- The words are those of ``supervisor.core.events``; a test holds the two together, because this room may not import the core.
"""

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict

from supervisor.cell.fields import Written
from supervisor.cell.refusal import refuse

ModeWord = Literal["automatic", "manual", "fault", "unknown"]
DoorWord = Literal["open", "moving", "closed", "none", "unknown"]
PresenceWord = Literal["empty", "occupied", "unknown"]
WorkWord = Literal["idle", "prepared", "running", "part free", "finished", "aborted", "unknown"]
PhaseWord = Literal["idle", "accepted", "busy", "done", "failed", "unknown"]
QualityWord = Literal["good", "uncertain", "bad"]
TagWord = Literal["read", "no tag", "several tags", "failed"]
FreeWord = str

WORD_BITS = {
    "SByte": 8,
    "Byte": 8,
    "Int16": 16,
    "UInt16": 16,
    "Int32": 32,
    "UInt32": 32,
    "Int64": 64,
    "UInt64": 64,
}
WHOLE_TYPES = (*WORD_BITS, "Enumeration")
TEXT_TYPES = ("String", "LocalizedText")
REAL_TYPES = ("Float", "Double")
NODE_TYPES = (
    "Boolean",
    *WHOLE_TYPES,
    *REAL_TYPES,
    *TEXT_TYPES,
    "DateTime",
    "ByteString",
    "NodeId",
    "Structure",
    "Variant",
    "Method",
    "File",
    "Object",
)
SINGLE_TYPES = ("Method", "File", "Object")

# What a goal can hand over, and as what. A text fits into text nodes only; a number fits into both.
FIELD_KINDS: Mapping[str, Literal["text", "number"]] = {
    "order": "number",
    "fence": "number",
    "beat": "number",
    "permit_ms": "number",
    "run_id": "text",
    "run_no": "number",
    "result_id": "text",
    "serial": "text",
    "pallet": "text",
    "part_type": "text",
    "program_name": "text",
    "program_number": "number",
    "revision": "text",
    "action": "text",
    "place": "text",
    "pick_jaw": "number",
    "put_jaw": "number",
}
ORDER_FIELDS: Mapping[str, tuple[str, ...]] = {
    "open_door": ("order", "fence"),
    "close_door": ("order", "fence"),
    "prepare": ("order", "fence", "program_name", "program_number", "revision", "part_type"),
    "start": (
        "order",
        "fence",
        "run_id",
        "run_no",
        "serial",
        "pallet",
        "part_type",
        "program_name",
        "program_number",
        "revision",
    ),
    "abort": ("order", "fence", "run_id", "run_no"),
    "acknowledge": ("order", "fence", "run_id", "run_no"),
    "clear_fault": ("order", "fence"),
    "move": ("order", "fence", "action", "place", "pick_jaw", "put_jaw"),
    "read_tag": ("order", "fence", "place"),
    "call": ("run_id", "run_no", "serial", "result_id"),
    "find": ("run_id", "run_no", "serial"),
    "stored": ("run_id", "run_no", "result_id"),
    "query": (),
    "renew": ("fence", "beat", "permit_ms"),
}

NOT_SUPPORTED = "not supported"
LIMIT_S_MAX = 600.0


def _whole_key(written: object) -> object:
    """A key is text in a YAML mapping of ours; a code is a whole number."""
    if isinstance(written, str):
        try:
            return int(written)
        except ValueError:
            raise refuse("a whole number as the code", "write digits only, such as 3") from None
    return written


def _truth_key(written: object) -> bool:
    if written in ("true", "false"):
        return written == "true"
    if isinstance(written, bool):
        return written
    raise refuse("true or false", "write `true:` and `false:`")


def _text_key(written: object) -> str:
    """Numbers and truths may stand as keys where a station sends them as text."""
    if isinstance(written, bool):
        return "true" if written else "false"
    return str(written)


def _node_type(written: str) -> str:
    scalar = written.removesuffix("[]")
    if scalar not in NODE_TYPES or (scalar != written and scalar in SINGLE_TYPES):
        known = ", ".join(NODE_TYPES)
        raise refuse(
            f"one of {known}, with [] for an array",
            "write the type that the station's manual gives",
        )
    return written


def _limit(seconds: float) -> float:
    if not 0 < seconds <= LIMIT_S_MAX:
        raise refuse(
            f"more than 0 and at most {LIMIT_S_MAX:g} seconds",
            "write how long the station may take",
        )
    return seconds


Code = Annotated[int, BeforeValidator(_whole_key)]
Truth = Annotated[bool, BeforeValidator(_truth_key)]
Key = Annotated[str, BeforeValidator(_text_key)]
NodeType = Annotated[str, AfterValidator(_node_type), Written(words="node type")]
Seconds = Annotated[float, AfterValidator(_limit), Written(words="seconds")]
NodeName = Annotated[str, Written(words="node")]
Text = Annotated[str, Written(words="text")]
GoalField = Annotated[str, Written(words="field of the goal")]
Position = Annotated[int, Written(words="whole number from 1")]
Content = Annotated[bool | int | float | str, Written(words="a literal")]


class Part(BaseModel):
    """A mapping in a profile: strict, closed, unchangeable."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)

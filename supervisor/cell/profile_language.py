"""The language of interface profiles: how the facets, echoes, orders and results of a make map to OPC UA nodes.

Rules of this file:
- A profile is data. It names what to read, write and call and what the codes mean; it computes nothing.
- The models refuse what is wrong by itself (a key, a word, a type); ``supervisor.cell.profile`` finds what does not fit together.
- A node is named by namespace URI, never by a namespace index. Every node states the type that it must have on the wire.
- Each section answers one question: ``nodes`` where, ``facets`` in which of our words, ``echoes`` what the work is about,
  ``orders`` how a goal is given, ``results`` what was measured.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Generic, Literal, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Discriminator,
    Field,
    Tag,
)

from supervisor.cell.refusal import refuse

# The words of supervisor.core.events; a test holds the two together, because this room may not import the core.
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
    "Structure",
    "Method",
)

# What a goal can hand over, and as what. A text fits into text nodes only; a number fits into both.
FIELD_KINDS: Mapping[str, Literal["text", "number"]] = {
    "order": "number",
    "run_id": "text",
    "run_no": "number",
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
    "open_door": ("order",),
    "close_door": ("order",),
    "prepare": ("order", "program_name", "program_number", "revision", "part_type"),
    "start": (
        "order",
        "run_id",
        "run_no",
        "serial",
        "pallet",
        "part_type",
        "program_name",
        "program_number",
        "revision",
    ),
    "abort": ("order", "run_id", "run_no"),
    "acknowledge": ("order", "run_id", "run_no"),
    "clear_fault": ("order",),
    "move": ("order", "action", "place", "pick_jaw", "put_jaw"),
    "read_tag": ("order", "place"),
}

NOT_SUPPORTED = "not supported"
LIMIT_S_MAX = 600.0

W = TypeVar("W")


def shipped_profiles() -> Path:
    """The folder of the profiles that come with Pointsman: one ``<profile>.yaml`` each."""
    return Path(__file__).parent.parent / "stations" / "profiles"


# --- values -------------------------------------------------------------------------------------------------------------


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
    if scalar not in NODE_TYPES or written == "Method[]":
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
NodeType = Annotated[str, AfterValidator(_node_type)]
Seconds = Annotated[float, AfterValidator(_limit)]
NodeName = str
Content = bool | int | float | str


class Part(BaseModel):
    """A mapping in a profile: strict, closed, unchangeable."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


# --- nodes --------------------------------------------------------------------------------------------------------------


class Node(Part):
    """Where one variable or method stands, by ``path`` below the root or by ``id``, and the type that it must have.

    A path is ``prefix:Name/prefix:Name``; a part without prefix stands in the namespace of OPC UA itself. An id is
    ``prefix;s=Text`` (or ``i=``, ``g=``, ``b=``), needs the browse ``name`` to be checked by, and for a method the id of the
    object that it is called ``on``. ``{place}`` in a path makes one node for each place (tag readers only).
    """

    type: NodeType
    path: str | None = None
    id: str | None = None
    name: str | None = None
    on: str | None = None


# --- facets -------------------------------------------------------------------------------------------------------------


class Bit(Part, Generic[W]):
    """A bit of a word, counted from 0, and what it means when it is set."""

    bit: int
    word: W


class Facet(Part, Generic[W]):
    """What a value means in our words: exactly one of the tables, or ``always``. What no table lists is ``otherwise``.

    In ``bits`` the first entry whose bit is set wins. ``names`` are the members of the station's own enumeration.
    """

    node: NodeName | None = None
    codes: dict[Code, W] | None = None
    texts: dict[Key, W] | None = None
    truth: dict[Truth, W] | None = None
    names: dict[Key, W] | None = None
    bits: list[Bit[W]] | None = None
    otherwise: W | None = None
    always: W | None = None


class StationFacets(Part):
    """The facets of a station. ``gate`` gives "" or why the station must not measure, in free words."""

    mode: Facet[ModeWord]
    door: Facet[DoorWord]
    nest: Facet[PresenceWord]
    work: Facet[WorkWord]
    gate: Facet[FreeWord] | None = None


class StationEchoes(Part):
    """What a station says that its work is about. A numeric run or program is compared as its decimal text."""

    run: NodeName | None = None
    serial: NodeName | None = None
    program: NodeName | None = None
    counter: NodeName | None = None


class HandlerFacets(Part):
    """The facets of a handler; ``jaws`` has one entry per jaw, in the order of their numbers."""

    mode: Facet[ModeWord]
    phase: Facet[PhaseWord]
    jaws: list[Facet[PresenceWord]]


class HandlerEchoes(Part):
    """What a handler says of its last order and its place. ``inside`` names the station that the arm is not clear of."""

    order: NodeName
    inside: NodeName
    at: NodeName | None = None
    why: NodeName | None = None


class ReaderFacets(Part):
    """The facet of a tag reader, for each of its places."""

    presence: Facet[PresenceWord]


# --- orders -------------------------------------------------------------------------------------------------------------


class Argument(Part):
    """One value to hand over: a ``field`` of the goal (through ``codes`` where the station has its own words) or a ``value``."""

    type: NodeType
    field: str | None = None
    value: Content | None = None
    codes: dict[Key, Content] | None = None


class Assignment(Part):
    """One value to write to a node, of that node's type."""

    node: NodeName
    field: str | None = None
    value: Content | None = None
    codes: dict[Key, Content] | None = None


class Outputs(Part):
    """Which output of a method (counted from 1) is its status, its text, its payload."""

    status: int | None = None
    text: int | None = None
    payload: int | None = None


Done = Literal["shown", "accepted"]


class WriteOrder(Part):
    """Write a value; ``echo`` repeats it once the station has taken it. ``before`` is written first."""

    by: Literal["write"]
    node: NodeName
    field: str | None = None
    value: Content | None = None
    codes: dict[Key, Content] | None = None
    before: list[Assignment] = Field(default_factory=list[Assignment])
    echo: NodeName | None = None
    done: Done = "shown"
    limit_s: Seconds


class PulseOrder(Part):
    """Set a Boolean until the station acknowledges or refuses, then reset it; without ``acknowledge``, for ``hold_ms``."""

    by: Literal["pulse"]
    node: NodeName
    before: list[Assignment] = Field(default_factory=list[Assignment])
    acknowledge: NodeName | None = None
    refusal: NodeName | None = None
    text: NodeName | None = None
    hold_ms: int = 300
    done: Done = "shown"
    limit_s: Seconds


class CallOrder(Part):
    """Call a method. A status that is neither ``accepted`` nor ``refused`` leaves the order in doubt."""

    by: Literal["call"]
    node: NodeName
    arguments: list[Argument] = Field(default_factory=list[Argument])
    outputs: Outputs = Outputs()
    accepted: list[int] = Field(default_factory=list[int])
    refused: list[int] = Field(default_factory=list[int])
    done: Done = "shown"
    limit_s: Seconds


class TagOrder(Part):
    """Call a method that reads a tag; ``statuses`` says what its status means."""

    by: Literal["call"]
    node: NodeName
    arguments: list[Argument] = Field(default_factory=list[Argument])
    outputs: Outputs
    statuses: dict[Code, TagWord]
    limit_s: Seconds


def _order_kind(written: object) -> str | None:
    if isinstance(written, str):
        return NOT_SUPPORTED if written == NOT_SUPPORTED else None
    if isinstance(written, Mapping):
        return str(written.get("by"))  # pyright: ignore[reportUnknownMemberType, reportUnknownArgumentType]
    return getattr(written, "by", None)


Supported = WriteOrder | PulseOrder | CallOrder
Order = Annotated[
    Annotated[Literal["not supported"], Tag(NOT_SUPPORTED)]
    | Annotated[WriteOrder, Tag("write")]
    | Annotated[PulseOrder, Tag("pulse")]
    | Annotated[CallOrder, Tag("call")],
    Discriminator(
        _order_kind,
        custom_error_type="declaration",
        custom_error_message="expected an order",
        custom_error_context={
            "expected": "`not supported`, or an order by write, pulse or call",
            "remedy": "say how the order is given: `by: write`, `by: pulse` or `by: call`",
            "at": "by",
        },
    ),
]


class StationOrders(Part):
    """How each goal of a station is given. A goal that a station does not know is ``not supported``: it is done at once."""

    open_door: Order
    close_door: Order
    prepare: Order
    start: Order
    abort: Order
    acknowledge: Order
    clear_fault: Order


class HandlerOrders(Part):
    """How the one goal of a handler is given."""

    move: Order


class ReaderOrders(Part):
    """How a tag is read."""

    read_tag: TagOrder


# --- results ------------------------------------------------------------------------------------------------------------


class Columns(Part):
    """Where each part of a measured value stands: a key, a node or a structure field, depending on the form."""

    number: str
    value: str
    unit: str | None = None
    quality: str | None = None


class Rows(Part):
    """What every form shares. A numeric characteristic becomes ``prefix`` and its digits, filled up with zeros to ``digits``."""

    columns: Columns
    unit: str | None = None
    qualities: dict[Key, QualityWord] = Field(default_factory=dict[str, QualityWord])
    prefix: str = ""
    digits: int = 0


class JsonResults(Rows):
    """One text node with a JSON object; ``run``, ``serial``, ``counter`` and ``rows`` are its keys."""

    form: Literal["json"]
    node: NodeName
    rows: str
    run: str | None = None
    serial: str | None = None
    counter: str | None = None


class ArrayResults(Rows):
    """Parallel arrays; ``rows`` is the node that counts the entries in use. The rest are nodes as well."""

    form: Literal["arrays"]
    rows: NodeName | None = None
    run: NodeName | None = None
    serial: NodeName | None = None
    counter: NodeName | None = None


class StructureResults(Rows):
    """One node with an array of structures; the columns are their fields, the rest are nodes."""

    form: Literal["structures"]
    node: NodeName
    run: NodeName | None = None
    serial: NodeName | None = None
    counter: NodeName | None = None


Results = Annotated[JsonResults | ArrayResults | StructureResults, Discriminator("form")]


# --- profiles -----------------------------------------------------------------------------------------------------------


class Profile(Part):
    """What every profile states."""

    profile: str
    title: str
    namespaces: dict[str, str]
    root: str = ""
    nodes: dict[str, Node]


class StationProfile(Profile):
    """How a make of station is driven."""

    kind: Literal["station"]
    facets: StationFacets
    echoes: StationEchoes = StationEchoes()
    orders: StationOrders
    results: Results


class HandlerProfile(Profile):
    """How a make of handler is driven."""

    kind: Literal["handler"]
    facets: HandlerFacets
    echoes: HandlerEchoes
    orders: HandlerOrders


class ReaderProfile(Profile):
    """How a make of tag reader is driven."""

    kind: Literal["reader"]
    facets: ReaderFacets
    orders: ReaderOrders


AnyProfile = StationProfile | HandlerProfile | ReaderProfile
_MODELS: Mapping[str, type[AnyProfile]] = {
    "station": StationProfile,
    "handler": HandlerProfile,
    "reader": ReaderProfile,
}


class _Kind(Part):
    """Only says what a profile is for; the error about a missing or unknown kind comes from here."""

    model_config = ConfigDict(extra="ignore", strict=True, frozen=True)
    kind: Literal["station", "handler", "reader"]


def profile_model(kind: object) -> type[BaseModel]:
    """The model that a file with this ``kind`` is validated against; for an unknown kind one that says so."""
    return _MODELS.get(kind, _Kind) if isinstance(kind, str) else _Kind


def read_profile(content: Mapping[str, Any]) -> AnyProfile:
    """The profile in a mapping.

    Raises:
        ValidationError: the mapping is not a profile.
    """
    model = _MODELS[_Kind.model_validate(content).kind]
    return model.model_validate(content)

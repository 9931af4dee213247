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

from supervisor.cell.fields import Written
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
    "fence": "number",
    "beat": "number",
    "permit_ms": "number",
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
    "renew": ("fence", "beat", "permit_ms"),
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


# --- nodes --------------------------------------------------------------------------------------------------------------


class Node(Part):
    """Where one variable or method stands, by `path` or by `id`, and the type that it must have.

    A part of a path without prefix stands in the namespace of OPC UA itself. A browse name that holds a `/` has to be addressed by
    id. `{place}` in a path makes one node for each place (tag readers only).
    """

    type: NodeType = Field(
        description="The type that it has on the wire, `[]` behind it for an array: `Boolean`, `Byte`, `UInt16`, `Int32`, `Double`, `String`, `LocalizedText`, `Enumeration`, `Structure`, `Method` ..."
    )
    path: Text | None = Field(
        default=None, description="Where it stands below the root: `s:Door/s:State`."
    )
    id: Text | None = Field(
        default=None,
        description="Where it stands, as a node id: `s;s=Door.State`, `s;i=1001`, `s;g=` and a GUID, `s;b=` and base64.",
    )
    name: Text | None = Field(
        default=None,
        description="With `id` only, and needed there: the browse name that the node must have, `s:State`.",
    )
    on: Text | None = Field(
        default=None,
        description="With the `id` of a method only: the node id of the object that it is called on.",
    )


# --- facets -------------------------------------------------------------------------------------------------------------


class Bit(Part, Generic[W]):
    """A bit of a word, counted from 0, and what it means when it is set."""

    bit: int = Field(description="Number of the bit, from 0.")
    word: W = Field(description="What it means when it is set.")


class Facet(Part, Generic[W]):
    """What a value means in our words: exactly one of `codes`, `texts`, `truth`, `names`, `bits` and `always`.

    A value of uncertain or bad quality is always `unknown`.
    """

    node: NodeName | None = Field(default=None, description="The node whose value is interpreted.")
    codes: dict[Code, W] | None = Field(
        default=None, description="Whole numbers and what they mean."
    )
    texts: dict[Key, W] | None = Field(default=None, description="Texts and what they mean.")
    truth: dict[Truth, W] | None = Field(default=None, description="What `true` and `false` mean.")
    names: dict[Key, W] | None = Field(
        default=None,
        description="Members of the station's own enumeration and what they mean; their numbers are asked of the station.",
    )
    bits: list[Bit[W]] | None = Field(
        default=None, description="Bits of a word; the first entry whose bit is set wins."
    )
    otherwise: W | None = Field(
        default=None,
        description="What anything else means; `unknown` if left out. Needed with `bits`.",
    )
    always: W | None = Field(
        default=None,
        description="The word of a station that has nothing to tell: `{always: none}`.",
    )


class StationFacets(Part):
    """What a station shows."""

    mode: Facet[ModeWord] = Field(
        description="Operating mode: `automatic`, `manual`, `fault`, `unknown`."
    )
    door: Facet[DoorWord] = Field(
        description="Door or area grant: `open`, `moving`, `closed`, `none`, `unknown`."
    )
    nest: Facet[PresenceWord] = Field(
        description="Presence in the nest: `empty`, `occupied`, `unknown`."
    )
    work: Facet[WorkWord] = Field(
        description="What it does: `idle`, `prepared`, `running`, `part free`, `finished`, `aborted`, `unknown`."
    )
    gate: Facet[FreeWord] | None = Field(
        default=None,
        description="The empty text, or in free words why the station must not measure now.",
    )


class StationEchoes(Part):
    """What a station says that its work is about. A numeric run or program is compared as its decimal text."""

    run: NodeName | None = Field(
        default=None, description="The run that its work is about, as text or number."
    )
    serial: NodeName | None = Field(
        default=None, description="The serial number of the part it works on."
    )
    program: NodeName | None = Field(
        default=None, description="The program that it has prepared, as text or number."
    )
    counter: NodeName | None = Field(default=None, description="How many results it has given.")


class HandlerFacets(Part):
    """What a handler shows."""

    mode: Facet[ModeWord] = Field(
        description="Operating mode: `automatic`, `manual`, `fault`, `unknown`."
    )
    phase: Facet[PhaseWord] = Field(
        description="What became of its last order: `idle`, `accepted`, `busy`, `done`, `failed`, `unknown`."
    )
    jaws: list[Facet[PresenceWord]] = Field(
        description="Presence in each jaw, in the order of their numbers."
    )


class HandlerEchoes(Part):
    """What a handler says of its last order and of where it stands."""

    order: NodeName = Field(description="Number of the last order that it accepted.")
    inside: NodeName = Field(
        description="The station that the arm is not clear of; the empty text when it is clear of all."
    )
    at: NodeName | None = Field(default=None, description="The place that it stands at or before.")
    why: NodeName | None = Field(default=None, description="Why its last order failed.")


class ReaderFacets(Part):
    """What a tag reader shows at each of its places."""

    presence: Facet[PresenceWord] = Field(
        description="Presence at each place; its node has `{place}` in its path."
    )


# --- orders -------------------------------------------------------------------------------------------------------------


class Argument(Part):
    """One argument of a method: a `field` of the goal or a `value`."""

    type: NodeType = Field(description="The type of the method's argument.")
    field: GoalField | None = Field(
        default=None, description="The field of the goal that is handed over."
    )
    value: Content | None = Field(default=None, description="Or a literal that is handed over.")
    codes: dict[Key, Content] | None = Field(
        default=None, description="The station's own words for the contents of the field."
    )


class Assignment(Part):
    """One value to write to a node, of that node's type: a `field` of the goal or a `value`."""

    node: NodeName = Field(description="The node that is written.")
    field: GoalField | None = Field(
        default=None, description="The field of the goal that is written."
    )
    value: Content | None = Field(default=None, description="Or a literal that is written.")
    codes: dict[Key, Content] | None = Field(
        default=None, description="The station's own words for the contents of the field."
    )


class Outputs(Part):
    """Which output of a method (counted from 1) is its status, its text, its payload."""

    status: Position | None = Field(default=None, description="The output that says yes or no.")
    text: Position | None = Field(default=None, description="The output that says why, in words.")
    payload: Position | None = Field(default=None, description="The output with the tag's memory.")


Done = Literal["shown", "accepted"]


class WriteOrder(Part):
    """Write a value: a `field` of the goal or a `value`."""

    by: Literal["write"] = Field(description="This kind of order.")
    node: NodeName = Field(description="The node that is written.")
    field: GoalField | None = Field(
        default=None, description="The field of the goal that is written."
    )
    value: Content | None = Field(default=None, description="Or a literal that is written.")
    codes: dict[Key, Content] | None = Field(
        default=None, description="The station's own words for the contents of the field."
    )
    before: list[Assignment] = Field(
        default_factory=list[Assignment], description="What is written first."
    )
    echo: NodeName | None = Field(
        default=None,
        description="The node that repeats the written value once the station has taken it.",
    )
    done: Done = Field(
        default="shown",
        description="`accepted`: done as soon as the station has taken it. `shown`: the facets show when it is done.",
    )
    limit_s: Seconds = Field(description="How long the station may take until the echo.")


class PulseOrder(Part):
    """Set a Boolean until the station acknowledges or refuses, then reset it.

    A request that an earlier process left on is withdrawn first.
    """

    by: Literal["pulse"] = Field(description="This kind of order.")
    node: NodeName = Field(description="The request bit.")
    before: list[Assignment] = Field(
        default_factory=list[Assignment], description="What is written first."
    )
    acknowledge: NodeName | None = Field(
        default=None, description="The bit with which the station says yes."
    )
    refusal: NodeName | None = Field(default=None, description="The bit with which it says no.")
    text: NodeName | None = Field(default=None, description="Where it says why.")
    hold_ms: int = Field(
        default=300, description="How long the request stays on where nothing acknowledges it."
    )
    done: Done = Field(default="shown", description="As for an order by write.")
    limit_s: Seconds = Field(description="How long the station may take to answer.")


class CallOrder(Part):
    """Call a method."""

    by: Literal["call"] = Field(description="This kind of order.")
    node: NodeName = Field(description="The method.")
    arguments: list[Argument] = Field(
        default_factory=list[Argument], description="What it is called with, in order."
    )
    outputs: Outputs = Field(
        default_factory=Outputs, description="Which outputs are status and text."
    )
    accepted: list[int] = Field(default_factory=list[int], description="Statuses that mean yes.")
    refused: list[int] = Field(
        default_factory=list[int],
        description="Statuses that mean no. Any other leaves the order in doubt.",
    )
    done: Done = Field(default="shown", description="As for an order by write.")
    limit_s: Seconds = Field(
        description="How long the call may take. A method has to return at once; completion shows in the facets."
    )


class TagOrder(Part):
    """Call a method that reads a tag."""

    by: Literal["call"] = Field(description="This kind of order.")
    node: NodeName = Field(description="The method.")
    arguments: list[Argument] = Field(
        default_factory=list[Argument], description="What it is called with, in order."
    )
    outputs: Outputs = Field(description="Which outputs are status, payload and text.")
    statuses: dict[Code, TagWord] = Field(
        description="What each status means: `read`, `no tag`, `several tags`, `failed`."
    )
    limit_s: Seconds = Field(description="How long reading may take.")


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
    """How each goal of a station is given. A goal that a station does not know is `not supported`: it is done at once."""

    open_door: Order = Field(description="Open the door, or grant the area.")
    close_door: Order = Field(description="Close the door, or withdraw the grant.")
    prepare: Order = Field(description="Prepare a program.")
    start: Order = Field(
        description="Start a run. The station is asked first whether it has started it already."
    )
    abort: Order = Field(description="End a run without result.")
    acknowledge: Order = Field(description="The result is stored; the station may forget it.")
    clear_fault: Order = Field(description="Clear a fault whose cause is gone.")


class HandlerOrders(Part):
    """How the one goal of a handler is given."""

    move: Order = Field(description="Approach a place, pick, put or swap there.")


class RenewedPermit(Part):
    """How a machine learns that whoever drives it is awake: it is told again and again, and begins no motion once it is not.

    Told four times within `lasts_s`, by the supervisor's running step and by nothing else. In a simulated cell that runs faster than
    life, `lasts_s` shrinks with it, to no less than 1 s.
    """

    renew: Order = Field(description="Renew the permit to move.")
    lasts_s: Seconds = Field(
        description="How long the machine goes on beginning motions after it was told."
    )


class ReaderOrders(Part):
    """How a tag is read."""

    read_tag: TagOrder = Field(description="Read the tag at a place.")


# --- results ------------------------------------------------------------------------------------------------------------


class Columns(Part):
    """Where each part of a measured value stands: a key, a node or a structure field, depending on the form."""

    number: Text = Field(description="The characteristic's number.")
    value: Text = Field(description="The measured value.")
    unit: Text | None = Field(default=None, description="Its unit.")
    quality: Text | None = Field(default=None, description="The code of its quality.")


class Rows(Part):
    """What every form shares."""

    columns: Columns = Field(description="Where each part of a measured value stands.")
    unit: Text | None = Field(default=None, description="The unit of values that come without.")
    qualities: dict[Key, QualityWord] = Field(
        default_factory=dict[str, QualityWord],
        description="What quality codes mean: `good`, `uncertain`, `bad`. One that is not listed is bad.",
    )
    prefix: Text = Field(default="", description="What stands before a number.")
    digits: int = Field(
        default=0, description="A whole number is filled up with zeros to so many digits."
    )


class JsonResults(Rows):
    """One text node with a JSON object; columns and the rest are its keys.

    With `run` a result is taken from the notification itself; every other form is read once more when the station has finished.
    """

    form: Literal["json"] = Field(description="This form.")
    node: NodeName = Field(description="The node with the text.")
    rows: Text = Field(description="Key of the list of values.")
    run: Text | None = Field(default=None, description="Key of the run id.")
    serial: Text | None = Field(default=None, description="Key of the serial number.")
    counter: Text | None = Field(default=None, description="Key of the result counter.")


class ArrayResults(Rows):
    """Parallel arrays; columns and the rest are nodes."""

    form: Literal["arrays"] = Field(description="This form.")
    rows: NodeName | None = Field(
        default=None, description="The node that says how many entries are in use; all if left out."
    )
    run: NodeName | None = Field(default=None, description="The node with the run of the result.")
    serial: NodeName | None = Field(default=None, description="The node with the serial number.")
    counter: NodeName | None = Field(default=None, description="The node that counts results.")


class StructureResults(Rows):
    """One node with an array of structures; the columns are their fields, taken apart by the station's own type definition."""

    form: Literal["structures"] = Field(description="This form.")
    node: NodeName = Field(description="The node with the array.")
    run: NodeName | None = Field(default=None, description="The node with the run of the result.")
    serial: NodeName | None = Field(default=None, description="The node with the serial number.")
    counter: NodeName | None = Field(default=None, description="The node that counts results.")


Results = Annotated[JsonResults | ArrayResults | StructureResults, Discriminator("form")]


# --- profiles -----------------------------------------------------------------------------------------------------------


class Profile(Part):
    """What every profile states."""

    profile: Text = Field(description="Name of the profile: that of its file.")
    title: Text = Field(description="What people call it.")
    namespaces: dict[str, str] = Field(
        description="Prefixes of your choice and the namespace URIs that they stand for."
    )
    root: Text = Field(
        default="",
        description="Browse path from the Objects folder to where the paths of the nodes begin.",
    )
    nodes: dict[str, Node] = Field(description="Nodes by names of your choice.")


class StationProfile(Profile):
    """How a make of station is driven."""

    kind: Literal["station"] = Field(description="This kind.")
    facets: StationFacets = Field(description="What the station shows, in our words.")
    echoes: StationEchoes = Field(
        default_factory=StationEchoes, description="What its work is about."
    )
    orders: StationOrders = Field(description="How goals are given.")
    permit: RenewedPermit | None = Field(
        default=None,
        description="How its permit to move is renewed. Left out: it cannot take one, `pointsman check` says what follows.",
    )
    results: Results = Field(description="What was measured.")


class HandlerProfile(Profile):
    """How a make of handler is driven."""

    kind: Literal["handler"] = Field(description="This kind.")
    facets: HandlerFacets = Field(description="What the handler shows, in our words.")
    echoes: HandlerEchoes = Field(description="What its last order is and where it stands.")
    orders: HandlerOrders = Field(description="How moves are ordered.")
    permit: RenewedPermit | None = Field(
        default=None, description="How its permit to move is renewed, as for a station."
    )


class ReaderProfile(Profile):
    """How a make of tag reader is driven."""

    kind: Literal["reader"] = Field(description="This kind.")
    facets: ReaderFacets = Field(description="What the reader shows, in our words.")
    orders: ReaderOrders = Field(description="How tags are read.")


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

"""The language of interface profiles: how the facets, echoes, orders and results of a make map to OPC UA nodes.

Rules of this file:
- A profile is data. It names what to read, write and call and what the codes mean; it computes nothing.
- The models refuse what is wrong by itself (a key, a word, a type); ``supervisor.cell.profile`` finds what does not fit together.
- A node is named by namespace URI, never by a namespace index. Every node states the type that it must have on the wire.
- Each section answers one question: ``nodes`` where, ``facets`` in which of our words, ``echoes`` what the work is about,
  ``events`` what is latched, ``orders`` how a goal is given, ``results`` what was measured.
- The sections have a file each; everybody else takes their names from here.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from supervisor.cell.profile_events import (
    NEXT_EVENT,
    AfterOutage,
    Ends,
    EventField,
    EventSource,
    Query,
)
from supervisor.cell.profile_facets import (
    Bit,
    Case,
    Condition,
    Echo,
    Facet,
    HandlerEchoes,
    HandlerFacets,
    Heartbeat,
    Node,
    NodeOrPart,
    Pick,
    ReaderFacets,
    StationEchoes,
    StationFacets,
    Switch,
)
from supervisor.cell.profile_orders import (
    Argument,
    Assignment,
    CallOrder,
    Check,
    CountOrder,
    Declared,
    Done,
    FirstOrder,
    HandlerOrders,
    Order,
    Outputs,
    PulseOrder,
    ReaderOrders,
    RenewedPermit,
    Single,
    StationOrders,
    StepsOrder,
    Supported,
    TagMemory,
    TagOrder,
    TagsFound,
    ToggleOrder,
    WriteOrder,
)
from supervisor.cell.profile_results import (
    ArrayResults,
    Columns,
    CsvResults,
    DocumentResults,
    Fetched,
    Find,
    JsonResults,
    Matching,
    ProofWord,
    ResultCall,
    Results,
    Rows,
    Stored,
    StructureResults,
)
from supervisor.cell.profile_values import (
    FIELD_KINDS,
    LIMIT_S_MAX,
    NODE_TYPES,
    NOT_SUPPORTED,
    ORDER_FIELDS,
    REAL_TYPES,
    TEXT_TYPES,
    WHOLE_TYPES,
    WORD_BITS,
    Code,
    Content,
    DoorWord,
    FreeWord,
    GoalField,
    Key,
    ModeWord,
    NodeName,
    NodeType,
    Part,
    PhaseWord,
    Position,
    PresenceWord,
    QualityWord,
    Seconds,
    TagWord,
    Text,
    Truth,
    WorkWord,
)

__all__ = [
    "FIELD_KINDS",
    "LIMIT_S_MAX",
    "NEXT_EVENT",
    "NODE_TYPES",
    "NOT_SUPPORTED",
    "ORDER_FIELDS",
    "REAL_TYPES",
    "TEXT_TYPES",
    "WHOLE_TYPES",
    "WORD_BITS",
    "AfterOutage",
    "AnyProfile",
    "Argument",
    "ArrayResults",
    "Assignment",
    "Bit",
    "CallOrder",
    "Case",
    "Check",
    "Code",
    "Columns",
    "Condition",
    "Content",
    "CountOrder",
    "CsvResults",
    "Declared",
    "DocumentResults",
    "Done",
    "DoorWord",
    "Echo",
    "Ends",
    "EventField",
    "EventSource",
    "Facet",
    "Fetched",
    "Find",
    "FirstOrder",
    "FreeWord",
    "GoalField",
    "HandlerEchoes",
    "HandlerFacets",
    "HandlerOrders",
    "HandlerProfile",
    "Heartbeat",
    "JsonResults",
    "Key",
    "Matching",
    "ModeWord",
    "Node",
    "NodeName",
    "NodeOrPart",
    "NodeType",
    "Order",
    "Outputs",
    "Part",
    "PhaseWord",
    "Pick",
    "Position",
    "PresenceWord",
    "Profile",
    "ProofWord",
    "PulseOrder",
    "QualityWord",
    "Query",
    "ReaderFacets",
    "ReaderOrders",
    "ReaderProfile",
    "RenewedPermit",
    "ResultCall",
    "Results",
    "Rows",
    "Seconds",
    "Single",
    "StationEchoes",
    "StationFacets",
    "StationOrders",
    "StationProfile",
    "StepsOrder",
    "Stored",
    "StructureResults",
    "Supported",
    "Switch",
    "TagMemory",
    "TagOrder",
    "TagWord",
    "TagsFound",
    "Text",
    "ToggleOrder",
    "Truth",
    "WorkWord",
    "WriteOrder",
    "profile_model",
    "read_profile",
    "shipped_profiles",
]


def shipped_profiles() -> Path:
    """The folder of the profiles that come with Pointsman: one ``<profile>.yaml`` each."""
    return Path(__file__).parent.parent / "stations" / "profiles"


class Profile(Part):
    """What every profile states."""

    profile: Text = Field(description="Name of the profile: that of its file.")
    extends: Text | None = Field(
        default=None,
        description="Another profile whose sections hold where this one states nothing else.",
    )
    title: Text = Field(description="What people call it.")
    namespaces: dict[str, str] = Field(
        description="Prefixes of your choice and the namespace URIs that they stand for."
    )
    root: Text = Field(
        default="",
        description="Browse path from the Objects folder to where the paths of the nodes begin.",
    )
    nodes: dict[str, Node] = Field(description="Nodes by names of your choice.")

    def shown(self) -> dict[str, Node]:
        """What facets, echoes and results can look at, by name."""
        return self.nodes


class StationProfile(Profile):
    """How a make of station is driven."""

    kind: Literal["station"] = Field(description="This kind.")
    events: dict[str, EventSource] = Field(
        default_factory=dict[str, EventSource],
        description="Events by names of your choice, and what of them is latched beside the nodes.",
    )
    facets: StationFacets = Field(description="What the station shows, in our words.")
    echoes: StationEchoes = Field(
        default_factory=StationEchoes, description="What its work is about."
    )
    heartbeat: Heartbeat | None = Field(
        default=None, description="What shows that the station is alive, where it has a sign of it."
    )
    orders: StationOrders = Field(description="How goals are given.")
    start_twice: Literal["one run", "unknown"] = Field(
        default="unknown",
        description="What becomes of a start that comes twice with the same run id. Where it is `one run`, because the station knows its runs "
        "by their ids, a start that may have been lost with the connection is given again without asking a person.",
    )
    permit: RenewedPermit | None = Field(
        default=None,
        description="How its permit to move is renewed. Left out: it cannot take one, `pointsman check` says what follows.",
    )
    results: Results = Field(description="What was measured.")

    def shown(self) -> dict[str, Node]:
        """See ``Profile``; the fields of events stand beside the nodes."""
        fields = {
            name: Node(type=field.type, path=field.path)
            for event in self.events.values()
            for name, field in event.fields.items()
        }
        return {**fields, **self.nodes}

    def event_fields(self) -> frozenset[str]:
        """The names of everything that is latched from events."""
        return frozenset(name for event in self.events.values() for name in event.fields)


class HandlerProfile(Profile):
    """How a make of handler is driven."""

    kind: Literal["handler"] = Field(description="This kind.")
    facets: HandlerFacets = Field(description="What the handler shows, in our words.")
    echoes: HandlerEchoes = Field(description="What its last order is and where it stands.")
    heartbeat: Heartbeat | None = Field(
        default=None, description="What shows that the handler is alive, where it has a sign of it."
    )
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

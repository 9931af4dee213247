"""What a profile says of nodes, facets and echoes.

Rules of this file:
- A node is named by namespace URI, never by a namespace index, and states the type that it must have on the wire.
- A facet looks at one value or at several, and gives one of our words; it computes nothing.
"""

from typing import Annotated, Generic, TypeVar

from pydantic import BeforeValidator, Field

from supervisor.cell.fields import Written
from supervisor.cell.profile_values import (
    Code,
    Content,
    DoorWord,
    FreeWord,
    Key,
    ModeWord,
    NodeName,
    NodeType,
    Part,
    PhaseWord,
    PresenceWord,
    Seconds,
    Text,
    Truth,
    WorkWord,
)

W = TypeVar("W")


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
    optional: Text | None = Field(
        default=None,
        description="The station may be without it: in words, what is then not known or not done. Only for facets, echoes, orders by `first`, ways of asking for results, and what is told of stored ones.",
    )
    on: Text | None = Field(
        default=None,
        description="With the `id` of a method only: the node id of the object that it is called on.",
    )


class Pick(Part):
    """Which part of a value is meant, in this order: a `field` of a structure, a `split` of a text, an `entry` of a list, a `bit` of a word.

    A part that is not there is not readable, unless the facet says with `missing` what that means.
    """

    field: Text | None = Field(
        default=None,
        description="A field of the structure, `Axis.State` for one inside another; a number is an entry of an array.",
    )
    split: Text | None = Field(
        default=None, description="What separates the parts of a text, such as `;`; with `entry`."
    )
    entry: int | None = Field(
        default=None, description="The entry of an array, from 0; -1 is the last."
    )
    bit: int | None = Field(
        default=None, description="The bit of a word, from 0, as true or false."
    )
    width: int | None = Field(
        default=None, description="With `bit`: so many bits from there on, as a whole number."
    )


class Condition(Part):
    """What one node must show: one of the contents in `is`, or only whether it is `there`."""

    node: NodeName = Field(description="The node that is looked at.")
    pick: Pick | None = Field(default=None, description="The part of its value that is meant.")
    is_: list[Content] | None = Field(
        default=None,
        alias="is",
        description="What it may be: whole numbers, texts, true or false; node ids in the form `s;i=12` for a node of type NodeId.",
    )
    there: bool | None = Field(
        default=None,
        description="Or whether it has to be there: a part of a value, or a field of an event that is latched.",
    )


class Case(Part, Generic[W]):
    """What it means when all conditions hold. They are looked at in order, and none after the first that does not hold."""

    when: list[Condition] = Field(description="The conditions.")
    word: W = Field(description="What it means when they hold.")


class Switch(Part, Generic[W]):
    """A switch and what it means when it is on."""

    node: NodeName = Field(description="The node of the switch.")
    pick: Pick | None = Field(default=None, description="The part of its value that is the switch.")
    on: bool = Field(default=True, description="The value of the switch when it is on.")
    word: W = Field(description="What it means when it is on.")


class Bit(Part, Generic[W]):
    """A bit of a word, counted from 0, and what it means when it is set."""

    bit: int = Field(description="Number of the bit, from 0.")
    word: W = Field(description="What it means when it is set.")


class Facet(Part, Generic[W]):
    """What a value means in our words: exactly one of `codes`, `texts`, `truth`, `names`, `states`, `bits`, `switches`, `cases` and `always`.

    A value of uncertain or bad quality is always `unknown`. `switches` and `cases` name their nodes themselves; of several switches that
    are on at once, and of conditions that cannot be read, the facet is `unknown`. A switch or a case that looks at an optional node which
    the station has not is left out; where none is left, the facet is `missing`.
    """

    node: NodeName | None = Field(default=None, description="The node whose value is interpreted.")
    pick: Pick | None = Field(default=None, description="The part of its value that is meant.")
    codes: dict[Code, W] | None = Field(
        default=None, description="Whole numbers and what they mean."
    )
    texts: dict[Key, W] | None = Field(default=None, description="Texts and what they mean.")
    truth: dict[Truth, W] | None = Field(default=None, description="What `true` and `false` mean.")
    names: dict[Key, W] | None = Field(
        default=None,
        description="Members of the station's own enumeration and what they mean; their numbers are asked of the station.",
    )
    states: dict[Key, W] | None = Field(
        default=None,
        description="Node ids in the form `s;i=12` and what they mean: for the `Id` of the `CurrentState` of a state machine.",
    )
    bits: list[Bit[W]] | None = Field(
        default=None, description="Bits of a word; the first entry whose bit is set wins."
    )
    switches: list[Switch[W]] | None = Field(
        default=None,
        description="Switches that must agree: the word of the one that is on, `otherwise` when none is, `unknown` when several are.",
    )
    cases: list[Case[W]] | None = Field(
        default=None, description="Cases of several nodes; the first whose conditions hold wins."
    )
    otherwise: W | None = Field(
        default=None,
        description="What anything else means; `unknown` if left out. Needed with `bits` and `switches`.",
    )
    missing: W | None = Field(
        default=None,
        description="What it means when the part that `pick` names, or an optional node, is not there; `unknown` if left out.",
    )
    settle_ms: int | None = Field(
        default=None,
        description="A new word holds once it has stood for so long, and the facet is `unknown` until then; at most 10000.",
    )
    age_s_max: Seconds | None = Field(
        default=None,
        description="A value that was not renewed for so long is `unknown`: for stations that write their values cyclically.",
    )
    always: W | None = Field(
        default=None,
        description="The word of a station that has nothing to tell: `{always: none}`.",
    )


class Echo(Part):
    """A text or number that a station shows: a node, or `{node: ..., pick: ...}` for a part of its value."""

    node: NodeName = Field(description="The node.")
    pick: Pick | None = Field(default=None, description="The part of its value that is meant.")


def _echo(written: object) -> object:
    return {"node": written} if isinstance(written, str) else written


NodeOrPart = Annotated[
    Echo,
    BeforeValidator(_echo, json_schema_input_type=str | Echo),
    Written(words="node, or node and pick"),
]


class Heartbeat(Part):
    """A value that the station keeps changing while it is alive; while it does not, everything that it shows is `unknown`."""

    node: NodeName = Field(description="The node that changes.")
    pick: Pick | None = Field(default=None, description="The part of its value that changes.")
    within_s: Seconds = Field(description="The longest time between two changes.")


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

    run: NodeOrPart | None = Field(
        default=None, description="The run that its work is about, as text or number."
    )
    serial: NodeOrPart | None = Field(
        default=None, description="The serial number of the part it works on."
    )
    program: NodeOrPart | None = Field(
        default=None, description="The program that it has prepared, as text or number."
    )
    counter: NodeOrPart | None = Field(default=None, description="How many results it has given.")


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

    order: NodeOrPart = Field(description="Number of the last order that it accepted.")
    inside: NodeOrPart = Field(
        description="The station that the arm is not clear of; the empty text when it is clear of all."
    )
    at: NodeOrPart | None = Field(
        default=None, description="The place that it stands at or before."
    )
    why: NodeOrPart | None = Field(default=None, description="Why its last order failed.")


class ReaderFacets(Part):
    """What a tag reader shows at each of its places."""

    presence: Facet[PresenceWord] = Field(
        description="Presence at each place; its node has `{place}` in its path."
    )

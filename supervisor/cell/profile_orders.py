"""What a profile says of orders: how each goal is given.

Rules of this file:
- An order is a goal that is harmless to repeat, or says by what the station is asked before it is given again.
- Every wait has a limit.
"""

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Discriminator, Field, Tag

from supervisor.cell.profile_facets import Condition, Pick
from supervisor.cell.profile_values import (
    NOT_SUPPORTED,
    Code,
    Content,
    GoalField,
    Key,
    NodeName,
    NodeType,
    Part,
    Position,
    Seconds,
    TagWord,
    Text,
)


class Argument(Part):
    """One argument of a method, or a part of one: a `field` of the goal, a `value`, `members` of a structure, `items` of an array or a `node`.

    A structure is put together by the station's own type definition. A member that is not named is left out where it may be, and is
    the type's own nothing (0, false, the null text) where it may not. `Variant[]` holds items of any type.
    """

    type: NodeType = Field(
        description="The type of the method's argument, `[]` behind it for an array."
    )
    field: GoalField | None = Field(
        default=None, description="The field of the goal that is handed over."
    )
    value: Content | None = Field(
        default=None,
        description="Or a literal that is handed over; for a ByteString its bytes in hexadecimal digits.",
    )
    members: dict[Key, "Argument"] | None = Field(
        default=None, description="Or the fields of a structure by their names."
    )
    items: list["Argument"] | None = Field(
        default=None, description="Or the entries of an array; `[]` for an empty one."
    )
    node: NodeName | None = Field(
        default=None,
        description="Or what a node or a field of an event shows; only where a result is asked for.",
    )
    pick: Pick | None = Field(
        default=None, description="With `node`: the part of its value that is handed over."
    )
    codes: dict[Key, Content] | None = Field(
        default=None, description="The station's own words for the contents of the field."
    )
    found: GoalField | None = Field(
        default=None,
        description="Or a field of the tag that was found, as it came: for the `memory` of a tag reader only.",
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
WHEN = "A step of `steps` only: what nodes must show for it to be given; while they do not, it is left out."


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
    withdraw: Content | None = Field(
        default=None,
        description="What is written where the echo does not follow in time, so that a request is not taken later, when nobody expects it.",
    )
    done: Done = Field(
        default="shown",
        description="`accepted`: done as soon as the station has taken it. `shown`: the facets show when it is done.",
    )
    when: list[Condition] = Field(default_factory=list[Condition], description=WHEN)
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
        default=300,
        description="How long the request stays on, and then off, where nothing acknowledges it.",
    )
    done: Done = Field(default="shown", description="As for an order by write.")
    when: list[Condition] = Field(default_factory=list[Condition], description=WHEN)
    limit_s: Seconds = Field(description="How long the station may take to answer.")


class ToggleOrder(Part):
    """Turn a Boolean over: each turn is one order, and the station repeats the value once it has taken it.

    Nothing is sent while node and echo differ, because an order is then on its way.
    """

    by: Literal["toggle"] = Field(description="This kind of order.")
    node: NodeName = Field(description="The bit that is turned over.")
    before: list[Assignment] = Field(
        default_factory=list[Assignment], description="What is written first."
    )
    echo: NodeName = Field(description="The bit that follows once the station has taken the order.")
    done: Done = Field(default="shown", description="As for an order by write.")
    when: list[Condition] = Field(default_factory=list[Condition], description=WHEN)
    limit_s: Seconds = Field(description="How long the station may take until the echo.")


class CountOrder(Part):
    """Count a number up by one: each step is one order, and the station repeats the number once it has taken it.

    Nothing is sent while node and echo differ. After the largest number of the node's type comes 0.
    """

    by: Literal["count"] = Field(description="This kind of order.")
    node: NodeName = Field(description="The number that is counted up.")
    before: list[Assignment] = Field(
        default_factory=list[Assignment], description="What is written first."
    )
    echo: NodeName = Field(
        description="The number that follows once the station has taken the order."
    )
    done: Done = Field(default="shown", description="As for an order by write.")
    when: list[Condition] = Field(default_factory=list[Condition], description=WHEN)
    limit_s: Seconds = Field(description="How long the station may take until the echo.")


class Check(Part):
    """What an output of a method must be for the order to count as accepted: a `field` of the goal or a `value`."""

    output: Position = Field(description="The output, counted from 1.")
    field: GoalField | None = Field(
        default=None, description="The field of the goal that it repeats."
    )
    value: Content | None = Field(default=None, description="Or the literal that it must be.")


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
        description="Statuses that mean no.",
    )
    otherwise: Literal["doubt", "refused"] = Field(
        default="doubt",
        description="What any other status means: the order is in `doubt`, or `refused`.",
    )
    checks: list[Check] = Field(
        default_factory=list[Check],
        description="What other outputs must be; one that is not leaves the order in doubt.",
    )
    complete: Check | None = Field(
        default=None,
        description="What an output is when the goal is reached as soon as the method has answered; otherwise the facets show it.",
    )
    done: Done = Field(default="shown", description="As for an order by write.")
    when: list[Condition] = Field(default_factory=list[Condition], description=WHEN)
    limit_s: Seconds = Field(
        description="How long the call may take. A method has to return at once; completion shows in the facets."
    )


class TagsFound(Part):
    """An output with one entry for each tag that was found. No entry is `no tag`, several are `several tags`."""

    output: Position = Field(description="The output with the entries, counted from 1.")
    content: list[Text] = Field(
        description="Paths, in an entry, of what the tag says: the first that is there counts, a text as UTF-8."
    )


class TagMemory(Part):
    """A second method, which reads the memory of the one tag that was found.

    Left out, or missing at the reader, what was found is all that the tag says.
    """

    node: NodeName = Field(description="The method.")
    arguments: list[Argument] = Field(description="What it is called with, in order.")
    outputs: Outputs = Field(description="Which outputs are status, payload and text.")
    statuses: dict[Code, TagWord] = Field(description="What each status means.")


class TagOrder(Part):
    """Call a method that reads a tag, or one that finds tags and then one that reads the memory of the tag that was found."""

    by: Literal["call"] = Field(description="This kind of order.")
    node: NodeName = Field(description="The method.")
    arguments: list[Argument] = Field(
        default_factory=list[Argument], description="What it is called with, in order."
    )
    outputs: Outputs = Field(description="Which outputs are status, payload and text.")
    statuses: dict[Code, TagWord] = Field(
        description="What each status means: `read`, `no tag`, `several tags`, `failed`."
    )
    found: TagsFound | None = Field(
        default=None, description="Where the method gives the tags that it found."
    )
    memory: TagMemory | None = Field(
        default=None, description="How the memory of the tag is read then."
    )
    limit_s: Seconds = Field(description="How long reading may take, both methods together.")


def _order_kind(written: object) -> str | None:
    if isinstance(written, str):
        return NOT_SUPPORTED if written == NOT_SUPPORTED else None
    if isinstance(written, Mapping):
        return str(written.get("by"))  # pyright: ignore[reportUnknownMemberType, reportUnknownArgumentType]
    return getattr(written, "by", None)


Step = Annotated[
    WriteOrder | PulseOrder | ToggleOrder | CountOrder | CallOrder, Discriminator("by")
]


class StepsOrder(Part):
    """Several orders, one after another, each once the one before it was accepted.

    Put last what brings the goal about: a step that is refused leaves those before it carried out. Where a model has one command for
    each state that it is given in, `when` says which step belongs to which; where no step is left, nothing is sent and the facets show.
    """

    by: Literal["steps"] = Field(description="This kind of order.")
    steps: list[Step] = Field(description="The orders; what they say of `done` is not looked at.")
    done: Done = Field(default="shown", description="As for an order by write.")

    @property
    def limit_s(self) -> float:
        """How long all steps together may take, in seconds."""
        return sum(step.limit_s for step in self.steps)


_WAY = "`not supported`, or an order by write, pulse, toggle, count, call or steps"
Way = Annotated[
    Annotated[Literal["not supported"], Tag(NOT_SUPPORTED)]
    | Annotated[WriteOrder, Tag("write")]
    | Annotated[PulseOrder, Tag("pulse")]
    | Annotated[ToggleOrder, Tag("toggle")]
    | Annotated[CountOrder, Tag("count")]
    | Annotated[StepsOrder, Tag("steps")]
    | Annotated[CallOrder, Tag("call")],
    Discriminator(
        _order_kind,
        custom_error_type="declaration",
        custom_error_message="expected an order",
        custom_error_context={
            "expected": _WAY,
            "remedy": "say how the order is given in this way",
            "at": "by",
        },
    ),
]


class FirstOrder(Part):
    """Several ways to give an order, for what a model leaves optional: the first whose nodes the station has is used.

    Which one that is shows when the link comes up. All ways but the last need a node that is `optional`; the last may be
    `not supported`. Where it needs such nodes as well, one of the ways has to be there whole, or the link stays down and says so.
    """

    by: Literal["first"] = Field(description="This kind of order.")
    ways: list[Way] = Field(description="The orders, the best first.")


Single = WriteOrder | PulseOrder | ToggleOrder | CountOrder | CallOrder
Supported = Single | StepsOrder
Declared = Supported | FirstOrder | Literal["not supported"]
Order = Annotated[
    Annotated[Literal["not supported"], Tag(NOT_SUPPORTED)]
    | Annotated[WriteOrder, Tag("write")]
    | Annotated[PulseOrder, Tag("pulse")]
    | Annotated[ToggleOrder, Tag("toggle")]
    | Annotated[CountOrder, Tag("count")]
    | Annotated[StepsOrder, Tag("steps")]
    | Annotated[FirstOrder, Tag("first")]
    | Annotated[CallOrder, Tag("call")],
    Discriminator(
        _order_kind,
        custom_error_type="declaration",
        custom_error_message="expected an order",
        custom_error_context={
            "expected": "`not supported`, or an order by write, pulse, toggle, count, call, steps or first",
            "remedy": "say how the order is given: `by: write`, `by: pulse`, `by: toggle`, `by: count`, `by: call`, `by: steps` or `by: first`",
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

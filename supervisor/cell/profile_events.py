"""What a profile says of events: which ones are latched, how a latch ends, and how the world is asked after an outage.

Rules of this file:
- An event is a pulse, the image is a level: what an event says is latched, and stays until something that is named here ends it.
- Events that fell into an outage are lost for good, so every latch says what is read or asked instead.
- The fields of an event stand beside the nodes, under names of their own: a facet, an echo or a result cannot tell the two apart.
"""

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from supervisor.cell.fields import Written
from supervisor.cell.profile_facets import Condition
from supervisor.cell.profile_orders import Argument
from supervisor.cell.profile_values import NodeName, NodeType, Part, Position, Seconds, Text
from supervisor.cell.refusal import refuse

NEXT_EVENT = "next event"

OrderName = Annotated[
    Literal["prepare", "start", "abort", "acknowledge", "clear_fault"], Written(words="order")
]


class EventField(Part):
    """One field of an event: where it stands in the type of the event, and the type that it has on the wire."""

    path: Text = Field(
        description="The field's browse path from the type of the event: `v:JobId`, `r:Result/r:ResultMetaData`, `Severity`."
    )
    type: NodeType = Field(description="The type that it has on the wire, as for a node.")


class Ends(Part):
    """What ends a latch. An order ends it just before it is sent, so that nothing that follows the order is lost.

    Events of one source come in their order, those of two sources do not: so an event ends latches of its own source only.
    """

    orders: list[OrderName] = Field(
        default_factory=list[OrderName],
        description="Orders that end it; an order that is `not supported` ends it as well.",
    )
    events: list[Text] = Field(
        default_factory=list[str], description="Other events of this profile that end it."
    )
    nodes: list[Condition] = Field(
        default_factory=list[Condition],
        description="Levels of which each one ends it; while one of them holds, nothing is latched.",
    )


def _ends(written: object) -> object:
    if isinstance(written, str) and written != NEXT_EVENT:
        raise refuse(
            "`orders`, `events` and `nodes`, or the words `next event`",
            "name what ends the latch, or write `ends: next event`",
        )
    return written


EndsOrNext = Annotated[
    Ends | Literal["next event"],
    BeforeValidator(_ends, json_schema_input_type=Ends | Literal["next event"]),
    Written(words="mapping, or `next event`"),
]


class Query(Part):
    """A method that is asked what the lost events would have said: one row of its output stands for the event."""

    node: NodeName = Field(description="The method.")
    arguments: list[Argument] = Field(
        default_factory=list[Argument],
        description="What it is called with, in order. No run is known when it is asked, so there are no fields of a goal.",
    )
    output: Position = Field(description="The output with the rows, counted from 1.")
    status: Position | None = Field(
        default=None, description="The output that says whether the answer counts."
    )
    accepted: list[int] = Field(
        default_factory=list[int], description="Statuses with which it counts."
    )
    rows: Text | None = Field(
        default=None,
        description="Path of the list of rows in the output; the output itself if left out.",
    )
    newest_by: Text | None = Field(
        default=None,
        description="Path in a row whose largest content (a time, a number) marks the newest; the last row if left out.",
    )
    fields: dict[Text, Text] = Field(description="For each field of the event its path in a row.")
    limit_s: Seconds = Field(description="How long the call may take.")


class AfterOutage(Part):
    """What is asked once on every connection, before anything counts: exactly one of `levels`, `query`, `order` and `refresh`.

    An event that comes while it is asked is newer than the answer and wins.
    """

    levels: dict[Text, NodeName] | None = Field(
        default=None,
        description="For each field of the event the node that shows the same as a level.",
    )
    query: Query | None = Field(
        default=None,
        description="Or the method that is asked. Where it has no row, nothing is latched.",
    )
    order: Literal["prepare", "abort", "acknowledge", "clear_fault"] | None = Field(
        default=None,
        description="Or the order that the event belongs to: the cell gives it again as long as it wants what it brings about. Never `start`.",
    )
    refresh: Literal["conditions"] | None = Field(
        default=None,
        description="Or, for an event of a condition (an alarm): the station says again how each condition stands that is still of interest (`ConditionRefresh`).",
    )
    when: list[Condition] = Field(
        default_factory=list[Condition],
        description="An answer counts only while these nodes show so; otherwise nothing is latched.",
    )


class EventSource(Part):
    """An event and what of it is latched. All fields of an event are latched together, and end together.

    Subtypes of the type count as well. Until an event has come, and after its latch has ended, its fields are not there: `missing` of a
    facet says what that means, a condition on them does not hold, an echo of them is empty.
    """

    source: NodeName | None = Field(
        default=None,
        description="The node of type `Object` that gives the event; the server itself if left out.",
    )
    type: Text = Field(
        description="The type of the event: its browse path below `BaseEventType`, `v:ResultReadyEventType`, or its node id, `v;i=1024`."
    )
    fields: dict[Text, EventField] = Field(
        description="Fields by names of your choice, which may be used wherever a node is shown."
    )
    only: list[Condition] = Field(
        default_factory=list[Condition],
        description="An event counts only when these hold for its own fields; so does a row of a query.",
    )
    ends: EndsOrNext = Field(
        description="What ends the latch; with `next event` only the next event of its kind replaces it."
    )
    after_outage: AfterOutage = Field(
        description="What is asked after an outage, because events that fell into it do not come again."
    )

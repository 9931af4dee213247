"""What a profile says of results: where the measured values stand and what proves that they belong to a run.

Rules of this file:
- A form says how values are laid out, its source where they come from.
- Every value has a unit, and every quality code a meaning.
"""

from typing import Annotated, Literal

from pydantic import Discriminator, Field

from supervisor.cell.kinds import Unit
from supervisor.cell.profile_orders import Argument
from supervisor.cell.profile_values import (
    Content,
    GoalField,
    Key,
    NodeName,
    Part,
    Position,
    QualityWord,
    Seconds,
    Text,
)

ProofWord = Literal["run", "serial", "counter", "created", "other"]


class Columns(Part):
    """Where each part of a measured value stands: a key, a node or a structure field, depending on the form."""

    number: Text = Field(description="The characteristic's number.")
    value: Text = Field(description="The measured value.")
    unit: Text | None = Field(default=None, description="Its unit.")
    quality: Text | None = Field(default=None, description="The code of its quality.")


class Rows(Part):
    """What every form shares."""

    columns: Columns = Field(description="Where each part of a measured value stands.")
    unit: Unit | None = Field(default=None, description="The unit of values that come without.")
    qualities: dict[Key, QualityWord] = Field(
        default_factory=dict[str, QualityWord],
        description="What quality codes mean: `good`, `uncertain`, `bad`. One that is not listed is bad.",
    )
    prefix: Text = Field(default="", description="What stands before a number.")
    digits: int = Field(
        default=0, description="A whole number is filled up with zeros to so many digits."
    )
    compensated: Literal["yes", "no", "unknown"] = Field(
        default="unknown",
        description="Whether the station gives its values as they are at 20 degrees Celsius. Records say so.",
    )


class Matching(Part):
    """A condition on results, handed over as a ContentFilter (OPC 10000-4 7.7): what the path leads to equals a field of the run."""

    type_: Text = Field(
        alias="type",
        description="The type that the path begins at, as a node id: `r;i=2001`.",
    )
    path: Text = Field(
        description="Browse path from that type to what is compared: `r:ResultMetaData/r:JobId`."
    )
    field: GoalField = Field(description="The field that it has to equal, such as `run_id`.")


class Find(Part):
    """How the id of a run's result is found: by a method that lists the ids of those that match. Of several the last is taken."""

    node: NodeName = Field(description="The method.")
    where: Matching = Field(description="What must hold of the result: the first argument.")
    arguments: list[Argument] = Field(
        default_factory=list[Argument], description="What it is called with after that, in order."
    )
    output: Position = Field(description="The output with the ids, counted from 1.")
    status: Position | None = Field(
        default=None, description="The output that says whether there are any."
    )
    accepted: list[int] = Field(
        default_factory=list[int], description="Statuses that mean that it has looked."
    )
    limit_s: Seconds = Field(description="How long the call may take.")


class Stored(Part):
    """A method by which the station is told that a result is stored, before the order `acknowledge` is given.

    One that is `optional` and missing is left out, and what it answers changes nothing.
    """

    node: NodeName = Field(description="The method.")
    arguments: list[Argument] = Field(
        default_factory=list[Argument],
        description="What it is called with, in order; `result_id` is the one that `id` gave.",
    )
    status: Position | None = Field(default=None, description="The output that says yes or no.")
    accepted: list[int] = Field(default_factory=list[int], description="Statuses that mean yes.")
    limit_s: Seconds = Field(description="How long the call may take.")


class ResultCall(Part):
    """A method that gives the result when it is asked: a query, or a list of results."""

    node: NodeName = Field(description="The method.")
    arguments: list[Argument] = Field(
        default_factory=list[Argument],
        description="What it is called with, in order; of the run: `run_id`, `run_no`, `serial`, and after `find` `result_id`.",
    )
    find: Find | None = Field(
        default=None, description="How the id of the result is found first, where it is another."
    )
    output: Position = Field(description="The output with the result, counted from 1.")
    status: Position | None = Field(
        default=None, description="The output that says whether there is one."
    )
    accepted: list[int] = Field(
        default_factory=list[int], description="Statuses that mean that there is one."
    )
    limit_s: Seconds = Field(description="How long the call may take.")
    instead: "ResultCall | None" = Field(
        default=None,
        description="Another way, for a station that has not all methods of this one, which are `optional` then; one way has to be there whole.",
    )

    def ways(self) -> "tuple[ResultCall, ...]":
        """This way and those instead of it, best first."""
        return (self, *(self.instead.ways() if self.instead is not None else ()))

    def methods(self) -> tuple[str, ...]:
        """The nodes that this way needs."""
        return (self.node, *((self.find.node,) if self.find is not None else ()))


class Fetched(Rows):
    """What the forms share that come in one piece: as the value of a node or as an output of a method."""

    node: NodeName | None = Field(
        default=None,
        description="The node with the result: a text, a ByteString, or an object of the type FileType, which is read whole.",
    )
    call: ResultCall | None = Field(
        default=None, description="Or the method that gives the result."
    )


class JsonResults(Fetched):
    """A JSON object as a text; columns and the rest are its keys, `a.b` for a key inside another.

    With `run` a result is taken from the notification itself; every other form is read once more when the station has finished.
    """

    form: Literal["json"] = Field(description="This form.")
    rows: Text = Field(description="Key of the list of values.")
    run: Text | None = Field(default=None, description="Key of the run id.")
    serial: Text | None = Field(default=None, description="Key of the serial number.")
    counter: Text | None = Field(default=None, description="Key of the result counter.")
    created: Text | None = Field(
        default=None,
        description="Key of the time at which the result was made: a text of RFC 3339, with `Z` or its distance from UTC.",
    )
    temperature: Text | None = Field(
        default=None, description="Key of the part's temperature in degrees Celsius."
    )


class CsvResults(Fetched):
    """Lines of a text with separators (RFC 4180, with any separator); columns are names of the heading, or positions from 1 without one."""

    form: Literal["csv"] = Field(description="This form.")
    separator: Literal[",", ";", "\t", "|"] = Field(
        default=",", description="What separates the columns."
    )
    decimal: Literal[".", ","] = Field(
        default=".", description="What stands before the decimals of a number."
    )
    heading: Literal["present", "absent"] = Field(
        default="present", description="Whether a line with the names of the columns stands first."
    )
    preamble: list[ProofWord] = Field(
        default_factory=list[ProofWord],
        description="What a line before all others holds, in order: `run`, `serial`, `counter`, `created`, or `other` for what is not needed.",
    )

    @property
    def run(self) -> str | None:
        """Whether the text says which run it belongs to."""
        return "run" if "run" in self.preamble else None

    @property
    def counter(self) -> str | None:
        """Whether the text counts results."""
        return "counter" if "counter" in self.preamble else None

    @property
    def created(self) -> str | None:
        """Whether the text says when it was made."""
        return "created" if "created" in self.preamble else None


class DocumentResults(Fetched):
    """One structure, or a list of them; columns and the rest are paths of its fields, taken apart by the station's own type definition.

    `Results.0.Value` is the field `Value` of the first entry of `Results`; -1 is the last entry. What stands in a variant is
    taken apart as well.
    """

    form: Literal["document"] = Field(description="This form.")
    rows: Text = Field(description="Path of the list of values.")
    id: Text | None = Field(default=None, description="Path of the id of the result itself.")
    ready: dict[Key, list[Content]] = Field(
        default_factory=dict[str, list[Content]],
        description="Paths and what they show when the result is whole and real; until then it is asked again. A path that leads nowhere is not looked at.",
    )
    stored: Stored | None = Field(
        default=None, description="How the station is told that the result is stored."
    )
    run: Text | None = Field(default=None, description="Path of the run id.")
    serial: Text | None = Field(default=None, description="Path of the serial number.")
    counter: Text | None = Field(default=None, description="Path of the result counter.")
    created: Text | None = Field(
        default=None, description="Path of the time at which the result was made."
    )
    temperature: Text | None = Field(
        default=None, description="Path of the part's temperature in degrees Celsius."
    )


class ArrayResults(Rows):
    """Parallel arrays; columns and the rest are nodes."""

    form: Literal["arrays"] = Field(description="This form.")
    rows: NodeName | None = Field(
        default=None, description="The node that says how many entries are in use; all if left out."
    )
    run: NodeName | None = Field(default=None, description="The node with the run of the result.")
    serial: NodeName | None = Field(default=None, description="The node with the serial number.")
    counter: NodeName | None = Field(default=None, description="The node that counts results.")
    created: NodeName | None = Field(
        default=None,
        description="The node with the time at which the result was made: a `DateTime`, or a text of RFC 3339.",
    )
    temperature: NodeName | None = Field(
        default=None, description="The node with the part's temperature in degrees Celsius."
    )


class StructureResults(Rows):
    """One node with an array of structures; the columns are their fields, taken apart by the station's own type definition."""

    form: Literal["structures"] = Field(description="This form.")
    node: NodeName = Field(description="The node with the array.")
    run: NodeName | None = Field(default=None, description="The node with the run of the result.")
    serial: NodeName | None = Field(default=None, description="The node with the serial number.")
    counter: NodeName | None = Field(default=None, description="The node that counts results.")
    created: NodeName | None = Field(
        default=None,
        description="The node with the time at which the result was made: a `DateTime`, or a text of RFC 3339.",
    )
    temperature: NodeName | None = Field(
        default=None, description="The node with the part's temperature in degrees Celsius."
    )


Results = Annotated[
    JsonResults | CsvResults | ArrayResults | StructureResults | DocumentResults,
    Discriminator("form"),
]

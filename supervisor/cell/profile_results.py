"""What a profile says of results: where the measured values stand and what proves that they belong to a run.

Rules of this file:
- A form says how values are laid out, its source where they come from.
- Every value has a unit, and every quality code a meaning.
"""

from typing import Annotated, Literal

from pydantic import Discriminator, Field

from supervisor.cell.profile_values import Key, NodeName, Part, QualityWord, Text


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

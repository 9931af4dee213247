"""How good a shipped profile is: rules with names, and what each profile answers to each.

Rules of this file:
- The rules are written once, here; the answers are data beside the profiles, one file each. A meta test asks every profile.
- "done" names the tests that show it, "open" and "exempt" say why. Nothing is done because somebody says so.
- A rule asks only the kinds of machine that it makes sense for.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator
from ruamel.yaml import YAML

from supervisor.cell.profile_language import shipped_profiles
from supervisor.cell.value import value

Kind = Literal["station", "handler", "reader"]
Grade = Literal["done", "open", "exempt"]
GRADES: Mapping[Grade, str] = {
    "done": "it is so, and the tests that are named show it",
    "open": "it is not so yet, or nothing shows it; the reason says what is missing",
    "exempt": "it cannot be so for this model; the reason says why",
}

STATION: tuple[Kind, ...] = ("station",)
MOVING: tuple[Kind, ...] = ("station", "handler")
ALL: tuple[Kind, ...] = ("station", "handler", "reader")


@value
class Rule:
    """One question to a profile: its name, the question in a sentence that can be true, and whom it asks."""

    name: str
    holds: str
    kinds: tuple[Kind, ...]


RULES: tuple[Rule, ...] = (
    # what it shows
    Rule(name="shows-mode", holds="Automatic, manual and fault are told apart.", kinds=MOVING),
    Rule(
        name="shows-door",
        holds="Open and closed come from the station itself, and not from each other: neither is the other's absence.",
        kinds=STATION,
    ),
    Rule(
        name="shows-presence",
        holds="Whether something is in the nest, in a jaw, at a place, is sensed there.",
        kinds=ALL,
    ),
    Rule(
        name="shows-work",
        holds="Idle, running, finished and aborted are told apart.",
        kinds=STATION,
    ),
    Rule(
        name="shows-part-free",
        holds="The pallet may leave while evaluation goes on.",
        kinds=STATION,
    ),
    Rule(
        name="gates-the-start",
        holds="Calibration and qualification that the station reports keep it from measuring when they are not in order.",
        kinds=STATION,
    ),
    Rule(
        name="shows-life",
        holds="A machine whose server answers while its controller stands still is found out.",
        kinds=MOVING,
    ),
    # how it takes orders
    Rule(
        name="gives-an-order-once",
        holds="An order that is given twice, or whose answer was lost, is carried out once.",
        kinds=MOVING,
    ),
    Rule(
        name="tells-refusal-from-doubt",
        holds="No, yes and no answer are three answers.",
        kinds=ALL,
    ),
    Rule(
        name="refuses-start-with-open-door",
        holds="The station itself refuses a start while its door is open.",
        kinds=STATION,
    ),
    Rule(name="aborts", holds="A run can be ended without a result.", kinds=STATION),
    Rule(
        name="clears-faults",
        holds="A fault whose cause is gone can be cleared from here.",
        kinds=STATION,
    ),
    Rule(
        name="takes-a-permit",
        holds="It begins no motion once the supervisor sleeps, and refuses one that was replaced.",
        kinds=MOVING,
    ),
    # what it measured, what it read
    Rule(
        name="proves-belonging",
        holds="Each result proves which run it belongs to.",
        kinds=STATION,
    ),
    Rule(
        name="keeps-the-result",
        holds="A result that came while nobody listened can be had afterwards, until it is acknowledged.",
        kinds=STATION,
    ),
    Rule(
        name="gives-units",
        holds="Values come with their unit.",
        kinds=STATION,
    ),
    Rule(
        name="tells-no-tag-from-several",
        holds="No tag, one tag, several tags and a failed reading are four answers.",
        kinds=("reader",),
    ),
    # what it survives
    Rule(
        name="survives-silence",
        holds="A server that stands still is noticed, and used again once it goes on.",
        kinds=ALL,
    ),
    Rule(
        name="survives-restart",
        holds="After a restart with other namespace indices the right nodes are read.",
        kinds=ALL,
    ),
    Rule(
        name="refuses-a-stranger",
        holds="Another station, or a node of another type, keeps the link down and is named.",
        kinds=ALL,
    ),
    Rule(
        name="does-without-options",
        holds="What the model leaves optional may be missing; what then cannot be done is said.",
        kinds=ALL,
    ),
    # where it was shown
    Rule(
        name="drives-a-foreign-stack",
        holds="Full use was shown against a server on a stack that nobody here wrote, with the official nodesets where there are some.",
        kinds=ALL,
    ),
    Rule(
        name="drives-the-simulated-cell",
        holds="A simulated machine speaks it, and a whole cell ran on it.",
        kinds=ALL,
    ),
    Rule(
        name="goes-encrypted",
        holds="Full use was shown over a signed and encrypted connection.",
        kinds=ALL,
    ),
    Rule(
        name="proven-at-a-machine",
        holds="It was used with a real machine, and the acceptance protocol is at hand.",
        kinds=ALL,
    ),
)


def _written(answer: object) -> object:
    """``{done: tests}``, ``{open: why}`` or ``{exempt: why}``, with ``note`` where more is to be said."""
    if not isinstance(answer, dict):
        return answer
    said: dict[str, Any] = dict(answer)  # pyright: ignore[reportUnknownArgumentType]
    grades = [grade for grade in GRADES if grade in said]
    if len(grades) != 1:
        message = f"expected one of {', '.join(GRADES)}, found {', '.join(said)}"
        raise ValueError(message)
    content = said.pop(grades[0])
    if grades[0] == "done":
        return {**said, "grade": "done", "by": [content] if isinstance(content, str) else content}
    return {**said, "grade": grades[0], "why": content}


class Answered(BaseModel):
    """What a profile answers to one rule: the grade, and the tests that show it or the reason."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    grade: Grade
    by: list[str] = Field(default_factory=list[str])
    why: str = ""
    note: str = ""

    @model_validator(mode="after")
    def _is_founded(self) -> "Answered":
        if self.grade == "done" and not self.by:
            message = "a rule that is done names a test that shows it, `file::test`"
            raise ValueError(message)
        if self.grade != "done" and len(self.why) < 10:  # noqa: PLR2004 - a reason is a sentence
            message = f"a rule that is {self.grade} says why"
            raise ValueError(message)
        return self


Answer = Annotated[Answered, BeforeValidator(_written)]


class Quality(BaseModel):
    """The answers of one profile, by the names of the rules."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    profile: str
    answers: dict[str, Answer]


def rules_for(kind: Kind) -> tuple[Rule, ...]:
    """The rules that ask this kind of machine, in their order."""
    return tuple(rule for rule in RULES if kind in rule.kinds)


def quality_file(name: str) -> Path:
    """Where the answers of a shipped profile stand."""
    return shipped_profiles() / "quality" / f"{name}.yaml"


def quality_of(name: str) -> Quality:
    """The answers of a shipped profile.

    Raises:
        OSError: it has none.
        ValidationError: they are not written as they have to be.
    """
    reader: Any = YAML(typ="safe")
    return Quality.model_validate(reader.load(quality_file(name).read_text(encoding="utf-8")))

"""The reference page of the profile language, printed from the models and tables themselves.

Rules of this file:
- ``python -m supervisor.cell.profile_reference > docs/reference/profile-language.md`` makes the page; a test fails when it is not
  current.
- What the page says of a key is what stands beside it in the code.
"""

import re
import sys
from collections.abc import Iterable
from types import NoneType
from typing import Annotated, Any, Literal, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from supervisor.cell.fields import Written
from supervisor.cell.profile_language import (
    FIELD_KINDS,
    LIMIT_S_MAX,
    NODE_TYPES,
    ORDER_FIELDS,
    AfterOutage,
    Argument,
    ArrayResults,
    Assignment,
    Bit,
    CallOrder,
    Case,
    Check,
    Columns,
    Condition,
    CountOrder,
    CsvResults,
    DocumentResults,
    Ends,
    EventField,
    EventSource,
    Facet,
    Find,
    FirstOrder,
    HandlerEchoes,
    HandlerFacets,
    HandlerOrders,
    HandlerProfile,
    Heartbeat,
    JsonResults,
    Matching,
    Node,
    Outputs,
    Pick,
    PulseOrder,
    Query,
    ReaderFacets,
    ReaderOrders,
    ReaderProfile,
    RenewedPermit,
    ResultCall,
    StationEchoes,
    StationFacets,
    StationOrders,
    StationProfile,
    StepsOrder,
    Stored,
    StructureResults,
    Switch,
    TagMemory,
    TagOrder,
    TagsFound,
    ToggleOrder,
    WriteOrder,
)
from supervisor.cell.shipped import shipped_names, shipped_profile

INTRODUCTION = """\
# The profile language

<!-- Printed by `python -m supervisor.cell.profile_reference`; a test compares. -->

An interface profile says how one make of station, handler or tag reader maps to the words of the cell: which OPC UA nodes to read,
write and call, and what their codes mean. It is a YAML file `<profile>.yaml`, written like
[the files of a cell](cell-file.md), and computes nothing. How to write one: [a guide](../how-to/write-a-profile.md).

Profiles come with Pointsman, each for another kind of information model. Each has a page that says what it needs, what it discovers
and what it cannot do, and answers [the quality scale](profile-quality.md):

SHIPPED

A profile may extend another one (`extends`): entries of `namespaces`, `nodes`, `events`, `facets`, `echoes` and `orders` are taken over
one by one, an entry that the extending file states replaces the whole entry, and so does `results`, `heartbeat`, `permit` or `root` as a whole.
Editors that know JSON Schema can help with writing: [the schema](profile.schema.json); with `# yaml-language-server: $schema=` and
its place in the first line of a file many of them check it and complete it.

What holds for all of them:

- A namespace is named by its URI and found anew on every connection. Every node is checked for its class, its browse name and its
  type each time; a wrong one keeps the link down, and the report names node, what was expected and what was found.
- A value of uncertain or bad quality is `unknown`, and so is everything while the link is down.
- Values are written with the type that the node has at the station, without status and timestamps.
- What comes as an event is latched, and ends as the profile says. Events that fell into an outage are lost for good: what they would have
  said is read or asked on every connection before anything counts, and a profile that does not say how is refused.
- An order that is not answered in time is in doubt: it may have been carried out, and it is not repeated.
"""

SECTIONS: tuple[tuple[str, tuple[type[BaseModel], ...]], ...] = (
    ("A profile", (StationProfile, HandlerProfile, ReaderProfile)),
    ("`nodes`", (Node,)),
    ("`events`", (EventSource, EventField, Ends, AfterOutage, Query)),
    ("`facets`", (StationFacets, HandlerFacets, ReaderFacets)),
    ("A facet", (Facet, Pick, Bit, Switch, Case, Condition)),
    ("`echoes`", (StationEchoes, HandlerEchoes)),
    ("`heartbeat`", (Heartbeat,)),
    ("`orders`", (StationOrders, HandlerOrders, ReaderOrders)),
    ("`permit`", (RenewedPermit,)),
    (
        "An order",
        (
            WriteOrder,
            PulseOrder,
            ToggleOrder,
            CountOrder,
            CallOrder,
            StepsOrder,
            FirstOrder,
            TagOrder,
            TagsFound,
            TagMemory,
        ),
    ),
    ("What is handed over", (Assignment, Argument, Outputs, Check)),
    (
        "`results`",
        (
            JsonResults,
            CsvResults,
            DocumentResults,
            ArrayResults,
            StructureResults,
            ResultCall,
            Find,
            Matching,
            Stored,
        ),
    ),
    ("`columns`", (Columns,)),
)

TITLES: dict[type[BaseModel], str] = {
    StationProfile: "`kind: station`",
    HandlerProfile: "`kind: handler`",
    ReaderProfile: "`kind: reader`",
    StationFacets: "Of a station",
    HandlerFacets: "Of a handler",
    ReaderFacets: "Of a tag reader",
    StationEchoes: "Of a station",
    HandlerEchoes: "Of a handler",
    StationOrders: "Of a station",
    HandlerOrders: "Of a handler",
    ReaderOrders: "Of a tag reader",
    EventField: "`fields`",
    Ends: "`ends`",
    AfterOutage: "`after_outage`",
    Query: "`query`",
    Pick: "`pick`",
    Bit: "`bits`",
    Switch: "`switches`",
    Case: "`cases`",
    Condition: "`when`",
    WriteOrder: "`by: write`",
    PulseOrder: "`by: pulse`",
    ToggleOrder: "`by: toggle`",
    CountOrder: "`by: count`",
    CallOrder: "`by: call`",
    StepsOrder: "`by: steps`",
    FirstOrder: "`by: first`",
    Check: "`checks`",
    TagOrder: "`by: call`, for a tag reader",
    TagsFound: "`found`",
    TagMemory: "`memory`",
    Assignment: "`before`",
    Argument: "`arguments`",
    Outputs: "`outputs`",
    JsonResults: "`form: json`",
    CsvResults: "`form: csv`",
    DocumentResults: "`form: document`",
    ResultCall: "`call`",
    Find: "`find`",
    Matching: "`where`",
    Stored: "`stored`",
    ArrayResults: "`form: arrays`",
    StructureResults: "`form: structures`",
}


def profile_page() -> str:
    """The whole page."""
    blocks = [INTRODUCTION.rstrip("\n").replace("SHIPPED", _shipped())]
    for title, models in SECTIONS:
        blocks.append(f"## {title}")
        for model in models:
            blocks += _mapping(model)
        if models == (Node,):
            blocks += _node_types()
        if WriteOrder in models:
            blocks.append(
                f"`limit_s` is more than 0 and at most {LIMIT_S_MAX:g}. In a simulated cell that runs faster than life, limits"
                " shrink with it, to no less than 2 s."
            )
    blocks += ["## Fields of the goals", _goal_fields()]
    return "\n\n".join(blocks) + "\n"


def _shipped() -> str:
    rows = [
        (f"`{name}`", f"[{shipped_profile(name).title}](profile-{name}.md)")
        for name in shipped_names()
    ]
    return _table(("profile", "for"), rows)


def _mapping(model: type[BaseModel]) -> list[str]:
    title = [f"### {TITLES[model]}"] if model in TITLES else []
    paragraphs = re.split(r"\n\s*\n", (model.__doc__ or "").strip())
    said = [" ".join(paragraph.split()) for paragraph in paragraphs]
    rows = [
        (f"`{field.alias or name}`", _value(field), _left_out(field), field.description or "")
        for name, field in model.model_fields.items()
    ]
    return [*title, *said, _table(("key", "value", "if left out", "meaning"), rows)]


def _node_types() -> list[str]:
    return [f"Types: {', '.join(f'`{name}`' for name in NODE_TYPES)}."]


def _goal_fields() -> str:
    rows = [
        (f"`{order}`", ", ".join(f"`{name}` ({FIELD_KINDS[name]})" for name in fields))
        for order, fields in ORDER_FIELDS.items()
    ]
    return _table(("order", "fields that it can hand over"), rows)


def _table(head: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> str:
    lines = [head, tuple("---" for _ in head), *rows]
    return "\n".join(f"| {' | '.join(cells)} |" for cells in lines)


def _value(field: FieldInfo) -> str:
    for extra in field.metadata:
        if isinstance(extra, Written):
            return extra.words
    return _words(field.annotation)


def _words(annotation: Any) -> str:  # noqa: ANN401 - annotations have no common type
    """How a value of this annotation is written."""
    origin, arguments = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        said = [extra.words for extra in arguments[1:] if isinstance(extra, Written)]
        return said[0] if said else _words(arguments[0])
    if origin is Literal:
        return ", ".join(f"`{word}`" for word in arguments)
    if origin is list:
        return f"list of {_words(arguments[0])}s"
    if origin is not None and NoneType in arguments:
        return _words(next(one for one in arguments if one is not NoneType))
    return _plain(annotation)


def _plain(annotation: object) -> str:
    text = repr(annotation)
    if isinstance(annotation, type) and issubclass(annotation, Facet):
        return "facet"
    if annotation is int:
        return "whole number"
    return (
        "one of our words"
        if text.startswith("~")
        else "order"
        if "WriteOrder" in text
        else "mapping"
    )


def _left_out(field: FieldInfo) -> str:
    if field.is_required():
        return "**needed**"
    default = field.get_default(call_default_factory=True, validated_data={})
    return f"`{default}`" if isinstance(default, int | str) and default != "" else ""


if __name__ == "__main__":
    sys.stdout.write(profile_page())

"""The reference page of the cell folder, printed from the models, tables and checks themselves.

Rules of this file:
- ``python -m supervisor.cell.reference > docs/reference/cell-file.md`` makes the page; a test fails when it is not current.
- What the page says of a field, a kind or a check is what stands beside it in the code.
"""

import sys
from collections.abc import Iterable, Iterator
from decimal import Decimal
from types import NoneType, UnionType
from typing import (
    Annotated,
    Any,
    Literal,
    Union,  # pyright: ignore[reportDeprecated] - get_origin answers with this one
    get_args,
    get_origin,
)

from pydantic.fields import FieldInfo

from supervisor.cell.checks import CHECKS
from supervisor.cell.fields import Declared, Written
from supervisor.cell.iso286 import GRADE_MAX, GRADE_MIN, LETTERS, SIZE_MM_MAX
from supervisor.cell.kinds import KINDS, UNITS, KindName
from supervisor.cell.plan_checks import LINE_CHECKS, lines_make_sense
from supervisor.cell.receivers import ReceiverEntry
from supervisor.cell.schema import (
    AnswerEntry,
    AverageEntry,
    CalibrationEntry,
    CellFile,
    CharacteristicEntry,
    CheckEntry,
    CoverageEntry,
    DecisionRuleEntry,
    DerivedEntry,
    ExpansionEntry,
    HandlerEntry,
    LimitsEntry,
    MaterialEntry,
    OffsetEntry,
    OffsetsFile,
    PartTypeFile,
    PlaceEntry,
    ProgramEntry,
    ProgramsFile,
    ReaderEntry,
    ReferenceEntry,
    ReferenceValueEntry,
    RoutingEntry,
    SoakEntry,
    StationEntry,
    ToolOffsetEntry,
    UrgencyEntry,
    VouchesEntry,
)
from supervisor.cell.security import SecurityEntry

INTRODUCTION = """\
# The cell folder

<!-- Printed by `python -m supervisor.cell.reference`; a test compares. -->

An integrator declares a cell in one folder of YAML files. It is loaded whole and checked whole, before anything is
connected: `pointsman check FOLDER` names every mistake with file, line, column, field, what was expected, what was found and
what to do.

| file | content |
| --- | --- |
| `cell.yaml` | handler, stations, tag readers, places |
| `part-types/*.yaml` | one part type each, with its inspection plan |
| `programs.yaml` | the measurement programs of all stations |
| `offsets.yaml` | agreed offsets between stations, where there are any |
| `profiles/*.yaml` | interface profiles of the cell's own; those that come with Pointsman need not be copied |

How the files are written:

- YAML 1.2, UTF-8, one document each. Anchors, aliases, merge keys, tags and directives are refused, and so is a key that
  stands twice.
- Unknown keys are refused, with the nearest known one as advice.
- A *name* is made of lower-case letters, digits and single hyphens, at most 40 characters: `touch-1`.
- A *text* is taken as written: `revision: 1.10` is 1.10, not 1.1. Quotes are needed where a text looks like `true` or has a
  colon or a `#` in it.
- A *number* has a decimal point and no unit, and is exact: `25.010`. An *address* is that of an OPC UA server:
  `opc.tcp://10.1.0.21:4840`, without user and password.
- Lengths are in mm, times in seconds (to the millisecond), uncertainties in the unit of their characteristic.
"""

SECTIONS: tuple[tuple[str, type[Declared]], ...] = (
    ("The cell: `cell.yaml`", CellFile),
    ("`handler`", HandlerEntry),
    ("`stations`", StationEntry),
    ("`calibration`", CalibrationEntry),
    ("`readers`", ReaderEntry),
    ("`places`", PlaceEntry),
    ("`security`", SecurityEntry),
    ("`decision_rule`", DecisionRuleEntry),
    ("`routing`", RoutingEntry),
    ("`urgencies`", UrgencyEntry),
    ("`receivers`", ReceiverEntry),
    ("A part type: `part-types/*.yaml`", PartTypeFile),
    ("`expansion`", ExpansionEntry),
    ("`soak`", SoakEntry),
    ("`plan`", CharacteristicEntry),
    ("`limits`", LimitsEntry),
    ("`derived`", DerivedEntry),
    ("`material`", MaterialEntry),
    ("`average`", AverageEntry),
    ("`answers_to`", AnswerEntry),
    ("`tool_offsets`", ToolOffsetEntry),
    ("`reference`", ReferenceEntry),
    ("`values` of a reference part", ReferenceValueEntry),
    ("`vouches_for`", VouchesEntry),
    ("`checks` of a reference part", CheckEntry),
    ("Programs: `programs.yaml`", ProgramsFile),
    ("`programs`", ProgramEntry),
    ("`covers`", CoverageEntry),
    ("Offsets: `offsets.yaml`", OffsetsFile),
    ("`offsets`", OffsetEntry),
)

NEEDS = {
    "entries": "Checked always, on every entry that is sound by itself",
    "names": "Checked once every file can be read",
    "whole": "Checked once there is no error so far",
}


def reference_page() -> str:
    """The whole page."""
    blocks = [INTRODUCTION.rstrip("\n")]
    for title, model in SECTIONS:
        level = "###" if title.startswith("`") else "##"
        blocks += [f"{level} {title}", _description(model), _fields_table(model)]
        blocks += _ISO_286 if model is LimitsEntry else ()
    blocks += ["## Kinds of characteristics", _kinds_table()]
    blocks += ["## What is checked", *_checks()]
    return "\n\n".join(blocks) + "\n"


_ISO_286 = (
    f"Tolerance codes after ISO 286 are known for sizes above 0 up to {SIZE_MM_MAX} mm, grades {GRADE_MIN} to {GRADE_MAX} and the "
    f"letters {', '.join(LETTERS)} for shafts and the same in capitals for holes (K up to grade 8, t and T above 24 mm). "
    "Anything else is written out as limits.",
)


def _description(model: type[Declared]) -> str:
    return (model.__doc__ or "").strip()


def _fields_table(model: type[Declared]) -> str:
    rows = [
        (f"`{name}`", _written(field), _default(field), field.description or "")
        for name, field in model.model_fields.items()
    ]
    return _table(("key", "value", "if left out", "meaning"), rows)


def _kinds_table() -> str:
    rows = [
        (
            name,
            ", ".join(UNITS[kind.quantity]),
            "0, one limit" if kind.natural_limit == "zero" else "as drawn",
            {"never": "none", "always": "needed", "free": "may be"}[kind.datum],
            "yes" if kind.fit == "possible" else "no",
        )
        for name, kind in KINDS.items()
    ]
    return _table(("kind", "units", "nominal", "datum", "tolerance code"), rows)


def _checks() -> Iterator[str]:
    yield "Beyond the form of the files. A *warning* leaves the cell usable."
    for needs, words in NEEDS.items():
        sentences = [
            sentence
            for entry in CHECKS
            if entry.needs == needs
            for sentence in _sentences(entry.check)
        ]
        yield f"{words}:"
        yield "\n".join(f"- {sentence}" for sentence in sentences)


def _sentences(check: Any) -> list[str]:  # noqa: ANN401 - any function with a docstring
    checks = LINE_CHECKS if check is lines_make_sense else (check,)
    return [" ".join((one.__doc__ or "").split()) for one in checks]


def _table(head: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> str:
    lines = [head, tuple("---" for _ in head), *rows]
    escaped = ([cell.replace("|", "\\|") for cell in cells] for cells in lines)
    return "\n".join(f"| {' | '.join(cells)} |" for cells in escaped)


def _written(field: FieldInfo) -> str:
    for extra in field.metadata:
        if isinstance(extra, Written):
            return extra.words
    return _words(field.annotation)


def _words(annotation: Any) -> str:  # noqa: ANN401 - annotations have no common type
    """How a value of this annotation is written."""
    origin, arguments = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        return next((m.words for m in arguments if isinstance(m, Written)), _words(arguments[0]))
    if origin in {Union, UnionType}:  # pyright: ignore[reportDeprecated]
        return ", ".join(_words(one) for one in arguments if one is not NoneType)
    if annotation == KindName:
        return "one of the [kinds](#kinds-of-characteristics)"
    if origin is Literal:
        return ", ".join(f"`{word}`" for word in arguments)
    if origin is list:
        return "list"
    return "mapping"


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "**needed**"
    default = field.get_default(call_default_factory=True, validated_data={})
    if default is None or isinstance(default, Declared):
        return ""
    return str(default) if isinstance(default, Decimal | int) else f"`{default}`"


if __name__ == "__main__":
    sys.stdout.write(reference_page())

"""The checks of what a profile says of results.

Rules of this file:
- A check yields problems and goes on; it never raises and never stops at the first.
- What stands in a text or a structure, the first result says.
"""

from supervisor.cell.profile_checks import (
    FieldPath,
    Problems,
    ProfileProblem,
    check_shown,
)
from supervisor.cell.profile_language import (
    REAL_TYPES,
    TEXT_TYPES,
    WHOLE_TYPES,
    ArrayResults,
    Columns,
    CsvResults,
    DocumentResults,
    Fetched,
    JsonResults,
    Profile,
    StructureResults,
)
from supervisor.cell.profile_order_checks import check_call

AnyResults = JsonResults | CsvResults | ArrayResults | StructureResults | DocumentResults

TEXTS = ("String", "ByteString", "File")


def check_results(profile: Profile, results: AnyResults) -> Problems:
    """The columns and proofs of a result stand where its form puts them, and every value has a unit."""
    at: FieldPath = ("results",)
    if results.unit is None and results.columns.unit is None:
        yield ProfileProblem(
            (*at, "unit"), "nothing", "a unit for every value", "add `unit: mm`, or a unit column"
        )
    if results.columns.quality is not None and "good" not in results.qualities.values():
        yield ProfileProblem(
            (*at, "qualities"),
            "no code for `good`",
            "what the quality column's codes mean",
            "add `qualities:`",
        )
    match results:
        case JsonResults():
            yield from _fetched(profile, at, results, TEXTS)
        case CsvResults():
            yield from _fetched(profile, at, results, TEXTS)
            yield from _csv_columns(at, results)
        case DocumentResults():
            yield from _fetched(
                profile, at, results, ("Structure", "Structure[]", "Variant", "Variant[]")
            )
        case ArrayResults():
            yield from _arrays(profile, at, results)
        case StructureResults():
            yield from check_shown(profile, (*at, "node"), results.node, ("Structure[]",))
            yield from _proof_nodes(profile, at, results)


def _arrays(profile: Profile, at: FieldPath, results: ArrayResults) -> Problems:
    columns: Columns = results.columns
    allowed = {
        "number": (*TEXT_TYPES, *WHOLE_TYPES),
        "value": (*REAL_TYPES, *WHOLE_TYPES),
        "unit": TEXT_TYPES,
        "quality": ("Boolean", *TEXT_TYPES, *WHOLE_TYPES),
    }
    for key, types in allowed.items():
        arrays = tuple(f"{name}[]" for name in types)
        yield from check_shown(profile, (*at, "columns", key), getattr(columns, key), arrays)
    yield from check_shown(profile, (*at, "rows"), results.rows, WHOLE_TYPES)
    yield from _proof_nodes(profile, at, results)


def _proof_nodes(
    profile: Profile, at: FieldPath, results: ArrayResults | StructureResults
) -> Problems:
    yield from check_shown(profile, (*at, "run"), results.run, (*TEXT_TYPES, *WHOLE_TYPES))
    yield from check_shown(profile, (*at, "serial"), results.serial, TEXT_TYPES)
    yield from check_shown(profile, (*at, "counter"), results.counter, WHOLE_TYPES)
    numbers = (*REAL_TYPES, *WHOLE_TYPES)
    yield from check_shown(profile, (*at, "temperature"), results.temperature, numbers)


def _fetched(profile: Profile, at: FieldPath, results: Fetched, types: tuple[str, ...]) -> Problems:
    """A result in one piece comes from one place."""
    if (results.node is None) == (results.call is None):
        found = "both" if results.node is not None else "neither"
        yield ProfileProblem(
            at, found, "either `node` or `call`", "say where the result comes from in one way"
        )
        return
    yield from check_shown(profile, (*at, "node"), results.node, types)
    call = results.call
    if call is None:
        return
    here = (*at, "call")
    yield from check_call(profile, here, call.node, call.arguments)
    for key in ("output", "status"):
        position = getattr(call, key)
        if position is not None and position < 1:
            remedy = "the first output is number 1"
            yield ProfileProblem((*here, key), str(position), "a position from 1", remedy)
    if (call.status is None) != (not call.accepted):
        missing = "status" if call.status is None else "accepted"
        yield ProfileProblem(
            (*here, missing), "nothing", "`status` and `accepted` together", f"add `{missing}:`"
        )


def _csv_columns(at: FieldPath, results: CsvResults) -> Problems:
    for key in ("number", "value", "unit", "quality"):
        column = getattr(results.columns, key)
        if column is None or results.heading == "present":
            continue
        if not (column.isdigit() and int(column) > 0):
            yield ProfileProblem(
                (*at, "columns", key),
                column,
                "the position of the column, from 1",
                "write the position as a text, such as `'2'`",
            )
    if results.separator == results.decimal:
        yield ProfileProblem(
            (*at, "decimal"), results.decimal, "another character than the separator", "correct one"
        )

"""The checks of what a profile says of results.

Rules of this file:
- A check yields problems and goes on; it never raises and never stops at the first.
- What stands in a text or a structure, the first result says.
"""

from collections.abc import Iterable

from supervisor.cell.problem import choose_instead, one_of
from supervisor.cell.profile_checks import (
    FieldPath,
    Problems,
    ProfileProblem,
    check_address,
    check_shown,
)
from supervisor.cell.profile_language import (
    ORDER_FIELDS,
    REAL_TYPES,
    TEXT_TYPES,
    WHOLE_TYPES,
    Argument,
    ArrayResults,
    Columns,
    CsvResults,
    DocumentResults,
    Fetched,
    Find,
    JsonResults,
    Profile,
    ResultCall,
    Stored,
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
            yield from _document(profile, at, results)
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
    yield from check_shown(profile, (*at, "created"), results.created, ("DateTime", "String"))
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
    here: FieldPath = (*at, "call")
    for way in () if results.call is None else results.call.ways():
        yield from check_call(profile, here, way.node, way.arguments)
        yield from _outputs(here, way)
        yield from _find(profile, here, way)
        here = (*here, "instead")


def _outputs(here: FieldPath, call: ResultCall | Find | Stored) -> Problems:
    """Positions count from 1, and a status needs to be explained."""
    for key in ("output", "status"):
        position = getattr(call, key, None)
        if position is not None and position < 1:
            remedy = "the first output is number 1"
            yield ProfileProblem((*here, key), str(position), "a position from 1", remedy)
    if (call.status is None) != (not call.accepted):
        missing = "status" if call.status is None else "accepted"
        yield ProfileProblem(
            (*here, missing), "nothing", "`status` and `accepted` together", f"add `{missing}:`"
        )


def _find(profile: Profile, here: FieldPath, way: ResultCall) -> Problems:
    """The id of a result is handed over where it is found, and found where it is handed over."""
    find = way.find
    if (find is not None) != _hands_over(way.arguments, "result_id"):
        found = "`find`" if find is not None else "the field `result_id`"
        remedy = (
            "hand `result_id` over among the arguments"
            if find is not None
            else "say with `find` how it is found"
        )
        yield ProfileProblem((*here, "find"), f"{found} alone", "both or none", remedy)
    if find is None:
        return
    at = (*here, "find")
    yield from check_call(profile, at, find.node, find.arguments)
    yield from _outputs(at, find)
    yield from check_address(profile, (*at, "where", "type"), find.where.type_, "id")
    yield from check_address(profile, (*at, "where", "path"), find.where.path, "path")
    fields = ORDER_FIELDS["find"]
    if find.where.field not in fields or _hands_over(find.arguments, "result_id"):
        yield ProfileProblem(
            (*at, "where", "field"),
            find.where.field,
            f"a field of the run: {one_of(fields)}",
            choose_instead(find.where.field, fields, "the id is not known before it is found"),
        )


def _hands_over(arguments: Iterable[Argument], field: str) -> bool:
    """Whether an argument, or a part of one, is this field."""
    return any(
        one.field == field
        or _hands_over((one.members or {}).values(), field)
        or _hands_over(one.items or (), field)
        for one in arguments
    )


def _document(profile: Profile, at: FieldPath, results: DocumentResults) -> Problems:
    """What is told of a stored result names it, so the result says how it is called."""
    for path, contents in results.ready.items():
        if not contents:
            remedy = "list what it shows when the result is ready"
            yield ProfileProblem((*at, "ready", path), "nothing", "at least one content", remedy)
    stored = results.stored
    if stored is None:
        return
    here = (*at, "stored")
    yield from check_call(profile, here, stored.node, stored.arguments)
    yield from _outputs(here, stored)
    if results.id is None and _hands_over(stored.arguments, "result_id"):
        remedy = "say where the result's own id stands"
        yield ProfileProblem((*at, "id"), "nothing", "the path of the result's id", remedy)


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

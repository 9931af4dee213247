"""From result nodes to measured values.

Rules of this file:
- What a station gave is kept: its number, its unit, its quality. A value that is no finite number is None and bad.
- A result states its own proof of belonging where the profile says that it can; nothing is guessed.
- Results are only ever taken apart whole: one row that cannot be read makes the result unreadable.
"""

import json
import math
from collections.abc import Mapping
from typing import Any, cast

import msgspec

from supervisor.cell.profile_language import (
    ArrayResults,
    JsonResults,
    Rows,
    StationProfile,
    StructureResults,
)
from supervisor.cell.value import value
from supervisor.stations.decode import name_of
from supervisor.stations.reading import Reading
from supervisor.stations.structures import Structure
from supervisor.stations.trouble import ResultUnreadable
from supervisor.verdict.result import MeasuredValue, Quality

AnyResults = JsonResults | ArrayResults | StructureResults
Readings = Mapping[str, Reading]


@value
class Report:
    """A result as the station gave it; "" and -1 where it offers no such proof."""

    run_id: str
    serial: str
    counter: int
    source_ms: int
    values: tuple[MeasuredValue, ...]


def result_nodes(results: AnyResults) -> tuple[str, ...]:
    """The nodes that make up a result, each once."""
    columns = results.columns
    match results:
        case JsonResults():
            names = [results.node]
        case ArrayResults():
            names = [columns.number, columns.value, columns.unit, columns.quality]
            names += [results.rows, results.run, results.serial, results.counter]
        case StructureResults():
            names = [results.node, results.run, results.serial, results.counter]
    return tuple(dict.fromkeys(name for name in names if name is not None))


def proof_nodes(profile: StationProfile) -> tuple[str, ...]:
    """The nodes that must read the same before and after the result, or another run has got in between."""
    results, echoes = profile.results, profile.echoes
    own = [] if isinstance(results, JsonResults) else [results.run, results.serial, results.counter]
    names = [*own, echoes.run, echoes.counter]
    return tuple(dict.fromkeys(name for name in names if name is not None))


def proves_itself(results: AnyResults) -> bool:
    """Whether one single node holds the values and the run that they belong to: then a notification of it is a whole result."""
    return isinstance(results, JsonResults) and results.run is not None


def report_of(results: AnyResults, readings: Readings, structure: Structure | None) -> Report:
    """Take a result apart.

    Raises:
        ResultUnreadable: a node is not good, or does not hold what the profile says.
    """
    for name in result_nodes(results):
        if readings[name].quality != "good":
            message = f"node {name} is {readings[name].quality}"
            raise ResultUnreadable(message)
    match results:
        case JsonResults():
            return _from_json(results, readings)
        case ArrayResults():
            return _from_arrays(results, readings)
        case StructureResults():
            assert structure is not None
            return _from_structures(results, readings, structure)


# --- forms ----------------------------------------------------------------------------------------------------------------


def _from_json(results: JsonResults, readings: Readings) -> Report:
    reading = readings[results.node]
    document = _document(results.node, reading.value)
    rows = document.get(results.rows)
    if not isinstance(rows, list):
        message = f"node {results.node}: the JSON text has no list `{results.rows}`"
        raise ResultUnreadable(message)
    columns = results.columns
    return Report(
        run_id=name_of(document.get(results.run)) if results.run else "",
        serial=name_of(document.get(results.serial)) if results.serial else "",
        counter=_counter(document.get(results.counter)) if results.counter else -1,
        source_ms=reading.source_ms,
        values=tuple(
            _measured(results, _of_mapping(row, columns.number), *_cells(results, row))
            for row in cast("list[Any]", rows)
        ),
    )


def _document(node: str, text: Any) -> dict[str, Any]:
    """A JSON object. NaN and Infinity are no JSON, but stations write them, so they are read as what they mean."""
    try:
        document = msgspec.json.decode(text or "")
    except (msgspec.MsgspecError, TypeError):
        try:
            document = json.loads(text or "")
        except (ValueError, TypeError) as error:
            message = f"node {node} holds no JSON text ({error})"
            raise ResultUnreadable(message) from error
    if not isinstance(document, dict):
        message = f"node {node} holds a JSON text that is no object"
        raise ResultUnreadable(message)
    return cast("dict[str, Any]", document)


def _from_arrays(results: ArrayResults, readings: Readings) -> Report:
    columns = results.columns
    names = (columns.number, columns.value, columns.unit, columns.quality)
    arrays = [None if name is None else _array(name, readings) for name in names]
    numbers = cast("list[Any]", arrays[0])
    count = len(numbers) if results.rows is None else int(readings[results.rows].value or 0)
    for name, array in zip(names, arrays, strict=True):
        if array is not None and not 0 <= count <= len(array):
            message = f"node {name} has {len(array)} entries, {count} are in use"
            raise ResultUnreadable(message)
    values = tuple(
        _measured(results, *(None if array is None else array[row] for array in arrays))
        for row in range(count)
    )
    return _with_proof(results, readings, values)


def _array(name: str, readings: Readings) -> list[Any]:
    content = readings[name].value
    if isinstance(content, bytes):  # an array of Byte may travel as a ByteString
        return list(content)
    if not isinstance(content, list):
        message = f"node {name} holds no array"
        raise ResultUnreadable(message)
    return cast("list[Any]", content)


def _from_structures(results: StructureResults, readings: Readings, structure: Structure) -> Report:
    rows = structure.rows(readings[results.node].value)
    number = results.columns.number
    values = tuple(
        _measured(results, _of_mapping(row, number), *_cells(results, row)) for row in rows
    )
    return _with_proof(results, readings, values)


def _with_proof(
    results: ArrayResults | StructureResults, readings: Readings, values: tuple[MeasuredValue, ...]
) -> Report:
    return Report(
        run_id=name_of(readings[results.run].value) if results.run else "",
        serial=name_of(readings[results.serial].value) if results.serial else "",
        counter=_counter(readings[results.counter].value) if results.counter else -1,
        source_ms=max(readings[name].source_ms for name in result_nodes(results)),
        values=values,
    )


def _counter(content: Any) -> int:
    return content if isinstance(content, int) and not isinstance(content, bool) else -1


# --- rows -----------------------------------------------------------------------------------------------------------------


def _cells(results: Rows, row: Any) -> tuple[Any, Any, Any]:
    """Value, unit and quality of a row that is a mapping."""
    columns = results.columns
    return (
        _of_mapping(row, columns.value),
        _of_mapping(row, columns.unit) if columns.unit else None,
        _of_mapping(row, columns.quality) if columns.quality else None,
    )


def _of_mapping(row: Any, column: str) -> Any:
    if not isinstance(row, dict) or column not in row:
        message = f"a row of the result has no `{column}`"
        raise ResultUnreadable(message)
    return cast("dict[str, Any]", row)[column]


def _measured(results: Rows, number: Any, content: Any, unit: Any, quality: Any) -> MeasuredValue:
    finite = _finite(content)
    return MeasuredValue(
        number=_number(results, number),
        value=finite,
        unit=str(unit or results.unit or ""),
        quality="bad" if finite is None else _quality(results, quality),
    )


def _finite(content: Any) -> float | None:
    if isinstance(content, bool) or not isinstance(content, int | float):
        return None
    return float(content) if math.isfinite(content) else None


def _quality(results: Rows, code: Any) -> Quality:
    """Good where the station gives no quality; a code that the profile does not list is bad."""
    if results.columns.quality is None:
        return "good"
    key = ("true" if code else "false") if isinstance(code, bool) else str(code)
    return results.qualities.get(key, "bad")


def _number(results: Rows, number: Any) -> str:
    """The characteristic's number: text as it is, a whole number in digits."""
    if isinstance(number, float) and number.is_integer():
        number = int(number)
    if isinstance(number, int) and not isinstance(number, bool):
        return f"{results.prefix}{number:0{max(results.digits, 1)}d}"
    if isinstance(number, str) and number:
        return f"{results.prefix}{number}"
    message = f"a row of the result has the characteristic number {number!r}"
    raise ResultUnreadable(message)

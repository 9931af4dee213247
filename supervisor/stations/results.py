"""From result nodes to measured values.

Rules of this file:
- What a station gave is kept: its number, its unit, its quality. A value that is no finite number is None and bad.
- A result states its own proof of belonging where the profile says that it can; nothing is guessed.
- Results are only ever taken apart whole: one row that cannot be read makes the result unreadable.
"""

import json
import math
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from typing import Any, Literal, cast

import msgspec

from supervisor.cell.profile_language import (
    ArrayResults,
    CsvResults,
    DocumentResults,
    JsonResults,
    Node,
    Rows,
    StationProfile,
    StructureResults,
)
from supervisor.cell.value import replace, value
from supervisor.stations.csv_text import csv_table
from supervisor.stations.decode import name_of
from supervisor.stations.pick import MISSING, field_of
from supervisor.stations.reading import Reading, legible
from supervisor.stations.structures import Structure
from supervisor.stations.trouble import ResultUnreadable
from supervisor.verdict.result import Compensated, MeasuredValue, Quality

AnyResults = JsonResults | CsvResults | ArrayResults | StructureResults | DocumentResults
Readings = Mapping[str, Reading]
NO_NODES: Mapping[str, Node] = {}

COUNTER_MAX = 2**63 - 1
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
COUNTER_DIGITS_MAX = len(str(COUNTER_MAX))


@value
class Report:
    """A result as the station gave it; "" and -1 where it offers no such proof.

    ``created_ms`` is when the station says that it made it; ``part_c`` is the part's temperature, if it is given; ``id`` is what the station calls the result itself.
    ``run_said_by`` is "result" where the run id stands in the document of the values itself.
    """

    run_id: str
    serial: str
    counter: int
    source_ms: int
    values: tuple[MeasuredValue, ...]
    part_c: float | None = None
    compensated: Compensated = "unknown"
    created_ms: int = -1
    id: str = ""
    run_said_by: Literal["", "result"] = ""


def result_nodes(results: AnyResults) -> tuple[str, ...]:
    """The nodes that make up a result, each once."""
    columns = results.columns
    match results:
        case JsonResults() | CsvResults() | DocumentResults():
            names = [results.node if results.call is None else results.call.node]
        case ArrayResults():
            names = [columns.number, columns.value, columns.unit, columns.quality]
            names += [
                results.rows,
                results.run,
                results.serial,
                results.counter,
                results.created,
                results.temperature,
            ]
        case StructureResults():
            names = [results.node, results.run, results.serial, results.counter]
            names += [results.created, results.temperature]
    return tuple(dict.fromkeys(name for name in names if name is not None))


def proof_nodes(profile: StationProfile) -> tuple[str, ...]:
    """The nodes that must read the same before and after the result, or another run has got in between."""
    results, echoes = profile.results, profile.echoes
    own: list[str | None] = []
    if isinstance(results, ArrayResults | StructureResults):
        own = [results.run, results.serial, results.counter, results.created]
    shown = [echo.node for echo in (echoes.run, echoes.counter) if echo is not None]
    names = [*own, *shown]
    return tuple(dict.fromkeys(name for name in names if name is not None))


def proves_itself(results: AnyResults, nodes: Mapping[str, Node] = NO_NODES) -> bool:
    """Whether one single node holds the values and the run that they belong to: then a notification of it is a whole result."""
    if not isinstance(results, JsonResults | CsvResults) or results.node is None:
        return False
    is_file = results.node in nodes and nodes[results.node].type == "File"
    return results.run is not None and not is_file


class ResultReader:
    """Takes the results of one connection apart; made once, because a result is on the way from a message to the next order."""

    def __init__(self, results: AnyResults, structure: Structure | None) -> None:
        self._results = results
        self._structure = structure
        self._measured = _row_maker(results)
        self.nodes = result_nodes(results)
        self._beside = (
            (results.temperature,) if isinstance(results, ArrayResults | StructureResults) else ()
        )

    def report(self, readings: Readings) -> Report:
        """Take a result apart.

        Raises:
            ResultUnreadable: a node is not good, or does not hold what the profile says.
        """
        for name in self.nodes:
            if readings[name].quality != "good" and name not in self._beside:
                message = f"node {name} is {readings[name].quality}"
                raise ResultUnreadable(message)
        results = self._results
        match results:
            case JsonResults():
                reading = readings[self.nodes[0]]
                document = _document(self.nodes[0], reading.value)
                return self._from_document(results, document, reading.source_ms)
            case DocumentResults():
                reading = readings[self.nodes[0]]
                _check_ready(results, reading.value)
                report = self._from_document(results, reading.value, reading.source_ms)
                found = part_of(reading.value, results.id) if results.id else MISSING
                return replace(report, id="" if found is MISSING else name_of(found))
            case CsvResults():
                return self._from_csv(results, readings[self.nodes[0]])
            case ArrayResults():
                return _with_proof(results, readings, self._from_arrays(results, readings))
            case StructureResults():
                assert self._structure is not None
                rows = self._structure.rows(readings[results.node].value)
                return _with_proof(results, readings, self._from_rows(rows))

    def _from_document(
        self, results: JsonResults | DocumentResults, document: Any, source_ms: int
    ) -> Report:
        rows = part_of(document, results.rows)
        if not isinstance(rows, list):
            message = f"node {self.nodes[0]}: the result has no list `{results.rows}`"
            raise ResultUnreadable(message)

        def proof(path: str | None) -> Any:
            found = None if path is None else part_of(document, path)
            return None if found is MISSING else found

        run_id = name_of(proof(results.run))
        return Report(
            run_id=run_id,
            run_said_by="result" if run_id else "",
            serial=name_of(proof(results.serial)),
            counter=_counter(proof(results.counter)),
            source_ms=source_ms,
            values=self._from_rows(cast("list[Any]", rows)),
            part_c=_finite(proof(results.temperature)),
            compensated=results.compensated,
            created_ms=made_ms(self.nodes[0], proof(results.created)),
        )

    def _from_csv(self, results: CsvResults, reading: Reading) -> Report:
        table = csv_table(results, self.nodes[0], reading.value)
        run_id = table.proof.get("run", "")
        return Report(
            run_id=run_id,
            run_said_by="result" if run_id else "",
            serial=table.proof.get("serial", ""),
            counter=_counter(_number_in(table.proof.get("counter", ""))),
            source_ms=reading.source_ms,
            values=self._from_rows(cast("list[Any]", table.rows)),
            compensated=results.compensated,
            created_ms=made_ms(self.nodes[0], table.proof.get("created")),
        )

    def _from_rows(self, rows: list[Any]) -> tuple[MeasuredValue, ...]:
        """The values of rows that are mappings."""
        columns, measured = self._results.columns, self._measured
        number, content = columns.number, columns.value
        unit, quality = columns.unit, columns.quality
        try:
            return tuple(
                [
                    measured(
                        cell(row, number),
                        cell(row, content),
                        cell(row, unit) if unit else None,
                        cell(row, quality) if quality else None,
                    )
                    for row in rows
                ]
            )
        except (KeyError, TypeError) as error:
            message = f"a row of the result is no mapping with {error}"
            raise ResultUnreadable(message) from error

    def _from_arrays(self, results: ArrayResults, readings: Readings) -> tuple[MeasuredValue, ...]:
        columns = results.columns
        names = (columns.number, columns.value, columns.unit, columns.quality)
        arrays = [None if name is None else _array(name, readings) for name in names]
        numbers = cast("list[Any]", arrays[0])
        count = (
            len(numbers)
            if results.rows is None
            else _count(results.rows, readings[results.rows].value)
        )
        for name, array in zip(names, arrays, strict=True):
            if array is not None and not 0 <= count <= len(array):
                message = f"node {name} has {len(array)} entries, {count} are in use"
                raise ResultUnreadable(message)
        return tuple(
            self._measured(*(None if array is None else array[row] for array in arrays))
            for row in range(count)
        )


def _check_ready(results: DocumentResults, document: Any) -> None:
    """The result is whole and real.

    Raises:
        ResultUnreadable: it says of itself that it is not, or not yet.
    """
    for path, wanted in results.ready.items():
        found = part_of(document, path)
        if found is MISSING or any(same(found, one) for one in wanted):
            continue
        message = f"the result is not ready: {path} is {found!r:.40}, expected {wanted}"
        raise ResultUnreadable(message)


def same(found: Any, wanted: Any) -> bool:
    """Whether two contents are the same; true and 1 are not."""
    return found == wanted and isinstance(found, bool) == isinstance(wanted, bool)


def part_of(document: Any, written: str) -> Any:
    """What stands at a key, or at a path of keys; ``MISSING`` where there is nothing."""
    if isinstance(document, dict) and written in document:
        return cast("dict[str, Any]", document)[written]
    return field_of(document, tuple(written.split(".")))


def cell(row: Any, column: str) -> Any:
    """What stands in a column of a row.

    Raises:
        KeyError, TypeError: nothing does.
    """
    try:
        return row[column]
    except KeyError:
        if "." not in column:
            raise
    found = part_of(row, column)
    return None if found is MISSING else found


def _number_in(text: str) -> int | None:
    """A counter that was written as text; None where it is none, or longer than any that 64 bits can show."""
    digits = text.isascii() and text.isdigit() and len(text) <= COUNTER_DIGITS_MAX
    return int(text) if digits else None


def _document(node: str, text: Any) -> dict[str, Any]:
    """A JSON object, as a text or as its bytes. NaN and Infinity are no JSON, but stations write them, so they are read as what they mean."""
    try:
        document = msgspec.json.decode(text or "")
    except (msgspec.MsgspecError, TypeError, RecursionError):
        document = _lenient(node, text or "")
    if not isinstance(document, dict):
        message = f"node {node} holds a JSON text that is no object"
        raise ResultUnreadable(message)
    return cast("dict[str, Any]", document)


def _lenient(node: str, text: Any) -> Any:
    """What the strict parser refused. Half a surrogate pair is refused here as well: the journal could not keep it."""
    try:
        document = json.loads(text)
        json.dumps(document, ensure_ascii=False).encode()
    except (ValueError, TypeError, RecursionError) as error:
        message = f"node {node} holds no JSON text ({error})"
        raise ResultUnreadable(message) from error
    return document


def _array(name: str, readings: Readings) -> list[Any]:
    content = readings[name].value
    if isinstance(content, bytes):  # an array of Byte may travel as a ByteString
        return list(content)
    if not isinstance(content, list):
        message = f"node {name} holds no array"
        raise ResultUnreadable(message)
    return cast("list[Any]", content)


def _with_proof(
    results: ArrayResults | StructureResults, readings: Readings, values: tuple[MeasuredValue, ...]
) -> Report:
    return Report(
        run_id=name_of(readings[results.run].value) if results.run else "",
        serial=name_of(readings[results.serial].value) if results.serial else "",
        counter=_counter(readings[results.counter].value) if results.counter else -1,
        source_ms=max(
            readings[name].source_ms
            for name in result_nodes(results)
            if name != results.temperature
        ),
        values=values,
        part_c=_temperature(results, readings),
        compensated=results.compensated,
        created_ms=made_ms(results.created, readings[results.created].value)
        if results.created
        else -1,
    )


def _temperature(results: ArrayResults | StructureResults, readings: Readings) -> float | None:
    """The part's temperature; a sensor that is out of order costs its value and not the result."""
    if results.temperature is None or readings[results.temperature].quality != "good":
        return None
    return _finite(readings[results.temperature].value)


def _counter(content: Any) -> int:
    """The counter; -1 where the station offers none, or one that no counter of 64 bits can show."""
    if not isinstance(content, int) or isinstance(content, bool):
        return -1
    return content if 0 <= content <= COUNTER_MAX else -1


def made_ms(node: str, content: Any) -> int:
    """When the station says that it made a result, in ms since 1970 (UTC); -1 where it says nothing, or shows the null of a DateTime.

    Raises:
        ResultUnreadable: it is no time, or one that means another in the next time zone.
    """
    if content is None or content == "":
        return -1
    made = content
    if isinstance(content, str):
        with suppress(ValueError):
            made = datetime.fromisoformat(content.strip())
    if not isinstance(made, datetime) or made.tzinfo is None:
        message = f"node {node}: the result was made at {content!r:.40}, expected a time with its distance from UTC, such as 2026-03-01T08:30:00Z"
        raise ResultUnreadable(message)
    return max(-1, (made - _EPOCH) // timedelta(milliseconds=1))


def _count(node: str, content: Any) -> int:
    """How many entries of the arrays are in use."""
    if content is None:
        return 0
    if isinstance(content, bool) or not isinstance(content, int):
        message = f"node {node} holds {content!r:.40}, expected how many entries are in use"
        raise ResultUnreadable(message)
    return content


# --- rows -----------------------------------------------------------------------------------------------------------------


def _row_maker(results: Rows) -> Callable[[Any, Any, Any, Any], MeasuredValue]:
    """What makes a value of number, content, unit and quality code."""
    numbered = _numberer(results)
    graded = _grader(results)
    default_unit = results.unit or ""

    def measured(number: Any, content: Any, unit: Any, code: Any) -> MeasuredValue:
        finite = _finite(content)
        return MeasuredValue(
            number=numbered(number),
            value=finite,
            unit=legible(str(unit)) if unit else default_unit,
            quality="bad" if finite is None else graded(code),
        )

    return measured


def _finite(content: Any) -> float | None:
    if isinstance(content, bool) or not isinstance(content, int | float):
        return None
    try:
        number = float(content)
    except OverflowError:  # a JSON text may hold more digits than a number has room for
        return None
    return number if math.isfinite(number) else None


def _grader(results: Rows) -> Callable[[Any], Quality]:
    """Good where the station gives no quality; a code that the profile does not list is bad."""
    if results.columns.quality is None:
        return lambda _code: "good"
    qualities = results.qualities

    def graded(code: Any) -> Quality:
        key = ("true" if code else "false") if isinstance(code, bool) else str(code)
        return qualities.get(key, "bad")

    return graded


def _numberer(results: Rows) -> Callable[[Any], str]:
    """The characteristic's number: text as it is, a whole number in digits."""
    prefix, digits = results.prefix, max(results.digits, 1)

    def numbered(number: Any) -> str:
        if isinstance(number, str) and number:
            number = legible(number)
            return f"{prefix}{number}" if prefix else number
        if isinstance(number, float) and number.is_integer():
            number = int(number)
        if isinstance(number, int) and not isinstance(number, bool):
            return f"{prefix}{number:0{digits}d}"
        message = f"a row of the result has the characteristic number {number!r}"
        raise ResultUnreadable(message)

    return numbered

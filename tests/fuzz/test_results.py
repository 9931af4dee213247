"""Whatever a station hands over as a result: it is taken apart, or refused in words; and what is taken can be journalled."""

import json
import struct
from types import SimpleNamespace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from supervisor.cell.profile_language import Results
from supervisor.core.events import ResultArrived
from supervisor.shell.ports import SCHEMA, JournalEntry
from supervisor.stations.opcua import ua
from supervisor.stations.plain_types import PLAIN as PLAIN_TYPES
from supervisor.stations.results import ResultReader
from supervisor.stations.structures import Member, Structure
from supervisor.stations.trouble import ResultUnreadable
from supervisor.stations.wire import reading_of
from supervisor.store.codec import decode_entry, encode_body
from tests.fuzz.size import SIZE

pytestmark = [pytest.mark.property, pytest.mark.timeout({"short": 900, "long": 7_200}[SIZE])]

CASES = {"short": 300, "long": 10_000}
fuzzing = settings(
    max_examples=CASES[SIZE], suppress_health_check=[HealthCheck.function_scoped_fixture]
)

COLUMNS = {"number": "no", "value": "value", "unit": "unit", "quality": "quality"}
QUALITIES = {"good": "good", "0": "good", "1": "uncertain", "true": "good"}
PROOF = {"run": "run", "serial": "serial", "counter": "count"}


def reader(form, **more):
    content = {"form": form, "columns": COLUMNS, "unit": "mm", "qualities": QUALITIES, **more}
    return ResultReader(TypeAdapter(Results).validate_python(content), None)


JSON = reader("json", node="n", rows="rows", **PROOF)
ARRAYS = reader("arrays", rows="rows", **PROOF)
DOCUMENT = reader("document", node="n", rows="rows", ready={"partial": [False]}, id="id", **PROOF)
CSV = {
    "with a heading": reader("csv", node="n", preamble=["run", "serial", "counter"]),
    "by position": reader(
        "csv", node="n", separator=";", decimal=",", heading="absent",
        columns={"number": "1", "value": "2", "unit": "3", "quality": "4"},
    ),
}  # fmt: skip

# Any value that OPC UA can carry in a variant, and any that JSON can.
NUMBERS = (
    st.integers(-(2**63), 2**64 - 1)
    | st.floats()
    | st.integers(-(10**400), 10**400)
    | st.booleans()
)
TEXTS = st.text(st.characters(exclude_categories=[]), max_size=12) | st.sampled_from(
    ["\udcff", "R\ud8007", "9" * 30]  # bytes that are no UTF-8, as the library hands them over
)
ANYTHING = st.recursive(
    st.none() | NUMBERS | TEXTS | st.binary(max_size=8) | st.datetimes(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXTS, inner, max_size=3),
    max_leaves=8,
)
PLAIN = st.recursive(
    st.none() | NUMBERS | TEXTS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXTS, inner, max_size=3),
    max_leaves=8,
)
ROWS = st.lists(
    st.fixed_dictionaries(
        {},
        optional={
            "no": TEXTS | NUMBERS, "value": PLAIN, "unit": PLAIN, "quality": PLAIN,
        },
    ) | PLAIN,
    max_size=4,
)  # fmt: skip
DOCUMENTS = st.fixed_dictionaries(
    {"rows": ROWS}, optional={"run": PLAIN, "serial": PLAIN, "count": PLAIN}
)


def measured_structure(layout):
    """A measured value as a station defines it, with a list in it: text, number, text, whole number, numbers."""
    structure = Structure(ENCODING, layout=layout)
    kinds = {"no": "String", "value": "Double", "unit": "LocalizedText", "quality": "Int32"}
    structure.members += [
        Member(name, PLAIN_TYPES[getattr(ua.ObjectIds, kind)], "single", layout == "mask")
        for name, kind in kinds.items()
    ]
    structure.members.append(
        Member("more", PLAIN_TYPES[ua.ObjectIds.BaseDataType], "array", optional=False)
    )
    return structure


ENCODING = ua.NodeId(5001, 2)
STRUCTURES = {
    layout: ResultReader(
        TypeAdapter(Results).validate_python(
            {"form": "structures", "node": "n", "columns": COLUMNS, "unit": "mm", **PROOF}
        ),
        measured_structure(layout),
    )
    for layout in ("plain", "mask", "union")
}


def good(content):
    """A value as it comes off the wire."""
    variant = SimpleNamespace(Value=content)
    found = SimpleNamespace(
        Value=variant, StatusCode=None, SourceTimestamp=None, ServerTimestamp=None
    )
    return reading_of(found, 0.0)


def judge(results, readings, tally):
    try:
        report = results.report(readings)
    except ResultUnreadable:
        tally["refused"] += 1
        return
    tally["taken apart"] += 1
    event = ResultArrived(
        station="scan-1", source_ms=report.source_ms, boot="1", result_id=report.id or "1", run_id=report.run_id,
        serial=report.serial, counter=report.counter, scope="final", values=report.values,
    )  # fmt: skip
    entry = JournalEntry(seq=1, at_ms=0, schema=SCHEMA, event=event, commands=())
    body = encode_body(entry)
    assert decode_entry(1, 0, SCHEMA, "ResultArrived", body) == entry
    body.encode("utf-8")


def judge_text(text, tally):
    tally.fed_bytes += len(text.encode("utf-8", "surrogatepass"))
    judge(JSON, {"n": good(text)}, tally)


@fuzzing
@given(document=DOCUMENTS | PLAIN)
def test_no_json_document_is_more_than_a_refusal(tally, document):
    judge_text(json.dumps(document), tally)


@fuzzing
@given(data=st.data())
def test_no_json_text_is_more_than_a_refusal(tally, data):
    text = json.dumps(data.draw(DOCUMENTS), ensure_ascii=data.draw(st.booleans()))
    at = data.draw(st.integers(0, len(text)))
    piece = data.draw(
        st.sampled_from(["", '"', "{", "[" * 3_000, "NaN", "-Infinity", "1e999", "\\ud800", "\0", "9" * 5_000])
        | st.text(max_size=8)
    )  # fmt: skip
    judge_text(text[:at] + piece + text[at + 2 :], tally)


@fuzzing
@given(content=ANYTHING)
def test_no_variant_is_more_than_a_refusal(tally, content):
    judge(JSON, {"n": good(content)}, tally)


@fuzzing
@given(data=st.data())
def test_no_arrays_are_more_than_a_refusal(tally, data):
    lists = st.lists(ANYTHING, max_size=4)
    nodes = {"no": st.lists(TEXTS | NUMBERS, max_size=4) | ANYTHING}
    nodes |= dict.fromkeys(("value", "unit", "quality"), lists | ANYTHING)
    nodes |= {"rows": st.integers(-1, 5) | ANYTHING, **dict.fromkeys(PROOF.values(), ANYTHING)}
    judge(ARRAYS, {name: good(data.draw(content)) for name, content in nodes.items()}, tally)


@fuzzing
@given(
    document=st.fixed_dictionaries(
        {"rows": ROWS | ANYTHING},
        optional=dict.fromkeys(["run", "serial", "count", "id", "partial"], ANYTHING),
    )
    | ANYTHING
)
def test_no_structure_is_more_than_a_refusal(tally, document):
    """Structures, or lists of them, as they come taken apart by the station's own type definitions."""
    judge(DOCUMENT, {"n": good(document)}, tally)


BODIES = st.binary(max_size=60) | st.tuples(
    st.binary(max_size=4), st.floats(), st.binary(max_size=4), st.binary(max_size=30)
).map(lambda one: b"".join([
    len(one[0]).to_bytes(4, "little"), one[0], struct.pack("<d", one[1]), b"\x02", len(one[2]).to_bytes(4, "little"), one[2],
    bytes(4), one[3] or bytes(4),
]))  # fmt: skip


@fuzzing
@given(data=st.data())
def test_no_bytes_of_a_structure_are_more_than_a_refusal(tally, data):
    bodies = data.draw(st.lists(BODIES, max_size=3))
    tally.fed_bytes += sum(map(len, bodies))
    rows = [ua.ExtensionObject(TypeId=ENCODING, Body=body) for body in bodies]
    proof = {name: good(data.draw(TEXTS | NUMBERS)) for name in PROOF.values()}
    layout = data.draw(st.sampled_from(sorted(STRUCTURES)))
    judge(STRUCTURES[layout], {"n": good(rows), **proof}, tally)


CELLS = st.sampled_from(["12", "25.0104", "25,0104", "mm", "good", "NaN", "1_0", '"', '"a""b"', "9" * 5_000]) | st.text(max_size=6)  # fmt: skip


@fuzzing
@given(data=st.data())
def test_no_lines_with_separators_are_more_than_a_refusal(tally, data):
    form = data.draw(st.sampled_from(sorted(CSV)))
    lines = data.draw(st.lists(st.lists(CELLS, min_size=3, max_size=5), max_size=4))
    if form == "with a heading":
        lines[1:1] = [["no", "value", "unit", "quality"]]
    text = "\n".join((";" if form == "by position" else ",").join(line) for line in lines)
    at = data.draw(st.integers(0, len(text)))
    text = text[:at] + data.draw(st.sampled_from(["", "\0", "\r", '"', ",;", "\u2028"])) + text[at:]
    tally.fed_bytes += len(text.encode("utf-8", "surrogatepass"))
    content = data.draw(st.just(text) | st.just(text.encode("utf-8", "surrogatepass")))
    judge(CSV[form], {"n": good(content)}, tally)

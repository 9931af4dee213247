"""A file with mistakes is answered with all of them, each with its place; never with a traceback."""

from decimal import Decimal
from pathlib import Path
from typing import Annotated, Literal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict, Field

from supervisor.cell.document import load_document, load_located
from supervisor.cell.fields import Address, Declared, Exact, Gtin, Identifier, Seconds, Text, Whole
from supervisor.cell.reading import read_table
from supervisor.cell.table import WholeScalar


class ByCodes(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)
    by: Literal["codes"]
    codes: dict[str, str]
    width: int = 1


class ByBits(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)
    by: Literal["bits"]
    bit: int


class Machine(Declared):
    id: Identifier
    url: Address
    at_mm: Whole = 0
    nominal: Exact = Decimal(1)
    wait_s: Seconds = Decimal(1)
    kind: Literal["optical", "tactile"] = "optical"
    revision: Text = "1"
    mode: Annotated[ByCodes | ByBits, Field(discriminator="by")] | None = None
    factor: float = 1.0


class Shop(Declared):
    machines: list[Machine]
    gtin: Gtin = "09521234000013"


def load(folder: Path, text: str | bytes):
    path = folder / "shop.yaml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return load_document(path, Shop)


@pytest.mark.parametrize(
    ("text", "place", "found", "remedy"),
    [
        ("a: 1\n\tb: 2\n", (2, 1), "a tab", "replace the tab by spaces"),
        ("a: b: c\n", (1, 5), "a `:` that fits nothing", "quote the text"),
        ("a: [1, 2\n", (2, 1), "an open bracket", "close the bracket"),
        ("a: 'x\nb: 2\n", (3, 1), "an open quotation mark", "close the quotation mark"),
        ("- 1\nb: 2\n", (2, 1), "a line that fits no level", "indent it"),
        ("a: @x\n", (1, 4), "a character that needs quotes", "quotes"),
        ("a: 1\nb\n", (3, 1), "a line without `:`", "write `key: value`"),
        ("a: 1\n---\nb: 2\n", (2, 1), "a second document", "remove the second `---`"),
        ("a: *x\n", (1, 4), "an alias", "write the value out"),
        ("a: &x 1\n", (1, 1), "the anchor &x", "write the value at each place"),
        ("a: {<<: {b: 1}}\n", (1, 5), "the merge key <<", "write the entries out"),
        ("a: !!python/object x\n", (1, 1), "the tag", "remove the tag"),
        ("a: !own x\n", (1, 1), "the tag !own", "remove the tag"),
        ("? [a]\n: 1\n", (1, 3), "a list", "key in quotes"),
        ("%YAML 1.1\n---\na: no\n", (1, 1), "`%YAML 1.1`", "remove the line"),
        ("a: 1\nb: 1\na: 2\n", (3, 1), "first on line 1", "remove one of the two"),
        ("", (1, 1), "nothing", "example file"),
        ("- 1\n", (1, 1), "a list", "example file"),
        ("a: 1\nb: x\x07y\n", (2, 5), "the control character 0x07", "remove the character"),
        (b"a: 1\nb: Gr\xf6sse\n", (2, 6), "the byte 0xF6", "save the file as UTF-8"),
        ("a: 1\n".encode("utf-16"), (1, 1), "the byte 0xFF", "save the file as UTF-8"),
        ("[" * 1000, (1, 1), "hundreds of levels", "flatten the file"),
        (b"#" * 2_000_001, (1, 1), "2000001 bytes", "the file you meant"),
    ],
)
def test_a_file_that_is_no_plain_yaml_mapping_is_a_problem_with_a_line(
    tmp_path, text, place, found, remedy
):
    path = tmp_path / "shop.yaml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())

    _, problems = read_table(path, "shop.yaml")

    assert [(p.line, p.column) for p in problems] == [place]
    assert found in problems[0].found
    assert remedy in problems[0].remedy


def test_a_file_that_is_not_there_is_a_problem(tmp_path):
    _, problems = load_document(tmp_path / "nowhere.yaml", Shop)

    assert problems[0].found == "no such file or directory"


@settings(max_examples=200, deadline=None)
@given(st.one_of(st.binary(max_size=60), st.text("ab:-[]{}&*!?|>'\"%#,\n\t 01_.x", max_size=40)))
def test_no_content_of_a_file_makes_a_traceback(tmp_path_factory, content):
    path = tmp_path_factory.getbasetemp() / "fuzz.yaml"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())

    content, problems = load_document(path, Shop)

    assert content is None
    assert all(p.line >= 1 and p.column >= 1 and p.expected and p.remedy for p in problems)


@pytest.mark.parametrize(
    ("entry", "field", "place", "expected", "remedy"),
    [
        ("{id: Touch_1, url: 'opc.tcp://a'}", "machines.0.id", 6, "lower-case letters", "touch-1"),
        ("{id: unknown, url: 'opc.tcp://a'}", "machines.0.id", 6, "not reserved", "another"),
        ("{id: a}", "machines.0.url", 5, "a value for `url`", "add `url:`"),
        (
            "{id: a, urll: x, url: 'opc.tcp://a'}",
            "machines.0.urll",
            13,
            "one of at_mm",
            "mean url?",
        ),
        ("{id: a, url: 'http://a'}", "machines.0.url", 13, "an OPC UA address", "opc.tcp://10"),
        ("{id: a, url: 'opc.tcp://a:70000'}", "machines.0.url", 13, "an OPC UA address", "4840"),
        ("{id: a, url: 'opc.tcp://u:p@a'}", "machines.0.url", 13, "without credentials", "leave"),
        (
            "{id: a, url: 'opc.tcp://a', at_mm: 1.5}",
            "machines.0.at_mm",
            33,
            "a whole number",
            "digits",
        ),
        (
            "{id: a, url: 'opc.tcp://a', at_mm: 012}",
            "machines.0.at_mm",
            33,
            "a whole number",
            "digits",
        ),
        (
            "{id: a, url: 'opc.tcp://a', nominal: '25,01'}",
            "machines.0.nominal",
            33,
            "point",
            "25.01",
        ),
        (
            "{id: a, url: 'opc.tcp://a', nominal: 3 mm}",
            "machines.0.nominal",
            33,
            "a number",
            "no unit",
        ),
        (
            "{id: a, url: 'opc.tcp://a', nominal: .inf}",
            "machines.0.nominal",
            33,
            "a number",
            "digits",
        ),
        ("{id: a, url: 'opc.tcp://a', nominal: }", "machines.0.nominal", 33, "a number", "digits"),
        (
            "{id: a, url: 'opc.tcp://a', wait_s: 0}",
            "machines.0.wait_s",
            33,
            "seconds above 0",
            "95",
        ),
        (
            "{id: a, url: 'opc.tcp://a', wait_s: 0.0005}",
            "machines.0.wait_s",
            33,
            "millisecond",
            "95",
        ),
        (
            "{id: a, url: 'opc.tcp://a', kind: optic}",
            "machines.0.kind",
            33,
            "optical, tactile",
            "optical?",
        ),
        (
            "{id: a, url: 'opc.tcp://a', revision: true}",
            "machines.0.revision",
            33,
            "a text",
            "quotes",
        ),
        (
            "{id: a, url: 'opc.tcp://a', revision: }",
            "machines.0.revision",
            33,
            "a text",
            "write one",
        ),
        ("{id: a, url: 'opc.tcp://a', factor: big}", "machines.0.factor", 33, "a number", "1.5"),
        (
            "{id: a, url: 'opc.tcp://a', mode: {by: bitz}}",
            "machines.0.mode",
            33,
            "bits, codes",
            "write",
        ),
        (
            "{id: a, url: 'opc.tcp://a', mode: {by: bits}}",
            "machines.0.mode.bit",
            33,
            "`bit`",
            "add",
        ),
        (
            "{id: a, url: 'opc.tcp://a', mode: {by: codes, codes: {}, width: x}}",
            "machines.0.mode.width",
            62,
            "whole",
            "digits",
        ),
        (
            "{id: a, url: 'opc.tcp://a', mode: {by: codes, codes: {}, withd: 2}}",
            "machines.0.mode.withd",
            62,
            "by, codes, width",
            "width?",
        ),
        (
            "{id: a, url: 'opc.tcp://a', mode: {by: codes, codes: {7: 5}}}",
            "machines.0.mode.codes.7",
            59,
            "a text",
            "quotes",
        ),
        (
            "{id: a, url: 'opc.tcp://a', at_mm: !!int abc}",
            "machines.0.at_mm",
            33,
            "a whole number",
            "digits",
        ),
        ("5", "machines.0", 5, "a mapping", "key: value"),
    ],
)
def test_a_value_that_the_model_refuses_is_named_with_its_place(
    tmp_path, entry, field, place, expected, remedy
):
    _, problems = load(tmp_path, f"machines:\n  - {entry}\n")

    assert [(p.file, p.line, p.column, p.field) for p in problems] == [
        ("shop.yaml", 2, place, field)
    ]
    assert expected in problems[0].expected
    assert remedy in problems[0].remedy


@pytest.mark.parametrize(
    ("gtin", "remedy"),
    [
        ("9521234000013", 'put zeros in front: "09521234000013"'),
        ("0952123400001", 'put zeros in front: "00952123400001"'),
        ("09521234000014", "a digit is wrong"),
        ("952123400001", 'put zeros in front: "00952123400001"'),
        ("123", "it has 3"),
        ("0952123400001X", "digits only"),
    ],
)
def test_a_gtin_with_a_wrong_length_or_check_digit_is_refused(tmp_path, gtin, remedy):
    _, problems = load(tmp_path, f"machines: []\ngtin: {gtin}\n")

    assert [(p.line, p.field) for p in problems] == [(2, "gtin")]
    assert remedy in problems[0].remedy


def test_all_mistakes_of_a_file_are_found_in_one_go(tmp_path):
    _, problems = load(
        tmp_path, "machines:\n  - {id: A, url: x}\n  - {id: b, id: c}\ngtin: 1\nfoo: 1\n"
    )

    assert [(p.line, p.field) for p in sorted(problems, key=lambda p: (p.line, p.column))] == [
        (2, "machines.0.id"),
        (2, "machines.0.url"),
        (3, "machines.1.url"),
        (3, "machines.1.id"),
        (4, "gtin"),
        (5, "foo"),
    ]


def test_a_problem_reads_as_one_line(tmp_path):
    _, problems = load(tmp_path, "machines:\n  - id: a\n    url: http://a\n")

    assert str(problems[0]) == (
        "shop.yaml:3:5 machines.0.url: expected an OPC UA address, "
        'found "http://a"; write it like opc.tcp://10.1.0.21:4840'
    )


def test_numbers_are_exact_and_text_is_taken_as_written(tmp_path):
    shop, problems = load(
        tmp_path,
        "machines:\n  - {id: a, url: 'opc.tcp://a', nominal: 25.010, revision: 1.10, at_mm: -3}\n"
        "gtin: 09521234000013\n",
    )

    assert problems == []
    machine = shop.machines[0]
    assert str(machine.nominal) == "25.010"
    assert machine.revision == "1.10"
    assert machine.at_mm == -3
    assert shop.gtin == "09521234000013"


def test_a_number_for_a_plain_pydantic_model_is_a_number_that_kept_its_text(tmp_path):
    path = tmp_path / "numbers.yaml"
    path.write_text("a: 007\nb: 1.50\n")

    table, _ = read_table(path, path.name)

    assert (table["a"], table.text("a")) == (7, "007")
    assert (table["b"], table.text("b")) == (1.5, "1.50")
    assert isinstance(table["a"], WholeScalar)


def test_a_later_check_can_name_the_line_of_any_value(tmp_path):
    path = tmp_path / "shop.yaml"
    path.write_text(
        "machines:\n  - id: a\n    url: opc.tcp://a\n    mode:\n      by: bits\n      bit: 3\n"
    )

    located, _ = load_located(path, Shop)
    problem = located.problem(
        ("machines", 0, "mode", "bit"), expected="a free bit", remedy="take another"
    )

    assert (problem.line, problem.column, problem.field) == (6, 7, "machines.0.mode.bit")
    assert problem.found == "3"


def test_a_mapping_remembers_where_it_stands(tmp_path):
    shop, _ = load(tmp_path, "machines:\n  - id: a\n    url: opc.tcp://a\n")

    problem = shop.machines[0].problem("url", expected="x", remedy="y")

    assert (problem.file, problem.line, problem.field) == ("shop.yaml", 3, "machines.0.url")

"""From a YAML 1.2 file to a ``Table``.

Rules of this file:
- A file is text in UTF-8 that holds one mapping. Whatever else it holds is a problem with a line, never a traceback.
- Duplicate keys, anchors, aliases, merge keys and tags are refused. With aliases one value would stand on two lines, and a
  problem could name only one of them. Directives are refused: under ``%YAML 1.1`` the same text means something else.
- A mistake in the syntax hides what follows it, so there is one such problem per file; everything later is collected.
"""

import re
from pathlib import Path
from typing import Any, Protocol, cast

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError
from ruamel.yaml.reader import ReaderError

from supervisor.cell.problem import Problem
from supervisor.cell.table import Mark, RealScalar, Rows, Table, WholeScalar
from supervisor.cell.table import Path as FieldPath

FILE_BYTES_MAX = 2_000_000

_TAG = "tag:yaml.org,2002:"
_PLAIN = {
    f"{_TAG}{kind}" for kind in ("map", "seq", "str", "int", "float", "bool", "null", "timestamp")
}
_START = Mark(line=1, column=1)

# What a syntax error of the YAML library means to the author of a file: a part of its text, what was found, what to do.
_SYNTAX = (
    ("'\\t'", "a tab", "replace the tab by spaces"),
    (
        "mapping values are not allowed",
        "a `:` that fits nothing",
        "check the indentation, or quote the text",
    ),
    ("expected ',' or", "an open bracket", "close the bracket, or put a comma between the entries"),
    ("unexpected end of stream", "an open quotation mark", "close the quotation mark"),
    ("expected <block end>", "a line that fits no level", "indent it like its neighbours"),
    ("cannot start any token", "a character that needs quotes", "put the text in quotes"),
    ("could not find expected ':'", "a line without `:`", "write `key: value`"),
    ("another document", "a second document", "remove the second `---`"),
    ("undefined alias", "an alias", "write the value out, or quote the text"),
)


class _Position(Protocol):
    """A position as the YAML library counts it: from 0."""

    line: int
    column: int


class _Node(Protocol):
    """A node of the YAML library, which has no types. ``value`` is text, a list of nodes, or a list of pairs of nodes."""

    id: str
    tag: str
    anchor: str | None
    start_mark: _Position
    value: Any


def read_table(path: Path, shown_as: str) -> tuple[Table | None, list[Problem]]:
    """Read one file; ``shown_as`` is its name in problems.

    Returns:
        The file's mapping, and what is wrong with the file as YAML. There is no mapping if the file cannot be read at all;
        beside problems such as a duplicate key there is one, and it can be checked further.
    """
    reader = _Reader(shown_as)
    text = reader.text_of_file(path)
    return (None if text is None else reader.table_of_text(text)), reader.problems


class _Reader:
    """Reads one file; problems gather in it."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.problems: list[Problem] = []

    def text_of_file(self, path: Path) -> str | None:
        try:
            content = path.read_bytes()
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            self._refuse(
                _START, "a file that can be read", reason, "create it, or make it readable"
            )
            return None
        if len(content) > FILE_BYTES_MAX:
            self._refuse(
                _START,
                f"at most {FILE_BYTES_MAX} bytes",
                f"{len(content)} bytes",
                "check that this is the file you meant",
            )
            return None
        return self._decoded(content)

    def _decoded(self, content: bytes) -> str | None:
        try:
            return content.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            mark = _mark_in(content[: error.start].decode("latin-1"))
            self._refuse(
                mark,
                "text in UTF-8",
                f"the byte 0x{content[error.start]:02X}",
                "save the file as UTF-8",
            )
            return None

    def table_of_text(self, text: str) -> Table | None:
        directive = re.search(r"^%.*", text, re.MULTILINE)
        if directive:
            mark = _mark_in(text[: directive.start()])
            self._refuse(mark, "no directive", f"`{directive.group()}`", "remove the line")
            return None
        try:
            node = _compose(text)
        except MarkedYAMLError as error:
            self._refuse_syntax(error)
            return None
        except ReaderError as error:
            self._refuse_character(text, error)
            return None
        except RecursionError:
            self._refuse(
                _START, "a few levels of nesting", "hundreds of levels", "flatten the file"
            )
            return None
        if node is not None and node.id == "mapping":
            return self._table(node, (), _START)
        self._refuse(
            _START, "a mapping of `key: value` lines", _kind_of(node), "start from an example file"
        )
        return None

    def _value(self, node: _Node, path: FieldPath, mark: Mark) -> object:
        if node.anchor is not None:
            anchor = f"the anchor &{node.anchor}"
            self._refuse(mark, "a value written out", anchor, "write the value at each place", path)
            return None
        if node.tag not in _PLAIN:
            self._refuse(mark, "a plain value", f"the tag {node.tag}", "remove the tag", path)
            return None
        if node.id == "mapping":
            return self._table(node, path, mark)
        if node.id == "sequence":
            return self._rows(node, path, mark)
        return _scalar(node)

    def _table(self, node: _Node, path: FieldPath, mark: Mark) -> Table:
        table = Table()
        table.place(self.file, path, mark)
        for key_node, value_node in node.value:
            key_mark = _mark_of(key_node)
            key = self._key(key_node, path, key_mark)
            if key is None:
                continue
            if key in table:
                first = f"the same key again (first on line {table.marks[key].line})"
                self._refuse(
                    key_mark, "each key once", first, "remove one of the two", (*path, key)
                )
                continue
            table.marks[key] = key_mark
            table[key] = self._value(value_node, (*path, key), key_mark)
        return table

    def _rows(self, node: _Node, path: FieldPath, mark: Mark) -> Rows:
        rows = Rows()
        rows.place(self.file, path, mark)
        for number, item in enumerate(node.value):
            item_mark = _mark_of(item)
            rows.marks[number] = item_mark
            rows.append(self._value(item, (*path, number), item_mark))
        return rows

    def _key(self, node: _Node, path: FieldPath, mark: Mark) -> str | None:
        if node.tag == f"{_TAG}merge":
            self._refuse(
                mark, "keys written out", "the merge key <<", "write the entries out", path
            )
            return None
        if node.id != "scalar":
            self._refuse(mark, "a text as key", _kind_of(node), "put the key in quotes", path)
            return None
        return str(node.value)

    def _refuse_syntax(self, error: MarkedYAMLError) -> None:
        untyped = cast("Any", error)
        said = f"{untyped.problem or ''} {untyped.context or ''}".strip()
        known = (row[1:] for row in _SYNTAX if row[0] in said)
        found, remedy = next(known, (f"a mistake ({said})", "correct the line"))
        at: _Position | None = untyped.problem_mark or untyped.context_mark
        mark = _START if at is None else Mark(line=at.line + 1, column=at.column + 1)
        self._refuse(mark, "well-formed YAML", found, remedy)

    def _refuse_character(self, text: str, error: ReaderError) -> None:
        untyped = cast("Any", error)
        mark = _mark_in(text[: untyped.position])
        found = f"the control character 0x{untyped.character:02X}"
        self._refuse(mark, "printable text", found, "remove the character")

    def _refuse(
        self, mark: Mark, expected: str, found: str, remedy: str, path: FieldPath = ()
    ) -> None:
        self.problems.append(
            Problem(
                file=self.file,
                line=mark.line,
                column=mark.column,
                field=".".join(str(step) for step in path),
                found=found,
                expected=expected,
                remedy=remedy,
            )
        )


def _compose(text: str) -> _Node | None:
    return cast("Any", YAML(typ="rt")).compose(text)


def _mark_of(node: _Node) -> Mark:
    return Mark(line=node.start_mark.line + 1, column=node.start_mark.column + 1)


def _mark_in(before: str) -> Mark:
    """The mark just after a text."""
    return Mark(line=before.count("\n") + 1, column=len(before) - (before.rfind("\n") + 1) + 1)


def _kind_of(node: _Node | None) -> str:
    kinds = {"mapping": "a mapping", "sequence": "a list", "scalar": "a single value"}
    return "nothing" if node is None else kinds[node.id]


def _scalar(node: _Node) -> object:
    """A scalar as its author means it. What is tagged as a number and is none stays text, to be refused by the model."""
    text = str(node.value)
    try:
        match node.tag.removeprefix(_TAG):
            case "null":
                return None
            case "bool":
                return text.lower() == "true"
            case "int":
                return _whole(text)
            case "float":
                return _real(text)
            case _:
                return text
    except ValueError:
        return text


def _whole(text: str) -> WholeScalar:
    plain = text.replace("_", "")
    has_prefix = plain.lstrip("+-")[:2].lower() in {"0x", "0o", "0b"}
    scalar = WholeScalar(int(plain, 0) if has_prefix else int(plain))
    scalar.text = text
    return scalar


def _real(text: str) -> RealScalar:
    scalar = RealScalar(text.replace("_", "").lower().replace(".inf", "inf").replace(".nan", "nan"))
    scalar.text = text
    return scalar

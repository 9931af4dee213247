"""The reference page of the store says what the code says."""

import re
from pathlib import Path

import pytest

from supervisor.shell import inbox, runtime
from supervisor.store import codec, database, head_file, journal, lease, records, snapshots, writer
from supervisor.store.schema import METADATA

ROOT = Path(__file__).parents[3]
PAGE = (ROOT / "docs/reference/journal.md").read_text(encoding="utf-8")
MODULES = (inbox, runtime, database, head_file, journal, lease, records, snapshots, writer)


def rows(heading: str) -> list[list[str]]:
    """The cells of the table under a heading, without its own headings."""
    section = re.split(r"^## ", PAGE.partition(f"## {heading}\n")[2], flags=re.MULTILINE)[0]
    lines = [line for line in section.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines[2:]]


def test_the_page_lists_every_table_with_every_column():
    listed: dict[str, list[str]] = {}
    table = ""
    for name, columns, _ in rows("Tables"):
        table = name or table
        listed.setdefault(table, []).extend(columns.split(", "))
    declared = {name: [column.name for column in t.columns] for name, t in METADATA.tables.items()}
    assert {n: sorted(c) for n, c in listed.items()} == {n: sorted(c) for n, c in declared.items()}


def test_the_page_lists_every_kind_of_event_and_command():
    section = PAGE.partition("## The text of an entry")[2].partition("## ")[0]
    events, _, commands = section.partition("Events:")[2].partition("Commands:")
    assert set(re.findall(r"`(\w+)`", events)) == set(codec.EVENTS)
    assert set(re.findall(r"`([A-Z]\w+)`", commands)) == set(codec.COMMANDS)


@pytest.mark.parametrize(
    ("name", "number"), [(row[0].strip("`"), row[1]) for row in rows("Limits")]
)
def test_the_page_gives_each_limit_as_it_is(name, number):
    found = [getattr(module, name) for module in MODULES if hasattr(module, name)]
    assert [str(value) for value in found] == [number]


def test_the_page_explains_every_error_code_and_no_other():
    sources = (ROOT / "supervisor/store").glob("*.py")
    text = "\n".join(path.read_text(encoding="utf-8") for path in sources)
    raised = set(re.findall(r'Store(?:Error|Refused)\(\s*"([a-z-]+)"', text))
    raised |= {"journal-cut", "journal-changed"}  # chosen by what the end of the journal shows
    assert {row[0].strip("`") for row in rows("Errors")} == raised

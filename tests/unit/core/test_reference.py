"""The pages about stages, interlocks and holds are the core's own account of itself."""

import subprocess
import sys

import pytest

from supervisor.core.diagram import PAGES, TABLES
from supervisor.core.holds import HOLDS, JOURNAL_REFUSED
from supervisor.core.interlocks import INTERLOCKS


@pytest.mark.parametrize("page", PAGES)
def test_the_committed_page_is_current(repository, page):
    kept = (repository / "docs" / "reference" / page).read_text(encoding="utf-8")
    assert kept == PAGES[page](), (
        f"run: python -m supervisor.core.diagram {page} > docs/reference/{page}"
    )


def test_a_page_is_printed_from_the_command_line():
    printed = subprocess.run(
        [sys.executable, "-m", "supervisor.core.diagram", "holds.md"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert printed.stdout == PAGES["holds.md"]()


def test_the_pages_show_every_row_of_every_table():
    stages = PAGES["stages.md"]()
    for table in TABLES.values():
        for (stage, trigger), after in table.items():
            assert f"| {stage} | {trigger} | {after} |" in stages
            assert f"    {stage} --> {after} : {trigger}" in stages
    interlocks = PAGES["interlocks.md"]()
    for row, conditions in INTERLOCKS.items():
        assert f"## Goal: {row}" in interlocks
        assert all(f"| {c.name} | {c.text} |" in interlocks for c in conditions)
    holds = PAGES["holds.md"]()
    for kind in (*HOLDS.values(), JOURNAL_REFUSED):
        assert f"## {kind.code}" in holds
        assert kind.advice in holds
        assert all(f"`{answer}`" in holds for answer in kind.answers)
        assert all(f"'{answer}'" in kind.advice for answer in kind.answers)

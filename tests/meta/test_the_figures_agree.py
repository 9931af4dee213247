"""The page that puts all figures side by side says what the page of each subject says."""

import re
from pathlib import Path

import pytest

EXPLANATION = Path(__file__).parents[2] / "docs/explanation"
NUMBER = re.compile(r"\d[\d,.¼]*\d|\d[¼]?")
LINK = re.compile(r"\]\(([^)#]*)[^)]*\)")


def rows() -> list[list[str]]:
    """The cells of each line of the table: what, how much, wrong, command, page."""
    text = (EXPLANATION / "what-was-tried.md").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if line.startswith("| ")]
    return [[cell.strip() for cell in line.strip("|").split(" | ")] for line in lines[2:]]


def numbers(text: str) -> set[str]:
    return set(NUMBER.findall(LINK.sub("", text)))


@pytest.mark.parametrize("row", rows(), ids=lambda row: row[0])
def test_each_figure_stands_on_the_page_of_its_subject(row):
    what, how_much, _, command, page = row
    (name,) = LINK.findall(page)
    told = (EXPLANATION / name).read_text(encoding="utf-8")
    assert numbers(f"{what} {how_much}") <= numbers(told)
    assert command.startswith(("`make ", "`pytest tests/"))


@pytest.mark.parametrize("row", rows(), ids=lambda row: row[0])
def test_each_command_leads_to_something_that_is_there(row):
    target = row[3].strip("`").split()[1]
    root = EXPLANATION.parents[1]
    if target.startswith("tests/"):
        assert (root / target).exists()
    else:
        assert f"\n{target}: " in (root / "Makefile").read_text(encoding="utf-8")

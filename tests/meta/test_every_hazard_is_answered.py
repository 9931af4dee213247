"""The page of hazards and the marks of the tests say the same."""

import ast
import re
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
HAZARDS = range(1, 48)

ENTRY = re.compile(r"^### (?P<number>\d+) · .+\n\n(?P<text>(?:(?!^#).*\n?)+)", re.MULTILINE)
SHOWN_BY = re.compile(r"^Shown by: (?P<names>.+)\.$", re.MULTILINE)


def marks_of(function: ast.FunctionDef | ast.AsyncFunctionDef) -> Iterator[int]:
    """The numbers in ``@pytest.mark.hazard(...)`` above a test."""
    for decorator in function.decorator_list:
        if isinstance(decorator, ast.Call) and ast.unparse(decorator.func) == "pytest.mark.hazard":
            yield from map(ast.literal_eval, decorator.args)


@pytest.fixture(scope="module")
def marked() -> dict[int, set[str]]:
    """The names of the tests that carry the mark, by hazard."""
    found: dict[int, set[str]] = defaultdict(set)
    for path in sorted(ROOT.glob("tests/**/test_*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                for number in marks_of(node):
                    found[number].add(node.name)
    return found


@pytest.fixture(scope="module")
def page() -> dict[int, str]:
    """What the page says, by hazard."""
    text = (ROOT / "docs/reference/hazards.md").read_text(encoding="utf-8")
    return {int(entry["number"]): entry["text"] for entry in ENTRY.finditer(text)}


def test_the_page_has_every_hazard_and_no_mark_has_another(page, marked):
    assert sorted(page) == list(HAZARDS)
    assert set(marked) <= set(HAZARDS)


@pytest.mark.parametrize("number", HAZARDS)
def test_a_hazard_has_tests_or_a_sentence_why_not(number, page, marked):
    said = SHOWN_BY.search(page[number])
    names = set(re.findall(r"`(\w+)`", said["names"])) if said else set()

    assert names == marked[number], "write under this hazard: Shown by: " + ", ".join(
        f"`{name}`" for name in sorted(marked[number])
    )
    assert bool(names) != ("No test: " in page[number])

"""What the documents show and point at.

Rules of this file:
- A block fenced as `console` or `python` under the line `<!-- test -->` is run from the root of the repository. In a
  console block `$ ` begins a command; the lines below it are what it prints, `...` standing for the rest.
- Every `json` and `yaml` block has to parse, marked or not.
"""

import doctest
import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from ruamel.yaml import YAML

ROOT = Path(__file__).parents[2]
DECISIONS = ROOT / "docs/explanation/decisions"

FENCE = re.compile(
    r"^(?P<marked><!-- test -->\n)?(?P<indent> *)```(?P<kind>\w*)\n(?P<body>.*?)^(?P=indent)```$",
    re.MULTILINE | re.DOTALL,
)
LINK = re.compile(r"\[[^\]]+\]\(([^)\s]+)\)")
HEADING = re.compile(r"^#+ (.+)$", re.MULTILINE)


def documents() -> list[Path]:
    return sorted([*ROOT.glob("*.md"), *ROOT.glob("docs/**/*.md")])


def blocks(*kinds: str) -> Iterator[tuple[str, re.Match[str]]]:
    """Each fenced block of the given kinds, with the place to look for it."""
    for path in documents():
        text = path.read_text(encoding="utf-8")
        for block in FENCE.finditer(text):
            if block["kind"] in kinds:
                line = text.count("\n", 0, block.start("body"))
                yield f"{path.relative_to(ROOT)}:{line}", block


def examples() -> list[object]:
    """The blocks that are run, as parameters (kind, body)."""
    return [
        pytest.param(block["kind"], block["body"], id=place)
        for place, block in blocks("console", "python")
        if block["marked"]
    ]


def run(*command: str) -> str:
    """What a command prints, run as a reader would; fails when the command does."""
    environment = {k: v for k, v in os.environ.items() if not k.startswith("MAKE")}
    environment["PATH"] = f"{Path(sys.executable).parent}:{environment['PATH']}"
    outcome = subprocess.run(
        command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False, timeout=50
    )
    assert outcome.returncode == 0, f"{command} ended with {outcome.returncode}:\n{outcome.stderr}"
    return outcome.stdout


def sessions(body: str) -> list[tuple[str, str]]:
    """A console block as pairs of command and expected print."""
    _, *parts = re.split(r"^\$ ", body, flags=re.MULTILINE)
    return [(command, expected) for command, _, expected in (p.partition("\n") for p in parts)]


def agrees(expected: str, printed: str) -> bool:
    return doctest.OutputChecker().check_output(expected, printed, doctest.ELLIPSIS)


def anchors(text: str) -> set[str]:
    """The names under which the headings of a page can be linked to."""
    plain = [re.sub(r"[^\w\- ]", "", heading.lower()) for heading in HEADING.findall(text)]
    return {heading.strip().replace(" ", "-") for heading in plain}


def dead_links(page: Path, text: str) -> list[str]:
    """The links of a page that lead nowhere inside the repository; addresses on the web are not asked."""
    dead = []
    for link in LINK.findall(FENCE.sub("", text)):
        if link.startswith(("https:", "http:", "mailto:")):
            continue
        name, _, anchor = link.partition("#")
        target = (page.parent / name).resolve() if name else page
        lost = not target.exists() or ROOT not in target.parents
        if lost or (anchor and anchor not in anchors(target.read_text(encoding="utf-8"))):
            dead.append(link)
    return dead


@pytest.mark.parametrize("page", documents(), ids=lambda p: str(p.relative_to(ROOT)))
def test_every_link_leads_somewhere(page):
    assert dead_links(page, page.read_text(encoding="utf-8")) == []


def test_a_link_to_a_missing_page_or_heading_is_noticed():
    text = "[a](absent.md) [b](DEVELOPERS.md#absent) [c](DEVELOPERS.md#the-principle)"
    assert dead_links(ROOT / "README.md", text) == ["absent.md", "DEVELOPERS.md#absent"]


def test_every_page_of_the_documentation_can_be_reached():
    reached, ahead = set(), [ROOT / "README.md", ROOT / "docs/index.md"]
    while ahead:
        page = ahead.pop()
        if page in reached or page.suffix != ".md":
            continue
        reached.add(page)
        for link in LINK.findall(page.read_text(encoding="utf-8")):
            target = (page.parent / link.partition("#")[0]).resolve()
            ahead += [target] if target.is_file() else []
    assert set(documents()) - reached == set()


@pytest.mark.parametrize(("kind", "body"), examples())
def test_an_example_does_what_the_page_says(kind, body):
    if kind == "python":
        run(sys.executable, "-c", body)
        return
    for command, expected in sessions(body):
        printed = run("bash", "-c", command)
        assert agrees(expected, printed), f"{command} printed:\n{printed}"


def test_an_example_that_prints_something_else_is_noticed():
    [(command, expected)] = sessions("$ echo one; echo two\none\nthree\n")
    assert not agrees(expected, run("bash", "-c", command))


def test_structured_blocks_parse():
    parse = {"json": json.loads, "yaml": YAML(typ="rt").load}
    broken = []
    for place, block in blocks("json", "yaml"):
        try:
            parse[block["kind"]](block["body"])
        except Exception as error:  # noqa: BLE001 - whatever the parser says is the finding
            broken.append(f"{place}: {error}")
    assert broken == []


@pytest.mark.parametrize("page", sorted(DECISIONS.glob("[0-9]*.md")), ids=lambda p: p.stem)
def test_a_decision_answers_the_questions_of_the_template(page):
    asked = HEADING.findall((DECISIONS / "template.md").read_text(encoding="utf-8"))[1:]
    title, *answered = HEADING.findall(page.read_text(encoding="utf-8"))
    assert answered == asked
    assert title.startswith(page.name[:4])


def test_the_contributor_guide_names_every_folder_of_tests_and_no_other():
    text = (ROOT / "DEVELOPERS.md").read_text()
    named = set(
        re.findall(r"^\| `(\w+)` \|", text[text.index("| folder | question |") :], re.MULTILINE)
    )
    there = {path.name for path in (ROOT / "tests").iterdir() if any(path.rglob("*.py"))}
    assert named == there

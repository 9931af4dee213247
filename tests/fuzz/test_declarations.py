"""Whatever stands in the files of a cell: it can be used, or every mistake is named with file, line and remedy. Never a traceback."""

import re
import shutil
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from ruamel.yaml import YAML

from supervisor.cell.load import load_cell
from supervisor.cell.problem import DeclarationError
from supervisor.cell.report import check_cell
from tests.fuzz.size import SIZE

pytestmark = [pytest.mark.property, pytest.mark.timeout({"short": 900, "long": 7_200}[SIZE])]

CASES = {"short": 25, "long": 1_000}
ROOT = Path(__file__).parents[2]
CELL = ROOT / "tests/unit/cell/small-cell"
PROFILES = ROOT / "supervisor/stations/profiles"
FILES = ["cell.yaml", "programs.yaml", "part-types/cam-ring.yaml", "part-types/port-plate.yaml"]

fuzzing = settings(
    max_examples=CASES[SIZE],
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@pytest.fixture(scope="module")
def cell(tmp_path_factory):
    """A sound cell with profiles of its own, whose files a case may spoil one at a time."""
    folder = tmp_path_factory.mktemp("cell") / "cell"
    shutil.copytree(CELL, folder)
    (folder / "profiles").mkdir()
    used = re.findall(r"profile: ([\w-]+)", (folder / "cell.yaml").read_text())
    for name in sorted(set(used)):
        shutil.copy(PROFILES / f"{name}.yaml", folder / "profiles")
    assert check_cell(folder).ok
    return folder


def files_of(cell):
    return [*FILES, *(f"profiles/{path.name}" for path in sorted((cell / "profiles").iterdir()))]


def judge(cell, file, content, tally):
    """Check the cell with other content in one file."""
    path = cell / file
    sound = path.read_bytes()
    path.write_bytes(content)
    tally.fed_bytes += len(content)
    try:
        report = check_cell(cell)
        assert report.as_text()
        assert report.as_json()
        for problem in report.problems:
            assert problem.line >= 1
            assert problem.file
            assert problem.expected
            assert problem.found
            assert problem.remedy
        assert report.ok or any(problem.grade == "error" for problem in report.problems)
        loads(cell, report.ok)
        tally[f"{file.partition('/')[0]} {'sound' if report.ok else 'refused'}"] += 1
    finally:
        path.write_bytes(sound)


def loads(cell, ok):
    """Loading agrees with checking."""
    try:
        load_cell(cell)
    except DeclarationError:
        assert not ok
    else:
        assert ok


# --- text --------------------------------------------------------------------------------------------------------------------------

SNIPPETS = [
    "", "null", "~", "[]", "{}", "[", "{a: 1}", "- ", "-1", "0", "1e999", "-.inf", ".nan", "9" * 400, "0x1f", "1_0",
    "2026-03-02", "true", "no", '"', "'", ":", ": ", "#", "&a", "*a", "<<: *a", "!!python/object:os.system", "!t x", "%YAML 1.1\n---\n",
    "---\n", "...\n", "\t", "\r", "\r\n", "\0", "\x85", "\u2028", "\ufeff", "\U0001f527", "|", ">", "? a", "@", "`", "a" * 5_000,
    "[" * 2_000, "{a: " * 500, "\n  - a\n" * 50,
]  # fmt: skip


@st.composite
def altered(draw, text):
    """A text with one to three pieces cut out, doubled, moved or replaced."""
    for _ in range(draw(st.integers(1, 3))):
        start = draw(st.integers(0, len(text)))
        end = min(len(text), start + draw(st.integers(0, 60)))
        piece = draw(
            st.sampled_from([*SNIPPETS, text[start:end] * 2])
            | st.text(max_size=20)
            | st.just("\n" + text[start:end])
        )
        text = text[:start] + piece + text[end:]
    return text


@fuzzing
@given(data=st.data())
def test_no_altered_text_makes_a_traceback(cell, tally, data):
    file = data.draw(st.sampled_from(files_of(cell)))
    text = data.draw(altered((cell / file).read_text()))
    judge(cell, file, text.encode("utf-8", "surrogatepass"), tally)


@fuzzing
@given(data=st.data())
def test_no_bytes_make_a_traceback(cell, tally, data):
    file = data.draw(st.sampled_from(files_of(cell)))
    sound = (cell / file).read_bytes()
    at = data.draw(st.integers(0, len(sound)))
    judge(cell, file, sound[:at] + data.draw(st.binary(max_size=40)) + sound[at + 3 :], tally)


# --- trees -------------------------------------------------------------------------------------------------------------------------

SCALARS = (
    st.none() | st.booleans() | st.integers(-(10**30), 10**30) | st.floats() | st.dates()
    | st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Zl", "Zp"]), max_size=12)
    | st.sampled_from(["25 H7", "mm", "Ra", "scan-1", "rack-01", "ns=2;s=x", "R{run}", "10..20", "1.0", "automatic", "../x"])
)  # fmt: skip
TREES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=6,
)  # fmt: skip


def places(tree, path=()):
    """Every place in a tree."""
    yield path
    items = (
        tree.items()
        if isinstance(tree, dict)
        else enumerate(tree)
        if isinstance(tree, list)
        else ()
    )
    for key, inner in items:
        yield from places(inner, (*path, key))


@st.composite
def grafted(draw, text):
    """A file's tree with one or two branches replaced, taken away, doubled under another name or moved elsewhere."""
    tree = YAML(typ="safe").load(text)
    for _ in range(draw(st.integers(1, 2))):
        *way, last = draw(st.sampled_from([path for path in places(tree) if path]))
        branch = tree
        for key in way:
            branch = branch[key]
        change = draw(st.sampled_from(["replace", "remove", "rename", "move"]))
        if change == "replace":
            branch[last] = draw(TREES)
        elif change == "remove":
            del branch[last]
        elif change == "rename" and isinstance(branch, dict):
            branch[draw(st.text(min_size=1, max_size=8))] = branch[last]
        elif change == "move":
            tree[str(last)] = branch.pop(last)
        if not isinstance(tree, dict) or not tree:
            break
    return tree


@fuzzing
@given(data=st.data())
def test_no_other_tree_makes_a_traceback(cell, tally, data):
    file = data.draw(st.sampled_from(files_of(cell)))
    tree = data.draw(grafted((cell / file).read_text()))
    written = cell.parent / "tree.yaml"
    yaml = YAML()
    yaml.representer.ignore_aliases = lambda _: True
    with written.open("w", encoding="utf-8", errors="surrogatepass") as stream:
        yaml.dump(tree, stream)
    judge(cell, file, written.read_bytes(), tally)

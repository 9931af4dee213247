"""What must hold for every file of the repository, whoever wrote it."""

import ast
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[2]
CODE_ROOTS = ("supervisor", "simulators")
VENDORED = ROOT / "supervisor" / "web" / "static"
LINES_MAX = 60

VAGUE_NAMES = {"utils", "helpers", "manager", "common", "base"}
MACHINE_PATH = re.compile(r"(?<![\w.:/])/(?:work|root|home|Users)/\w")
PRIVATE_KEY = re.compile(r"-----BEGIN [A-Z ]*PRIVATE KEY")
REGISTRY = re.compile(
    r"https?://[^\s\"'>)]*(?:pypi|pythonhosted|npmjs|deb\.debian|crates\.io|docker\.io|ghcr\.io|conda)"
    r"|--(?:extra-)?index-url|--find[-]links",
    re.IGNORECASE,
)


def tree() -> Iterator[Path]:
    """Every file that belongs to the repository; what tools leave behind is hidden, generated or binary."""
    for path in sorted(ROOT.rglob("*")):
        parts = path.relative_to(ROOT).parts
        hidden = any(part.startswith(".") and part != ".ci" for part in parts[:-1])
        if path.is_file() and not hidden and not {"__pycache__", "var"} & set(parts):
            yield path


def text_lines() -> Iterator[tuple[str, str]]:
    """Each line of each text file as (place, line)."""
    for path in tree():
        try:
            text = path.read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue
        for number, line in enumerate(text.splitlines(), start=1):
            yield f"{path.relative_to(ROOT)}:{number}", line


def code() -> Iterator[Path]:
    for root in CODE_ROOTS:
        yield from sorted((ROOT / root).rglob("*.py"))


def long_functions(source: str) -> list[str]:
    """Name and length of every function that does not fit a screen."""
    return [
        f"{node.name} ({node.lineno}): {node.end_lineno - node.lineno + 1} lines"
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and node.end_lineno - node.lineno + 1 > LINES_MAX
    ]


def test_no_file_names_a_path_of_somebodys_machine():
    assert [place for place, line in text_lines() if MACHINE_PATH.search(line)] == []


def test_no_file_names_the_address_of_a_package_registry():
    assert [place for place, line in text_lines() if REGISTRY.search(line)] == []


@pytest.mark.parametrize(
    ("pattern", "line"),
    [
        (MACHINE_PATH, "open('/" + "home/somebody/cell.yaml')"),
        (REGISTRY, "see https://" + "files.pythonhosted.org/packages/x"),
        (PRIVATE_KEY, "-----BEGIN " + "PRIVATE KEY-----"),
        (REGISTRY, "--extra" + "-index-url somewhere"),
    ],
)
def test_the_patterns_find_what_they_are_for(pattern, line):
    assert pattern.search(line)


def test_no_file_holds_a_private_key():
    assert [place for place, line in text_lines() if PRIVATE_KEY.search(line)] == []


def test_a_reader_guesses_a_files_content_from_its_name():
    names = {path: set(path.with_suffix("").parts[-2:]) for path in code()}
    assert [str(path) for path, parts in names.items() if parts & VAGUE_NAMES] == []


def test_every_function_fits_a_screen():
    found = {str(path): long_functions(path.read_text(encoding="utf-8")) for path in code()}
    assert {path: functions for path, functions in found.items() if functions} == {}


def test_a_function_longer_than_a_screen_is_noticed():
    body = "    x = 1\n" * LINES_MAX
    assert long_functions("def long():\n" + body) == [f"long (1): {LINES_MAX + 1} lines"]


def test_every_package_says_in_one_sentence_what_it_holds():
    fronts = [path for path in code() if path.name == "__init__.py"]
    assert [str(p) for p in fronts if not ast.get_docstring(ast.parse(p.read_text("utf-8")))] == []


def test_the_lock_holds_every_declared_dependency_at_an_accepted_version():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    declared = [
        *project["project"]["dependencies"],
        *project["project"]["optional-dependencies"]["postgres"],
        *project["dependency-groups"]["dev"],
        *project["build-system"]["requires"],
    ]
    locked = dict(
        re.findall(
            r"^([\w.-]+)==([^\s;]+)",
            (ROOT / "requirements/dev.txt").read_text("utf-8"),
            re.MULTILINE,
        )
    )
    missing = [
        wanted
        for wanted in map(Requirement, declared)
        if not wanted.specifier.contains(locked.get(canonicalize_name(wanted.name), "0"))
    ]
    assert missing == []


def test_runtime_and_development_locks_agree():
    pins = {
        name: set(
            re.findall(
                r"^[\w.-]+==[^\s;]+",
                (ROOT / "requirements" / name).read_text("utf-8"),
                re.MULTILINE,
            )
        )
        for name in ("runtime.txt", "dev.txt")
    }
    assert pins["runtime.txt"] - pins["dev.txt"] == set()

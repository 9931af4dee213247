"""The gates that keep the rooms apart: they hold, and they fire when someone reaches across.

The contract itself is checked by `make lint`; here each rule is broken on a copy to see it noticed.
"""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TOOLS = Path(sys.executable).parent


@pytest.fixture
def copy_of_the_code(tmp_path: Path) -> Path:
    for folder in ("supervisor", "simulators"):
        shutil.copytree(
            ROOT / folder, tmp_path / folder, ignore=shutil.ignore_patterns("__pycache__")
        )
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    (tmp_path / "supervisor/cell/extra.py").write_text('"""A file of the declaration."""\n')
    return tmp_path


def broken_contracts(folder: Path, *contracts: str) -> str:
    """The report on a copy, of all contracts or of those named; the empty text when they are kept."""
    chosen = [option for contract in contracts for option in ("--contract", contract)]
    outcome = subprocess.run(
        [TOOLS / "lint-imports", "--no-logo", "--no-cache", *chosen],
        cwd=folder,
        env={"PYTHONPATH": str(folder)},
        capture_output=True,
        text=True,
        check=False,
    )
    return outcome.stdout if outcome.returncode else ""


def test_the_rooms_stay_apart(copy_of_the_code):
    assert broken_contracts(copy_of_the_code) == ""


@pytest.mark.parametrize(
    ("file", "line", "contract", "complaint"),
    [
        ("supervisor/core/reach.py", "import time", "pure", "not allowed to import time"),
        (
            "supervisor/verdict/reach.py",
            "import pydantic",
            "pure",
            "not allowed to import pydantic",
        ),
        (
            "supervisor/core/reach.py",
            "import supervisor.cell.extra",
            "declaration",
            "supervisor.cell.extra",
        ),
        ("supervisor/shell/reach.py", "import supervisor.store", "layers", "supervisor.store"),
        ("supervisor/novelty/__init__.py", "", "layers", "novelty"),
        ("supervisor/store/reach.py", "import simulators", "simulators-apart", "simulators"),
        ("supervisor/store/reach.py", "import asyncua", "wire", "not allowed to import asyncua"),
        ("simulators/models/reach.py", "import supervisor.core", "models", "supervisor.core"),
        ("simulators/servers/reach.py", "import supervisor.tag", "servers", "supervisor.tag"),
        ("simulators/bench/reach.py", "import supervisor.stations", "bench", "supervisor.stations"),
    ],
)
def test_reaching_into_another_room_breaks_the_contract(
    copy_of_the_code, file, line, contract, complaint
):
    reach = copy_of_the_code / file
    reach.parent.mkdir(exist_ok=True)
    reach.write_text(f'"""A reach."""\n{line}\n')
    assert complaint in broken_contracts(copy_of_the_code, contract)


@pytest.mark.parametrize("room", ["core", "routing", "verdict", "tag"])
@pytest.mark.parametrize("module", ["time", "random", "uuid", "asyncio", "logging"])
def test_a_pure_room_is_told_why_a_module_is_banned(room, module):
    outcome = subprocess.run(
        [TOOLS / "ruff", "check", "--no-cache", "--select", "TID251", "--stdin-filename",
         f"supervisor/{room}/reach.py", "-"],
        cwd=ROOT,
        input=f"import {module}\n",
        capture_output=True,
        text=True,
        check=False,
    )  # fmt: skip
    assert f"`{module}` is banned: " in outcome.stdout

"""A small cell on disk that a test may spoil."""

import shutil
from pathlib import Path

import pytest


@pytest.fixture
def small_cell(tmp_path: Path) -> Path:
    """A sound cell in a folder of its own: two stations, two part types, three programs."""
    return Path(shutil.copytree(Path(__file__).parent / "small-cell", tmp_path / "small-cell"))

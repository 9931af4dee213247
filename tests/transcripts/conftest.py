"""How a transcript is kept: ``pytest tests/transcripts --rewrite`` writes all of them anew, for a reader to compare."""

from collections.abc import Callable
from pathlib import Path

import pytest

from simulators.bench.transcript import Transcript

HERE = Path(__file__).parent


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--rewrite", action="store_true", help="write the transcripts anew")


@pytest.fixture
def kept(request: pytest.FixtureRequest) -> Callable[[str, Transcript], None]:
    """Compares a transcript with the kept one, or keeps it."""

    def compare(name: str, transcript: Transcript) -> None:
        path = HERE / f"{name}.txt"
        if request.config.getoption("--rewrite", default=False):
            path.write_text(transcript.text(), encoding="utf-8")
        assert transcript.text().splitlines() == path.read_text(encoding="utf-8").splitlines()

    return compare

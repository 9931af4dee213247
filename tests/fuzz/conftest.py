"""How much is tried, and what came of it.

Rules of this file:
- The short form belongs to ``make test``; ``make fuzz`` sets ``FUZZ=long``. Both try the same things, the long form more of them.
- Whoever fuzzes counts the outcomes in ``tally``, and what was fed in bytes where it is bytes or text; both are printed at the end, so that a fuzz that
  tries nothing is seen.
"""

from collections import Counter

import pytest

from tests.fuzz.size import SIZE


class Tally(Counter[str]):
    """How often each outcome came, and how many bytes were fed for that."""

    fed_bytes: int = 0


_TALLIES: dict[str, Tally] = {}


@pytest.fixture(scope="session")
def size() -> str:
    """Which form runs: "short" or "long"."""
    return SIZE


@pytest.fixture
def tally(request: pytest.FixtureRequest) -> Tally:
    """Counts outcomes of one test."""
    return _TALLIES.setdefault(request.node.name, Tally())


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """One line for each fuzz."""
    if SIZE == "long":
        for name, counted in _TALLIES.items():
            shown = ", ".join(f"{outcome} {count:,}" for outcome, count in sorted(counted.items()))
            fed = f", {counted.fed_bytes:,} bytes" if counted.fed_bytes else ""
            terminalreporter.write_line(f"{name}: {counted.total():,} cases{fed}: {shown}")

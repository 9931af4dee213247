"""How much is tried, and what came of it.

Rules of this file:
- The short form belongs to ``make test``; ``make fuzz`` sets ``FUZZ=long``. Both try the same things, the long form more of them.
- Whoever fuzzes counts the outcomes in ``tally``; they are printed at the end, so that a fuzz that tries nothing is seen.
"""

from collections import Counter

import pytest

from tests.fuzz.size import SIZE

_TALLIES: dict[str, Counter[str]] = {}


@pytest.fixture(scope="session")
def size() -> str:
    """Which form runs: "short" or "long"."""
    return SIZE


@pytest.fixture
def tally(request: pytest.FixtureRequest) -> Counter[str]:
    """Counts outcomes of one test."""
    return _TALLIES.setdefault(request.node.name, Counter())


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """One line for each fuzz."""
    if SIZE == "long":
        for name, counted in _TALLIES.items():
            shown = ", ".join(f"{outcome} {count:,}" for outcome, count in sorted(counted.items()))
            terminalreporter.write_line(f"{name}: {counted.total():,} cases: {shown}")

"""docs/explanation/decisions/0004-assertions-stay-on.md, held."""

import subprocess
import sys


def test_an_interpreter_without_assertions_is_refused():
    outcome = subprocess.run(
        [sys.executable, "-O", "-c", "import supervisor"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert outcome.returncode != 0
    assert "Start it without -O" in outcome.stderr

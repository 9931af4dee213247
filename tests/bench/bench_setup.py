"""Wall time of ``make setup`` on a clean folder: what somebody waits for between a clone and the first ``make demo``.

Rules of this file:
- The folder is what is committed, unpacked, and nothing else. What a package client has kept from earlier runs stays: the machine has
  a warm cache, so this is the time without the network's share.
- Nothing is done in the small: a set-up is whole or none.
"""

import os
import subprocess
import tempfile
import time
from pathlib import Path

from tests.bench.figure import ROUNDS, Figure, Size, alone

ROOT = Path(__file__).parents[2]


def setup_s() -> float:
    """Seconds of one set-up."""
    with tempfile.TemporaryDirectory() as name:
        archive = subprocess.run(
            ["git", "archive", "HEAD"], cwd=ROOT, check=True, capture_output=True
        ).stdout
        subprocess.run(["tar", "-x", "-C", name], input=archive, check=True)
        plain = {k: v for k, v in os.environ.items() if not k.startswith("MAKE")}
        before = time.perf_counter()
        subprocess.run(["make", "setup"], cwd=name, env=plain, check=True, capture_output=True)
        return time.perf_counter() - before


def measure(size: Size) -> list[Figure]:
    """The set-up, and nothing in the small."""
    if size == "smallest":
        return []
    return [
        alone("set-up on a clean folder, warm cache", [setup_s() for _ in range(ROUNDS[size])], "s")
    ]

"""Copies of values, in the freeze of the tests and without it."""

import os
import subprocess
import sys

import pytest

COPIES = """
from dataclasses import dataclass
from supervisor.cell.value import replace, value

@value
class Ours:
    a: int
    b: int = 2

@dataclass(frozen=True, slots=True, kw_only=True)
class Frozen:
    a: int
    b: int = 2

for kind in (Ours, Frozen):
    old = kind(a=1)
    assert replace(old, a=3) == kind(a=3, b=2)
    assert old == kind(a=1)
"""


@pytest.mark.parametrize("freeze", ["1", ""])
def test_a_copy_is_made_of_a_class_that_is_always_frozen_too(freeze):
    """Only without the freeze of the tests could it fail: `pointsman study` ended so in a plant while every test passed."""
    asked = {**os.environ, "POINTSMAN_FROZEN": freeze}
    subprocess.run([sys.executable, "-c", COPIES], env=asked, check=True, timeout=60)

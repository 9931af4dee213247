"""Benches are run by hand and seldom, so what they measure moves on without them. Here each runs in its smallest round.

Rules of this file: nothing is said about how long anything takes; figures on a shared machine prove nothing.
"""

import subprocess
import sys
from importlib import import_module
from math import isfinite
from pathlib import Path

import pytest

from tests.bench.__main__ import BENCHES
from tests.bench.figure import Aim, Figure, beside, percentile, table

WIRED = ("links", "reaction", "wire")  # start processes; each takes some seconds
IN_THIS_PROCESS = ("journal", "memory", "replay", "virtual")


def small_rounds() -> list[object]:
    marks = [pytest.mark.system, pytest.mark.timeout(180)]
    wired = [pytest.param(name, marks=marks) for name in WIRED]
    return [*IN_THIS_PROCESS, *wired]  # a set-up is whole or none


def test_every_bench_is_in_the_list(repository: Path):
    files = {path.stem for path in (repository / "tests" / "bench").glob("bench_*.py")}
    assert files == {f"bench_{name}" for name in BENCHES}


@pytest.mark.parametrize("name", small_rounds())
def test_a_bench_runs_in_its_smallest_round(name: str):
    figures = import_module(f"tests.bench.bench_{name}").measure("smallest")
    assert figures
    assert all(figure.value and isfinite(figure.judged) for figure in figures)


def test_a_ratio_is_the_median_of_the_rounds_own_ratios():
    figure = beside("f", [1.0, 2.0, 9.0], "s", ("d", [1.0, 4.0, 3.0]), Aim("≤", 0.9))
    assert figure.judged == 1.0  # of 1, 0.5 and 3, not 2 / 3
    assert figure.verdict() == "≤ 0.9 NOT met"


def test_an_aim_may_be_a_least_or_a_most():
    assert Aim("≥", 0.5).met(0.5)
    assert not Aim("≥", 0.5).met(0.49)
    assert Aim("≤", 0.5).met(0.5)


def test_a_percentile_never_lies_beyond_what_was_seen():
    assert percentile([1.0, 2.0, 3.0], 50) == 2.0
    assert 2.9 < percentile([1.0, 2.0, 3.0], 99) <= 3.0
    assert percentile([4.0], 99) == 4.0


def test_a_table_without_ratios_and_aims_has_empty_cells():
    line = table([Figure(name="f", value="1 s", judged=1.0)]).splitlines()[2]
    assert [cell.strip() for cell in line.split("|")] == ["", "f", "1 s", "", "", "", ""]


def test_a_bench_that_is_not_there_is_named(repository: Path):
    outcome = subprocess.run(
        [sys.executable, "-m", "tests.bench", "warp"],
        cwd=repository,
        capture_output=True,
        text=True,
        check=False,
    )
    assert outcome.returncode == 2
    assert "unknown: warp" in outcome.stderr


def test_every_bench_says_what_its_figures_hold_on():
    for name in BENCHES:
        assert "Rules of this file" in (import_module(f"tests.bench.bench_{name}").__doc__ or "")

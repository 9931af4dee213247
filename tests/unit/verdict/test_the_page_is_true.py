"""docs/explanation/verdict.md, computed anew: bounds by the code, probabilities by the normal distribution."""

import re
from decimal import Decimal
from math import erfc, sqrt

import pytest

from supervisor.verdict import judge, standard_uncertainty, zones
from supervisor.verdict.agreement import RUN_LENGTHS
from supervisor.verdict.merge import WORST_FIRST

U = standard_uncertainty(Decimal("0.003"), Decimal(2))
H7 = zones(Decimal("20.000"), Decimal("20.021"), "none", U, Decimal("1.65"))


@pytest.fixture
def page(repository) -> str:
    return (repository / "docs/explanation/verdict.md").read_text(encoding="utf-8")


def percent_within(
    y: float, lower: float = 20.0, upper: float = 20.021, u: float = 0.0015
) -> float:
    """Probability that the measured quantity lies within its limits, for a normal distribution around the value."""
    return 50 * (erfc((y - upper) / u / sqrt(2)) - erfc((y - lower) / u / sqrt(2)))


def test_the_bounds_of_the_worked_example(page):
    shown = re.findall(r"^\| (?:conforming|nonconforming) \w+ \| ([\d.]+) \|$", page, re.MULTILINE)
    bounds = (H7.accept_lower, H7.accept_upper, H7.reject_lower, H7.reject_upper)
    assert tuple(map(Decimal, shown)) == bounds


def test_the_values_of_the_worked_example(page):
    rows = re.findall(r"^\| ([\d.]+) \| ([\d.]+) % \| (\w+) \|$", page, re.MULTILINE)
    assert len(rows) == 7
    for value, percent, verdict in rows:
        assert judge(float(value), H7, "mm").verdict == verdict
        assert f"{percent_within(float(value)):.2f}" == percent


def test_the_order_of_verdicts(page):
    assert "    " + "  >  ".join(WORST_FIRST) + "\n" in page


def test_the_figures_for_narrow_tolerances():
    assert percent_within(1.65, 0, 5, 1) >= 95
    assert percent_within(1.65, 0, 6, 1) >= 95
    assert round(percent_within(1.65, 0, 4, 1), 1) == 94.1
    assert percent_within(3.92 / 2, 0, 3.92, 1) >= 95 > percent_within(3.91 / 2, 0, 3.91, 1)


def test_the_run_lengths_of_the_agreement_watch(page):
    rows = re.findall(r"^\| ([\d.]+) \| (\d+) \|$", page, re.MULTILINE)
    assert {float(z): int(parts) for z, parts in rows} == dict(RUN_LENGTHS)

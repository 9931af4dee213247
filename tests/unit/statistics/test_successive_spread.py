"""The spread of neighbours: right without drift, hardly moved by one, and worth the degrees of freedom that it states."""

import random

import pytest

from supervisor.statistics.moments import moments, successive_spread


def drawn(count, drift=0.0, seed=1):
    draw = random.Random(seed)
    return [draw.gauss(10.0, 1.0) + drift * n for n in range(count)]


def test_by_hand():
    """Differences 1, -2, 3: (1 + 4 + 9) / (2 x 3)."""
    spread = successive_spread([[0.0, 1.0, -1.0, 2.0]])
    assert spread.sd**2 == pytest.approx(14 / 6)
    assert spread.dof == pytest.approx(2 * 9 / 8)


def test_a_drift_that_doubles_the_plain_deviation_hardly_moves_it():
    values = drawn(200, drift=0.03)
    assert moments(values).sd > 1.8
    assert successive_spread([values]).sd == pytest.approx(1.0, abs=0.12)


def test_a_step_between_two_runs_is_not_seen():
    first, second = drawn(50), [x + 50 for x in drawn(50, seed=2)]
    assert successive_spread([first, second]).sd == pytest.approx(1.0, abs=0.2)


def test_nothing_to_compare_has_no_spread():
    assert successive_spread([[1.0], [], [2.0]]) is None


@pytest.mark.parametrize("count", [5, 10])
def test_its_degrees_of_freedom_are_those_of_its_scatter(count):
    """The variance of a variance estimate with d degrees of freedom is 2/d of its square; 4,000 series."""
    found = [successive_spread([drawn(count, seed=seed)]) for seed in range(4_000)]
    squares = moments([each.sd**2 for each in found])
    assert squares.mean == pytest.approx(1.0, abs=0.05)
    assert squares.sd**2 == pytest.approx(2 / found[0].dof, rel=0.12)

"""The search for weights against the linear programme that it stands for, solved by HiGHS (scipy)."""

import numpy as np
import pytest
from scipy.optimize import linprog

from simulators.bench.random_cells import random_cell
from simulators.bench.scenarios import small_cell
from simulators.bench.study.play import play
from simulators.bench.study.wishes import Wishes
from supervisor.shift.bound import _fixed_ms, _Part, _resources, _Ways

CELLS = [small_cell(), small_cell(jaws=1), *(random_cell(seed) for seed in (3, 11, 24, 57))]


def linear_programme(maker, parts) -> float:
    """Least T with T >= load of each resource, each part a mixture of its ways."""
    ways = [(at, way) for at, part in enumerate(parts) for way in part.ways]
    resources = len(maker.stations) + 1
    fixed = _fixed_ms(maker, parts)
    above = np.zeros((resources, len(ways) + 1))
    for column, (_, way) in enumerate(ways):
        above[:, column] = way.loads
    above[:, -1] = -1.0
    whole = np.zeros((len(parts), len(ways) + 1))
    for column, (at, _) in enumerate(ways):
        whole[at, column] = 1.0
    solved = linprog(
        np.append(np.zeros(len(ways)), 1.0),
        A_ub=above,
        b_ub=[-each for each in fixed],
        A_eq=whole,
        b_eq=np.ones(len(parts)),
        bounds=[(0, None)] * len(ways) + [(None, None)],
    )
    assert solved.success
    return float(solved.fun)


@pytest.mark.parametrize("cell", CELLS, ids=range(len(CELLS)))
def test_the_weights_found_are_within_a_per_cent_of_the_best_and_never_beyond(cell):
    work = play(Wishes(cell=cell, hours=3.0, pallets=30), 2).work
    maker = _Ways(cell, work)
    parts = [_Part(done=done, ways=maker.of(done), came_ms=done.entered_ms) for done in work.parts]
    parts = [part for part in parts if part.ways]
    assert len(parts) > 5
    best_ms = linear_programme(maker, parts)
    found_ms = _resources(maker, parts).ms
    assert 0.99 * best_ms <= found_ms <= best_ms + 1.0

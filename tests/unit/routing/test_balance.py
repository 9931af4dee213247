"""The plan of who decides what, for many pallets: near the least that a linear programme says is possible, and the same for the same covers.

Rules of this file: the linear programme (HiGHS, through SciPy) shares no code with the plan, and lets pallets be split among covers: no
plan can load the busiest station less. The cells are not those on which the plan's rounds were chosen, and their handler has time to spare.
"""

import numpy as np
import pytest
from scipy.optimize import linprog

from supervisor.routing.descent import spread
from supervisor.routing.plan import balanced
from supervisor.routing.router import Router
from tests.bench.routing.cells import slow
from tests.unit.routing.step_simulator import Simulation

SEEDS = (1000, 1001, 1002)


def outlooks_of(seed):
    case = slow(seed)
    simulation = Simulation(case.cell, Router(case.cell), case.part_types)
    simulation.advance(0)
    return Router(case.cell).picture(simulation.situation()).outlooks


def least_ms(flexible, stations):
    """The least that the busiest station can be loaded with if a pallet may be split among its covers."""
    kinds = {}
    for covers in flexible.values():
        kinds[covers] = kinds.get(covers, 0) + 1
    columns = [(kind, cover) for kind, covers in enumerate(kinds) for cover in covers]
    loads = [[cover.work_ms[at] for _, cover in columns] + [-1] for at in range(stations)]
    taken = [[float(kind == of) for of, _ in columns] + [0] for kind in range(len(kinds))]
    cost = np.zeros(len(columns) + 1)
    cost[-1] = 1
    return linprog(
        cost, A_ub=loads, b_ub=np.zeros(stations), A_eq=taken, b_eq=[*kinds.values()]
    ).fun


@pytest.mark.parametrize("seed", SEEDS)
def test_the_busiest_of_sixteen_stations_has_little_more_to_do_than_a_linear_programme_says(seed):
    outlooks = outlooks_of(seed)
    plan = balanced(outlooks, [0] * 16)
    assert all(plan.covers[pallet] in outlook.covers for pallet, outlook in outlooks.items())
    assert plan.load_ms == [sum(c.work_ms[at] for c in plan.covers.values()) for at in range(16)]
    flexible = {pallet: outlook.covers for pallet, outlook in outlooks.items()}
    least = least_ms(flexible, 16)
    assert least <= plan.most_ms <= 1.05 * least


def test_who_shares_a_tuple_of_covers_with_whom_changes_nothing():
    flexible = {pallet: outlook.covers for pallet, outlook in outlooks_of(SEEDS[0]).items()}
    copied = {pallet: (*covers,) for pallet, covers in flexible.items()}
    assert spread(copied, [0] * 16) == spread(flexible, [0] * 16)


def test_what_the_stations_have_to_do_already_is_made_up_for():
    flexible = {pallet: outlook.covers for pallet, outlook in outlooks_of(SEEDS[0]).items()}
    _, even_ms = spread(flexible, [0] * 16)
    a_fifth_ms = max(even_ms) // 5
    _, load_ms = spread(flexible, [a_fifth_ms, *[0] * 15])
    assert max(load_ms) <= 1.03 * max(even_ms)
    assert load_ms[0] - a_fifth_ms < even_ms[0]

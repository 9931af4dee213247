"""Two jaws against one, and this policy against first come, first served, on twenty drawn cells: the figures of the page.

The simulation is deterministic, so the table in docs/explanation/routing.md is compared line by line; when the policy changes, the
message of this test is the new table.
"""

import random
from pathlib import Path
from statistics import mean

import pytest

from supervisor.routing.router import Router
from tests.unit.routing.first_come import FirstCome
from tests.unit.routing.random_cells import random_cell
from tests.unit.routing.step_simulator import Simulation

PAGE = Path(__file__).parents[3] / "docs" / "explanation" / "routing.md"
SEEDS = range(20)
PALLETS = 12


def run(seed, jaws, policy):
    cell = random_cell(seed, jaws=jaws, stations=3)
    rng = random.Random(seed)
    part_types = [rng.choice(cell.part_types).part_type for _ in range(PALLETS)]
    plans = "kept" if policy is Router else "forgotten"
    return Simulation(cell, policy(cell), part_types, seed=seed, plans=plans).run()


@pytest.fixture(scope="module")
def outcomes():
    return {
        (policy, jaws): [run(seed, jaws, policy) for seed in SEEDS]
        for policy in (Router, FirstCome)
        for jaws in (1, 2)
    }


def makespans(outcomes):
    return [outcome.makespan_ms for outcome in outcomes]


def ratios(some, others):
    return [one / other for one, other in zip(makespans(some), makespans(others), strict=True)]


def swap_share(outcomes):
    return sum(o.swaps for o in outcomes) / sum(o.exchanges for o in outcomes)


def busiest(outcomes):
    return mean(outcome.busiest_percent for outcome in outcomes)


def span(values):
    return f"{mean(values):.3f} | {min(values):.3f} | {max(values):.3f}"


def test_two_jaws_are_quicker_than_one_and_swap_most_exchanges(outcomes):
    two, one = outcomes[Router, 2], outcomes[Router, 1]
    assert mean(ratios(two, one)) < 1
    assert swap_share(two) > 0.8
    assert swap_share(one) == 0
    assert busiest(two) > busiest(one)


def test_it_is_quicker_than_first_come_first_served(outcomes):
    for jaws in (1, 2):
        assert mean(ratios(outcomes[Router, jaws], outcomes[FirstCome, jaws])) < 1


def test_the_figures_on_the_page_are_those_of_this_code(outcomes):
    two, one = outcomes[Router, 2], outcomes[Router, 1]
    first_two, first_one = outcomes[FirstCome, 2], outcomes[FirstCome, 1]
    table = [
        f"| this policy / first come, two jaws | {span(ratios(two, first_two))} |",
        f"| this policy / first come, one jaw | {span(ratios(one, first_one))} |",
        f"| two jaws / one jaw, this policy | {span(ratios(two, one))} |",
        f"| two jaws / one jaw, first come | {span(ratios(first_two, first_one))} |",
        f"| swaps among exchanges, two jaws | {swap_share(two):.0%} | {swap_share(first_two):.0%} |",
        f"| busiest station measures, two jaws | {busiest(two):.0f} % | {busiest(first_two):.0f} % |",
        f"| busiest station measures, one jaw | {busiest(one):.0f} % | {busiest(first_one):.0f} % |",
    ]
    page = PAGE.read_text(encoding="utf-8")
    assert [line for line in table if line not in page] == [], "\n".join(table)

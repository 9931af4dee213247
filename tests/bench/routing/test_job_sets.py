"""Job sets with layouts: the published problem is solved as published, ours with one handler is never beaten, and two ways to the least agree.

Rules of this file: published values and their source as in job_sets.py. The whole table is ``make bench-routing ARGS=--sets``.
"""

from dataclasses import replace
from itertools import product

import pytest

from supervisor.routing.nominal import Node
from tests.bench.routing.checker import broken_rules
from tests.bench.routing.handler_states import least
from tests.bench.routing.job_sets import (
    LAYOUTS,
    PUBLISHED,
    SETS,
    case_of,
    decided,
    model_of,
    planned,
    visits_once,
)
from tests.bench.routing.recorded import run
from tests.bench.routing.transport_oracle import one_handler, two_vehicles


def small(number: int) -> tuple:
    """The first three jobs of a set, two operations of each."""
    return tuple(job[:2] for job in SETS[number][:3])


@pytest.mark.parametrize("layout", LAYOUTS)
def test_no_detour_is_shorter_than_a_way(layout):
    ways = LAYOUTS[layout]
    for a, b, c in product(range(len(ways)), repeat=3):
        assert ways[a][c] <= ways[a][b] + ways[b][c]


def test_the_published_value_is_proved_for_the_problem_as_published():
    units, bound = two_vehicles(SETS[1], LAYOUTS[2], workers=1)
    assert units == bound == PUBLISHED[1][1]


@pytest.mark.parametrize("jaws", [1, 2])
def test_two_ways_to_the_least_of_one_handler_agree(jaws):
    jobs = small(7)
    found = least(jobs, LAYOUTS[3], jaws)
    assert one_handler(jobs, LAYOUTS[3], jaws, workers=1) == (found.end, found.bound)


def test_where_the_budget_is_spent_a_bound_is_left():
    whole = least(SETS[5], LAYOUTS[1], 2)
    part = least(SETS[5], LAYOUTS[1], 2, states_max=500)
    assert part.end is None
    assert part.bound <= whole.bound == whole.end


@pytest.mark.parametrize("jaws", [1, 2])
def test_nothing_is_quicker_than_the_least_of_one_handler(jaws):
    jobs, ways = SETS[5], LAYOUTS[1]
    shortest = least(jobs, ways, jaws).end
    assert shortest is not None
    assert shortest <= decided(jobs, ways, jaws, 300) <= shortest * 5 / 4
    assert jaws == 1 or shortest <= planned(jobs, ways, 3_000)
    log = run(case_of("job set 5", jobs, ways, jaws).with_steps(0))
    assert broken_rules(log) == []
    assert 1000 * shortest <= log.makespan_ms


@pytest.mark.parametrize(("number", "jobs_max", "jaws"), [(1, 2, 1), (1, 3, 2), (7, 3, 2)])
def test_the_bound_of_the_model_is_admissible_where_ways_are_no_rail(number, jobs_max, jaws):
    jobs = small(number)[:jobs_max]
    model, root = model_of(jobs, LAYOUTS[4], jaws)
    ends: dict[Node, int] = {}

    def end_of(node: Node) -> int:
        if node not in ends:
            after = [model.after(node, step) for step in model.steps(node)]
            ends[node] = min((end_of(one) for one in after), default=node.now_ms)
        return ends[node]

    assert least(jobs, LAYOUTS[4], jaws).end <= end_of(root)
    assert all(model.judge(node)[0] <= end for node, end in ends.items())


def test_the_checker_judges_ways_by_the_layout():
    log = run(case_of("job set 4", SETS[4], LAYOUTS[1], 2).with_steps(0))
    assert not visits_once(SETS[4])
    assert broken_rules(log) == []
    longer = tuple(tuple(ms + 1 for ms in row) for row in log.case.ways_ms)
    log.case = replace(log.case, ways_ms=longer)
    assert any("the handler could be there" in rule for rule in broken_rules(log))

"""Orders of visits in the engine's model: published job shops are obeyed, never beaten, and the easy ones solved.

Rules of this file: optima as published, see job_shops.py. What an order comes to is worked out again on the nominal model.
"""

from dataclasses import replace
from decimal import Decimal

import pytest

from supervisor.routing.improvement import improved
from supervisor.routing.nominal import HOME, OUT, Nominal
from supervisor.routing.timetable import Orders
from tests.bench.routing.checker import broken_rules
from tests.bench.routing.job_shops import SHOPS, case_of, looked_ahead, model_of, planned
from tests.bench.routing.recorded import run


class Everything(Nominal):
    """The model with every pallet that could be fetched, for every station; by itself it proposes only some."""

    def _fetchable(self, node):
        return [(job, self.jobs[job].next_of(node.rest[job])) for job in node.home]


@pytest.mark.parametrize(
    ("name", "carries"), [("ft06", 60_000), ("la01", 60_000), ("la05", 60_000)]
)
def test_a_plan_finds_the_published_optimum(name, carries):
    assert planned(name, carries) == SHOPS[name][0]


@pytest.mark.parametrize("name", sorted(SHOPS))
def test_nothing_is_quicker_than_the_published_optimum_and_look_ahead_is_within_a_third(name):
    optimum = SHOPS[name][0]
    assert optimum <= planned(name, 5_000)
    assert optimum <= looked_ahead(name, 3_000) <= optimum * 4 / 3


@pytest.mark.parametrize("name", ["ft06", "la05"])
@pytest.mark.parametrize("steps", [0, 300])
def test_a_whole_run_of_a_cell_keeps_the_declared_order_and_beats_no_optimum(name, steps):
    case = case_of(name).with_steps(steps)
    log = run(case)
    assert broken_rules(log) == []
    assert 1000 * SHOPS[name][0] <= log.makespan_ms


def test_the_checker_finds_a_run_and_a_value_that_decides_nothing_before_their_time():
    case = case_of("ft06").with_steps(0)
    log = run(case)
    mine = sorted((r for r in log.runs if r.pallet == "pallet-00"), key=lambda r: r.start_ms)
    first, second, third = mine[:3]
    programs = {program.program: program for program in case.cell.programs}
    coarse = replace(programs[third.program].covers[0], expanded_u=Decimal(99))
    spoiling = replace(programs[first.program], covers=(*programs[first.program].covers, coarse))
    programs[first.program] = spoiling
    spoilt = replace(case, cell=replace(case.cell, programs=tuple(programs.values())))
    found = broken_rules(replace(log, case=spoilt))
    assert len(found) == 1
    assert f"{coarse.number} is measured before" in found[0]
    log.runs.remove(first)
    log.runs.append(replace(first, start_ms=second.start_ms + 1))
    assert any("is measured before" in rule for rule in broken_rules(log))


@pytest.mark.parametrize("name", sorted(SHOPS))
def test_an_improved_order_obeys_the_order_of_visits_and_ends_on_the_model_when_it_says(name):
    nominal, root, _ = model_of(name)
    found = improved(Orders(nominal, root), 5_000, 0)
    assert found is not None
    for number, row in enumerate(SHOPS[name][1:]):
        mine = [visit.station for visit in found.order if visit.job == number]
        assert mine == [*(machine for machine, _ in row), OUT]
    model, node, todo = Everything(nominal.frame, nominal.jobs), root, list(found.order)
    while todo:
        steps = [step for step in model.steps(node) if (step.job, step.target) == todo[0]]
        if steps:
            todo.pop(0)
        step = steps[0] if steps else next(s for s in model.steps(node) if s.target == HOME)
        node = model.after(node, step)
    assert node.now_ms == found.end_ms

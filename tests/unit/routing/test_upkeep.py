"""The plan of many pallets is kept from one decision to the next, and gets better; that of few is made anew.

Rules of this file: the least that any plan can load the busiest station with is told by a linear programme (HiGHS, through SciPy), as in
``test_balance.py``.
"""

import pytest

from supervisor.cell.value import replace
from supervisor.routing import plan as planning
from supervisor.routing import upkeep
from supervisor.routing.plan import balanced
from supervisor.routing.router import Router
from supervisor.routing.situation import Carry
from tests.bench.routing.cells import large, slow
from tests.unit.routing.step_simulator import Simulation
from tests.unit.routing.test_balance import least_ms, outlooks_of

STATIONS = 16


@pytest.fixture(scope="module")
def outlooks():
    return outlooks_of(2000)


def intents(plan):
    return {pallet: cover.programs for pallet, cover in plan.covers.items()}


def situation_of(case):
    simulation = Simulation(case.cell, Router(case.cell), case.part_types)
    simulation.advance(0)
    return simulation.situation()


def test_a_plan_that_is_kept_gets_better_and_comes_near_the_least(outlooks):
    plan = balanced(outlooks, [0] * STATIONS)
    first_ms, ends_ms = plan.most_ms, []
    for seed in range(12):
        plan = balanced(outlooks, [0] * STATIONS, kept=intents(plan), seed=seed)
        ends_ms.append(plan.most_ms)
    least = least_ms({pallet: each.covers for pallet, each in outlooks.items()}, STATIONS)
    assert least <= ends_ms[-1] <= 1.025 * least
    assert ends_ms[-1] < first_ms
    assert plan.load_ms == [
        sum(c.work_ms[at] for c in plan.covers.values()) for at in range(STATIONS)
    ]


def test_nothing_is_changed_that_does_not_make_it_better(outlooks, monkeypatch):
    plan = balanced(outlooks, [0] * STATIONS)
    monkeypatch.setattr(upkeep, "TRIES", 0)
    assert balanced(outlooks, [0] * STATIONS, kept=intents(plan)).covers == plan.covers


def test_who_cannot_be_decided_as_planned_any_more_chooses_anew(outlooks, monkeypatch):
    kept = intents(balanced(outlooks, [0] * STATIONS))
    lost, gone = list(kept)[:2]
    monkeypatch.setattr(upkeep, "TRIES", 0)
    told = {**kept, lost: ("no such program",), "nobody": ("no such program",)}
    del told[gone]
    plan = balanced(outlooks, [0] * STATIONS, kept=told)
    assert plan.covers[lost] in outlooks[lost].covers
    assert plan.covers[gone] in outlooks[gone].covers
    others = set(kept) - {lost, gone}
    assert {pallet: plan.covers[pallet].programs for pallet in others} == {
        pallet: kept[pallet] for pallet in others
    }


def test_of_a_part_that_is_half_measured_the_rest_of_its_plan_is_kept(monkeypatch):
    case = large(1000, pallets=60).with_steps(0)
    router, situation = Router(case.cell), situation_of(case)
    answer = router.choose(situation)
    monkeypatch.setattr(upkeep, "TRIES", 0)
    pallet, programs = next((who, what) for who, what in answer.plan if len(what) > 1)
    decided = {
        cover.number
        for each in case.cell.programs
        if each.program == programs[0]
        for cover in each.covers
    }
    views = tuple(
        replace(
            view,
            open=tuple(number for number in view.open if number not in decided),
            done=programs[:1],
        )
        if view.pallet == pallet
        else view
        for view in situation.pallets
    )
    after = router.choose(replace(situation, pallets=views, plan=answer.plan))
    assert set(dict(after.plan)[pallet]) <= set(programs[1:])


def test_the_answer_hands_the_plan_back_with_the_cover_that_it_carries_for():
    case = large(1000, pallets=60).with_steps(0)
    router, situation = Router(case.cell), situation_of(case)
    answer = router.choose(situation)
    assert isinstance(answer, Carry)
    plan = dict(answer.plan)
    assert plan.keys() == {view.pallet for view in situation.pallets}
    assert {answer.program, *answer.then} <= set(plan[answer.pallet])
    assert router.choose(situation) == answer
    assert Router(case.cell).choose(situation) == answer


def test_a_plan_lasts_until_nobody_has_a_choice(monkeypatch):
    case = slow(1000, pallets=12).with_steps(0)
    router, situation = Router(case.cell), situation_of(case)
    assert router.choose(situation).plan == ()
    monkeypatch.setattr(planning, "GREEDY_MAX", 11)
    begun = router.choose(situation).plan
    monkeypatch.undo()
    kept = router.choose(replace(situation, plan=begun)).plan
    assert len(kept) == len(situation.pallets)
    decided = tuple(replace(view, open=()) for view in situation.pallets)
    assert router.choose(replace(situation, plan=begun, pallets=decided)).plan == ()


def test_where_the_handler_limits_the_plan_has_fewer_visits(outlooks):
    idle = {
        pallet: replace(each, covers=tuple(replace(c, hands_ms=0) for c in each.covers))
        for pallet, each in outlooks.items()
    }
    toil = {
        pallet: replace(
            each, covers=tuple(replace(c, hands_ms=20 * c.hands_ms) for c in each.covers)
        )
        for pallet, each in outlooks.items()
    }

    def visits(given):
        plan = balanced(given, [0] * STATIONS)
        return sum(len(cover.programs) for cover in plan.covers.values()), plan.short_of

    many, limit = visits(idle)
    few, other_limit = visits(toil)
    assert (limit, other_limit) == ("stations", "handler")
    assert few < many

"""Plans for all pallets at once: what is promised is carried out step by step, nothing beats the bound, the same question gets the same plan.

Rules of this file: what a plan is worth is worked out again on the nominal model, which shares no code with the timetable.
"""

import random
from types import SimpleNamespace

import pytest

from supervisor.cell.value import replace
from supervisor.routing.choice import candidates
from supervisor.routing.improvement import improved
from supervisor.routing.lookahead import Scene, plan_ms
from supervisor.routing.nominal import HOME, OUT, Nominal
from supervisor.routing.router import Router
from supervisor.routing.timetable import Orders, Visit
from tests.unit.routing.random_cells import random_cell
from tests.unit.routing.step_simulator import Simulation


def scene_of(seed, *, jaws=2, pallets=5):
    rng = random.Random(seed)
    cell = random_cell(seed, jaws=jaws, stations=3)
    simulation = Simulation(
        cell, Router(cell), [rng.choice(cell.part_types).part_type for _ in range(pallets)]
    )
    simulation.advance(0)
    picture = Router(cell).picture(simulation.situation())
    return picture, Scene(picture, candidates(picture))


def replayed_ms(scene, order):
    """The end of an order on the nominal model: what is displaced goes home unless its own visit is the next."""
    model, node, todo = Everything(scene.frame, scene.model.jobs), scene.root, list(order)
    while todo:
        steps = [step for step in model.steps(node) if (step.job, step.target) == todo[0]]
        if steps:
            todo.pop(0)
            node = model.after(node, steps[0])
        else:
            node = model.after(node, next(s for s in model.steps(node) if s.target == HOME))
    return node.now_ms


def soaking(seed):
    """The same, where two of three pallets outside the stations have to soak for up to ten minutes; the model, the root and their ends of soaking."""
    _, scene = scene_of(seed)
    rng = random.Random(seed)
    ready_ms = [rng.choice((0, 1, 2)) * rng.randrange(100_000, 300_000) for _ in scene.model.jobs]
    jobs = zip(scene.model.jobs, ready_ms, strict=True)
    model = Nominal(scene.frame, tuple(replace(job, ready_ms=ms) for job, ms in jobs))
    return SimpleNamespace(frame=scene.frame, model=model, root=scene.root), ready_ms


class Everything(Nominal):
    """The model with every pallet that could be fetched, for every station; by itself it proposes only some."""

    def _fetchable(self, node):
        return [(job, -1) for job in node.home]


@pytest.mark.parametrize("seed", range(8))
def test_a_plan_ends_on_the_nominal_model_when_it_says_and_not_before_the_bound(seed):
    _, scene = scene_of(seed)
    found = improved(Orders(scene.model, scene.root), 4_000, 0)
    assert found is not None
    assert found.end_ms == replayed_ms(scene, found.order)
    assert scene.model.judge(scene.root)[0] <= found.end_ms


@pytest.mark.parametrize("seed", range(6))
def test_a_plan_waits_for_parts_that_soak_and_takes_others_meanwhile(seed):
    scene, ready_ms = soaking(seed)
    found = improved(Orders(scene.model, scene.root), 3_000, 0)
    assert found is not None
    assert found.end_ms == replayed_ms(scene, found.order)
    assert scene.model.judge(scene.root)[0] <= found.end_ms
    assert found.end_ms > max(ready_ms)
    others = [job for job, ms in enumerate(ready_ms) if not ms]
    assert found.order[0].job in others or not others


@pytest.mark.parametrize("seed", range(4))
def test_every_visit_and_every_exit_is_in_a_plan_once(seed):
    _, scene = scene_of(seed)
    orders = Orders(scene.model, scene.root)
    found = improved(orders, 2_000, 0)
    assert found is not None
    assert sorted(found.order) == sorted(orders.visits)
    for job, rest in enumerate(scene.root.rest):
        mine = [visit.station for visit in found.order if visit.job == job]
        assert mine[-1:] == ([OUT] if rest >= 0 else [])


@pytest.mark.parametrize("seed", range(4))
def test_more_work_never_makes_a_plan_worse_and_the_same_work_the_same_plan(seed):
    ends = []
    for budget in (0, 500, 500, 5_000):
        picture, _ = scene_of(seed)
        ends.append(plan_ms(picture, candidates(picture), budget))
    assert ends[0] >= ends[1] == ends[2] >= ends[3]


def test_the_chain_that_the_end_hangs_on_begins_with_the_last_visit():
    _, scene = scene_of(1)
    found = improved(Orders(scene.model, scene.root), 1_000, 0)
    assert found is not None
    assert found.critical[0] == found.order[-1]
    places = [found.order.index(visit) for visit in found.critical]
    assert places == sorted(places, reverse=True)


def test_a_way_that_ends_too_late_is_left_before_its_end():
    _, scene = scene_of(2, pallets=8)
    orders = Orders(scene.model, scene.root)
    patience_ms = dict.fromkeys(orders.visits, 0)
    whole = orders.play(orders.visits, patience_ms)
    assert whole is not None
    carries = orders.carries
    assert orders.play(orders.visits, patience_ms, whole.end_ms * 3 // 4) is None
    assert orders.carries - carries < carries
    assert orders.play(orders.visits, patience_ms, whole.end_ms) == whole


def test_one_jaw_gets_no_plan_where_a_nest_would_have_to_be_emptied_first():
    picture, _ = scene_of(3, jaws=1)
    assert plan_ms(picture, candidates(picture), 1_000) is None


def test_no_visit_of_a_plan_goes_to_a_station_that_takes_nothing():
    _, scene = scene_of(0)
    shut = type(scene.frame)(
        **{name: getattr(scene.frame, name) for name in scene.frame.__slots__} | {"shut": 1}
    )
    model = type(scene.model)(shut, scene.model.jobs)
    assert Visit(0, 0) not in Orders(model, scene.root).visits

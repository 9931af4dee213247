"""The way to the end that look-ahead saw is kept from one decision to the next: what was promised is held as long as all goes as declared.

Rules of this file: all outfeed places stand at one point, because which of them a pallet goes to is known only with its verdict; and the handler
has two jaws where a promise is held, because with one the model may empty a nest sooner than the cell does.
"""

import random

import pytest

from supervisor.cell.value import replace
from supervisor.routing.choice import candidates
from supervisor.routing.router import Router
from supervisor.routing.scene import Scene
from supervisor.routing.situation import Carry
from tests.bench.routing.cells import slow, without_homes
from tests.unit.routing.random_cells import random_cell
from tests.unit.routing.step_simulator import Simulation, Trouble
from tests.unit.routing.test_look_ahead import Everything, best_end_ms, small_case


def drawn(seed, jaws, steps=400, pallets=6):
    rng = random.Random(seed)
    cell = random_cell(seed, jaws=jaws, stations=3, look_ahead_steps=steps)
    places = tuple(
        replace(place, at_mm=0) if place.kind == "outfeed" else place for place in cell.places
    )
    programs = tuple(replace(each, result_ms=each.part_free_ms) for each in cell.programs)
    part_types = [rng.choice(cell.part_types).part_type for _ in range(pallets)]
    return replace(cell, places=places, programs=programs), part_types


@pytest.mark.parametrize("seed", range(6))
def test_what_was_promised_never_gets_later_while_all_goes_as_declared(seed):
    cell, part_types = drawn(seed, jaws=2)
    outcome = Simulation(cell, Router(cell), part_types, Trouble(outfeed_cleared_ms=0)).run()
    told = [
        (situation.now_ms, answer)
        for situation, answer in zip(outcome.situations, outcome.answers, strict=True)
        if isinstance(answer, Carry) and answer.bound_ms is not None
    ]
    promised = [now_ms + answer.cost_ms for now_ms, answer in told]
    assert all(answer.bound_ms <= answer.cost_ms for _, answer in told)
    assert len(promised) > len(part_types)
    assert promised == sorted(promised, reverse=True)
    assert outcome.makespan_ms <= promised[-1]


def test_a_way_begins_with_the_answer_and_brings_everybody_out():
    cell, part_types = drawn(3, jaws=2)
    outcome = Simulation(cell, Router(cell), part_types).run()
    programs = {program.program for program in cell.programs}
    told = 0
    for situation, answer in zip(outcome.situations, outcome.answers, strict=True):
        if answer.bound_ms is None or not isinstance(answer, Carry):
            continue
        told += 1
        assert answer.way[0][0] == answer.pallet
        out = [pallet for pallet, place, _ in answer.way if not place]
        assert sorted(out) == [view.pallet for view in situation.pallets]
        assert {name for leg in answer.way for name in leg[2]} <= programs
    assert told > len(part_types)


class Confused(Router):
    """A router that is handed back ways that are none: shuffled, of pallets and places that there never were, with programs of others."""

    def choose(self, situation):
        rng = random.Random(situation.now_ms)
        way = [*situation.way, ("nobody", "station-1", ("nothing",)), ("pallet-00", "nowhere", ())]
        programs = [leg[2] for leg in way]
        rng.shuffle(way)
        way = [(*leg[:2], rng.choice(programs)) for leg in way]
        return super().choose(replace(situation, way=tuple(way[rng.randrange(3) :])))


@pytest.mark.parametrize("jaws", [1, 2])
@pytest.mark.parametrize("seed", range(3))
def test_whatever_way_comes_back_the_moves_are_safe_and_everybody_gets_out(seed, jaws):
    cell, part_types = drawn(seed, jaws, steps=300)
    trouble = Trouble(
        late=0.5, bad_results=0.1, outages=(("station-2", 60_000, 200_000, "allowed"),)
    )
    outcome = Simulation(cell, Confused(cell), part_types, trouble, seed=seed).run()
    assert outcome.left == []
    assert len(outcome.sorted) == len(part_types)


@pytest.mark.parametrize("seed", range(3))
def test_nor_does_it_matter_where_pallets_go_from_nest_to_nest(seed):
    case = without_homes(slow(seed, stations=6, pallets=16)).with_steps(0)
    trouble = Trouble(
        late=0.5, bad_results=0.1, outages=(("station-02", 600_000, 9_000_000, "allowed"),)
    )
    outcome = Simulation(case.cell, Confused(case.cell), case.part_types, trouble, seed=seed).run()
    assert outcome.left == []
    assert len(outcome.sorted) == len(case.part_types)
    assert any(len(situation.way) > 10 for situation in outcome.situations)


def test_a_way_that_is_known_is_followed_without_a_budget_for_more():
    cell, part_types = drawn(4, jaws=2, steps=3_000)
    outcome = Simulation(cell, Router(cell), part_types).run()
    at = next(n for n, answer in enumerate(outcome.answers) if answer.bound_ms is not None)
    situation, answer = outcome.situations[at], outcome.answers[at]
    poor = Router(drawn(4, jaws=2, steps=300)[0])  # just enough to look to the end at all
    alone, told = poor.choose(situation), poor.choose(replace(situation, way=answer.way))
    assert told.cost_ms == answer.cost_ms < alone.cost_ms


@pytest.mark.parametrize("seed", [0, 1, 3, 5])
def test_the_bound_holds_with_other_covers_than_the_planned(seed):
    cell, part_types = small_case(seed, jaws=1 + seed % 2)
    simulation = Simulation(cell, Router(cell), part_types)
    simulation.advance(0)
    picture = Router(cell).picture(simulation.situation())
    moves = candidates(picture)
    kept = {name: each.covers[-1] for name, each in picture.outlooks.items() if each.covers}
    scene = Scene(picture, moves, (), kept)
    everything = Everything(scene.frame, scene.model.jobs)
    for _, node in scene.first_nodes(scene.kept_root):
        assert everything.judge(node)[0] <= best_end_ms(everything, node)


def test_a_pallet_that_has_waited_long_ends_look_ahead_only_when_others_came_in_meanwhile():
    cell, part_types = drawn(5, jaws=2)
    simulation = Simulation(cell, Router(cell), part_types)
    simulation.advance(0)
    router, situation = Router(cell), simulation.situation()
    late = replace(situation, now_ms=situation.now_ms + 10**8)
    late = replace(
        late, pallets=tuple(replace(view, movable_ms=late.now_ms) for view in late.pallets)
    )
    assert router.choose(late).bound_ms is not None
    *others, last = late.pallets
    overtaken = (*others, replace(last, entered_ms=late.now_ms, waiting_since_ms=late.now_ms))
    assert router.choose(replace(late, pallets=overtaken)).bound_ms is None

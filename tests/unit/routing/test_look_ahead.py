"""What look-ahead may claim: bounds that nothing beats, a budget that it keeps, objectives that it follows, reasons with figures.

Rules of this file: what is best is found by trying everything on cells that are small enough for it.
"""

import random

import pytest

from supervisor.cell.model import Routing, Urgency
from supervisor.cell.value import replace
from supervisor.routing.choice import candidates
from supervisor.routing.lookahead import Scene, look_ahead
from supervisor.routing.nominal import Nominal
from supervisor.routing.router import Router
from supervisor.routing.situation import Carry, Stay
from tests.unit.routing.random_cells import cell_of, program, random_cell
from tests.unit.routing.step_simulator import Simulation


def picture_of(cell, part_types, after_ms=0):
    """The cell as routing sees it some time after the pallets arrived, with the rule carrying until then."""
    simulation = Simulation(cell, Router(cell), part_types)
    simulation.advance(0)
    while simulation.now_ms < after_ms and simulation.parts:
        answer = simulation.ask()
        if isinstance(answer, Carry):
            simulation.carry_out(answer)
        elif not simulation.wait(answer.until_ms):
            break
    return Router(cell).picture(simulation.situation())


class Everything(Nominal):
    """The model with every pallet that could be fetched, for every station."""

    def _fetchable(self, node):
        return [(job, -1) for job in node.home]


def best_end_ms(model, node, best=1 << 62):
    """The earliest end of all ways to go on, by trying all of them; a way is left when its time alone is later than the best."""
    if not node.left:
        return model.judge(node)[0]
    for step in model.steps(node):
        if step.end_ms < best:
            best = min(best, best_end_ms(model, model.after(node, step), best))
    return best


def small_case(seed, jaws):
    rng = random.Random(seed)
    cell = random_cell(seed, jaws=jaws, stations=2, pace=rng.choice((0.5, 2, 5)))
    part_types = [rng.choice(cell.part_types).part_type for _ in range(3)]
    return cell, part_types


@pytest.mark.parametrize("jaws", [1, 2])
@pytest.mark.parametrize("seed", range(8))
def test_no_way_to_go_on_ends_before_the_bound(seed, jaws):
    picture = picture_of(*small_case(seed, jaws), after_ms=40_000 * (seed % 3))
    moves = candidates(picture)
    if not moves:
        return
    scene = Scene(picture, moves)
    everything = Everything(scene.frame, scene.model.jobs)
    for move in moves:
        node = scene.node_after(move)
        assert everything.judge(node)[0] <= best_end_ms(everything, node)


def soaking(situation, seed):
    """The same with pallets that may be fetched only after a while, up to ten minutes from now."""
    rng = random.Random(seed)
    pallets = tuple(
        replace(view, movable_ms=situation.now_ms + rng.choice((0, 60_000, 600_000)))
        for view in situation.pallets
    )
    return replace(situation, pallets=pallets)


@pytest.mark.parametrize("seed", [1, 3, 5, 6])
def test_parts_that_soak_are_reckoned_with_and_the_bound_holds(seed):
    cell, part_types = small_case(seed, jaws=1 + seed % 2)
    simulation = Simulation(cell, Router(cell), part_types)
    simulation.advance(0)
    situation = soaking(simulation.situation(), seed)
    last_ms = max(view.movable_ms for view in situation.pallets)
    picture = Router(cell).picture(situation)
    moves = candidates(picture)
    scene = Scene(picture, moves)
    everything = Everything(scene.frame, scene.model.jobs)
    ends = []
    for move in moves:
        node = scene.node_after(move)
        ends.append(best_end_ms(everything, node))
        assert everything.judge(node)[0] <= ends[-1]
    assert min(ends) > last_ms  # nobody was fetched sooner
    assert look_ahead(picture, moves, [], 1_000).end_ms + picture.now_ms >= min(ends)


@pytest.mark.parametrize("seed", range(8))
def test_what_is_found_is_seldom_later_than_the_best_and_never_earlier(seed):
    cell, part_types = small_case(seed, jaws=2)
    picture = picture_of(cell, part_types)
    moves = candidates(picture)
    scene = Scene(picture, moves)
    everything = Everything(scene.frame, scene.model.jobs)
    best_ms = min(best_end_ms(everything, scene.node_after(move)) for move in moves)
    found_ms = look_ahead(picture, moves, [], 3_000).end_ms + picture.now_ms
    assert best_ms <= found_ms <= 1.02 * best_ms


@pytest.mark.parametrize("seed", range(5))
def test_the_budget_is_exceeded_by_three_single_ways_at_most(seed):
    cell = random_cell(seed, jaws=2, stations=3)
    rng = random.Random(seed)
    picture = picture_of(cell, [rng.choice(cell.part_types).part_type for _ in range(12)])
    moves = candidates(picture)
    least = look_ahead(picture, moves, [], 0).steps
    for budget in (100, 500, 2_000):
        assert look_ahead(picture, moves, [], budget).steps <= 2.5 * budget + 3 * least


def one_station(objective, due_ms, weight):
    urgencies = (Urgency(part_type="plate", due_ms=due_ms, weight=weight),) if weight else ()
    cell = cell_of(
        [("scan-1", 2000)],
        [("plate", ("1",)), ("ring", ("1",))],
        [
            program("plate-scan", "scan-1", "plate", ("1",), 60),
            program("ring-scan", "scan-1", "ring", ("1",), 60),
        ],
    )
    routing = Routing(objective=objective, look_ahead_steps=500, urgencies=urgencies)
    return replace(cell, routing=routing)


FOUR = ("ring", "ring", "ring", "plate")


def presses(objective, due_ms, weight):
    """One station, three rings and then a plate, all there at once: which place the plate comes out in."""
    cell = one_station(objective, due_ms, weight)
    outcome = Simulation(cell, Router(cell), list(FOUR)).run()
    return outcome.sorted.index("pallet-03")


def test_throughput_alone_takes_alike_pallets_as_they_came():
    assert presses("throughput", 0, 0) == 3


def test_a_class_that_presses_goes_first():
    assert presses("priority_classes", 0, 5) == 0


def test_a_part_that_would_be_late_goes_before_others_and_one_with_time_does_not():
    assert presses("due_times", 200_000, 5) < 3
    assert presses("due_times", 3_600_000, 5) == 3


def test_what_lateness_counts_is_not_told_as_a_time_at_which_all_is_out():
    """Four minutes of work with 100 seconds for each second of the plate were told as "all known pallets are out in 145 min"."""
    weighed = Router(one_station("priority_classes", 0, 100))
    simulation = Simulation(one_station("priority_classes", 0, 100), weighed, list(FOUR))
    simulation.advance(0)
    answer = weighed.choose(simulation.situation())
    told = [answer.why, *(each.why_lost for each in answer.alternatives)]
    assert answer.cost_ms > 60 * 60_000
    assert "the time until all is out and what lateness counts come to " in answer.why
    assert any("with what lateness counts it would come to " in each for each in told)
    assert not any(word in each for each in told for word in ("all known pallets", "would be out"))
    plain = Router(one_station("throughput", 0, 0)).choose(simulation.situation())
    assert "so all known pallets are out in " in plain.why


def test_an_answer_tells_the_end_the_bound_and_what_the_runner_up_would_have_cost():
    cell = random_cell(3, jaws=2, stations=3, look_ahead_steps=500)
    part_types = [cell.part_types[0].part_type] * 6
    outcome = Simulation(cell, Router(cell), part_types).run()
    told = [answer for answer in outcome.answers if answer.bound_ms is not None]
    assert told
    for answer in told:
        assert "all known pallets" in answer.why
        costs = [other.cost_ms for other in answer.alternatives if other.cost_ms is not None]
        if isinstance(answer, Carry):
            assert answer.bound_ms <= answer.cost_ms
            assert all(cost >= answer.cost_ms for cost in costs)
    assert any(other.cost_ms is not None for answer in told for other in answer.alternatives)


def test_every_pallet_in_view_has_a_reason_whatever_was_chosen():
    cell = random_cell(5, jaws=2, stations=3, look_ahead_steps=200)
    part_types = [cell.part_types[0].part_type] * 10
    outcome = Simulation(cell, Router(cell), part_types).run()
    for situation, answer in zip(outcome.situations, outcome.answers, strict=True):
        if situation.hand or answer.bound_ms is None:
            continue
        named = " ".join([answer.why, *(other.what for other in answer.alternatives)])
        if isinstance(answer, Stay):
            assert all(
                pallet.pallet in named or pallet.place in {s.station for s in situation.stations}
                for pallet in situation.pallets
            )

"""Exchanges that are played on: what the model of the cell makes of them, and what it is worth."""

from itertools import chain, repeat
from statistics import mean

import pytest

from supervisor.cell.value import replace
from supervisor.routing import exchange as exchange_module
from supervisor.routing import outlook, play, rehearsal
from supervisor.routing.chains import Matched, Mover
from supervisor.routing.onward import NOWHERE
from supervisor.routing.play import together
from supervisor.routing.rehearsal import Course, Rehearsal
from supervisor.routing.router import Router
from supervisor.routing.sequence import Sequence
from tests.bench.routing.cells import slow, without_homes
from tests.bench.routing.checker import broken_rules
from tests.bench.routing.recorded import run
from tests.unit.routing.step_simulator import Simulation

NOTHING = Matched({}, {})
CASE = without_homes(slow(5, stations=8, pallets=24)).with_steps(0)


def asked(case):
    """What is asked at the start of a run."""
    simulation = Simulation(case.cell, Router(case.cell), case.part_types)
    simulation.advance(0)
    return simulation.situation()


@pytest.fixture(scope="module")
def empty():
    """A cell without home places at the start: all nests are empty, all pallets outside."""
    return Router(CASE.cell).picture(asked(CASE))


def rehearsed(picture, movers=None):
    outside = {view.pallet: {} for view in picture.situation.pallets}
    return Rehearsal(picture, movers or {}, outside, list(picture.seats))


def unused(picture, exchanged, least=float("inf"), then=()):
    rehearsal = rehearsed(picture)
    rehearsal._least = least
    return rehearsal._played(Course(exchanged, [*then]))[1]


def best_of(rehearsal, plain, *others):
    """What is chosen to begin with, if nothing else is drawn."""
    return rehearsal.best_of(plain, chain(others, repeat(plain)), Sequence()).first


def carry_ms(picture, at):
    return picture.tables.hands_ms[at] * play.HANDS_PERCENT // 100


def brought(picture, count):
    """So many pallets are fetched, each for a nest that it gains most at."""
    nests = {}
    for view in picture.situation.pallets:
        ways = picture.ways(view)
        free = [at for at in ways if at not in nests]
        if free and len(nests) < count:
            at = max(free, key=lambda at: ways[at][0])
            nests[at] = ways[at][0], view.pallet
    assert len(nests) == count
    return Matched({}, nests)


def test_the_more_nests_are_used_at_once_the_less_time_is_unused(empty, monkeypatch):
    """Up to just before the first run ends, the time that is not used is that of the nests to which nobody came, and what carrying takes."""
    shortest_ms = min(o.result_ms for each in empty.tables.offers.values() for o in each)
    monkeypatch.setattr(rehearsal, "AHEAD_PERCENT", 100 * (shortest_ms - 1) // empty.tables.run_ms)
    horizon_ms = empty.tables.run_ms * rehearsal.AHEAD_PERCENT // 100
    nobody = unused(empty, NOTHING)
    assert nobody == pytest.approx(horizon_ms * sum(empty.prices[:-1]))
    one = brought(empty, 1)
    ((at, (gain, _)),) = one.fetched.items()
    detour = empty.tables.idle_ms * empty.prices[at] - gain
    carried = empty.prices[at] * carry_ms(empty, at)
    assert unused(empty, one) == pytest.approx(
        nobody - horizon_ms * empty.prices[at] + carried + detour
    )


def test_what_is_already_worse_is_not_followed_further(empty):
    few = brought(empty, 2)
    to_the_end = unused(empty, few)
    assert unused(empty, few, to_the_end * 1.01) == to_the_end
    assert to_the_end / 2 <= unused(empty, few, to_the_end / 2) < to_the_end


def test_the_handler_serves_one_after_the_other(empty, monkeypatch):
    monkeypatch.setattr(rehearsal, "AHEAD_PERCENT", 0)
    one, other = (list(brought(empty, 2).fetched.items())[n] for n in (0, 1))
    both = Matched({}, dict([one, other]))
    alone = unused(empty, Matched({}, dict([one]))) + unused(empty, Matched({}, dict([other])))
    waits_ms = carry_ms(empty, one[0])
    assert unused(empty, both) == pytest.approx(alone + empty.prices[other[0]] * waits_ms)


def test_who_still_adapts_to_the_temperature_does_not_come_in_before_the_horizon(empty):
    """The nest of the only one that is ready stands empty after its run; if the others are ready, it does not."""
    shortest = min(
        (offer for each in empty.tables.offers.values() for offer in each),
        key=lambda offer: offer.result_ms,
    )
    at = shortest.station
    first = next(
        view
        for view in empty.situation.pallets
        if at in empty.ways(view) and shortest in empty.ways(view)[at][1].next_at(at)
    )
    only = Matched({}, {at: (1.0, first.pallet)})

    def left_unused(others_ready_ms):
        soaked = tuple(
            view if view is first else replace(view, movable_ms=others_ready_ms)
            for view in empty.situation.pallets
        )
        situation = replace(empty.situation, pallets=soaked)
        picture = Router(CASE.cell).picture(situation)
        rehearsal = Rehearsal(picture, {}, {first.pallet: {}}, list(picture.seats))
        return rehearsal._played(Course(only, []))[1]

    ahead_ms = empty.tables.run_ms * rehearsal.AHEAD_PERCENT // 100
    assert left_unused(empty.now_ms) < left_unused(empty.now_ms + ahead_ms)


def test_the_best_of_several_is_found_and_the_first_one_of_equals(empty):
    few, more = brought(empty, 2), brought(empty, 6)
    assert unused(empty, more) < unused(empty, few)
    assert best_of(rehearsed(empty), few, NOTHING, more) is more
    assert best_of(rehearsed(empty), more, NOTHING, few) is more
    same = Matched({}, dict(more.fetched))
    assert best_of(rehearsed(empty), more, same) is more


def test_no_more_than_so_many_are_tried(empty, monkeypatch):
    monkeypatch.setattr(rehearsal, "TRIES", 3)
    tried = iter([NOTHING] * 10)
    rehearsed(empty).best_of(brought(empty, 1), tried, Sequence())
    assert len(list(tried)) == 10 - 2  # every second one leaves the best course somewhere


def test_who_is_in_hand_is_put_down_if_the_plain_exchange_does(empty):
    """Another exchange that leaves the pallet in the jaw is not looked at, however good."""
    view = empty.situation.pallets[0]
    at = next(iter(empty.ways(view)))
    moving = {view.pallet: Mover(NOWHERE, {at: 1.0})}
    held = Router(CASE.cell).picture(replace(empty.situation, hand=view.pallet))
    put = Matched({view.pallet: at}, {})
    assert best_of(rehearsed(held, moving), put, brought(empty, 6)) is put


def test_playing_on_is_worth_it(monkeypatch):
    """Eight slow cells of six stations: with the exchange that gains most at once, and with those that were played on. One of the eight alone loses."""
    cases = [without_homes(slow(seed, stations=6, pallets=60)).with_steps(0) for seed in range(8)]
    played = [run(case) for case in cases]
    monkeypatch.setattr(rehearsal, "TRIES", 0)
    plain = [run(case) for case in cases]
    assert not any(broken_rules(log) for log in [*played, *plain])
    ratios = [one.makespan_ms / other.makespan_ms for one, other in zip(played, plain, strict=True)]
    assert mean(ratios) < 0.97, ratios


@pytest.mark.parametrize("seed", [0, 2])
def test_what_is_remembered_and_forgotten_changes_no_answer(seed, monkeypatch):
    """Who is alike is known by the covers remembered for it: were they forgotten half-way, the same question would be answered otherwise after a restart."""
    case = without_homes(slow(seed, stations=6, pallets=16)).with_steps(0)
    monkeypatch.setattr(outlook, "REMEMBERED_MAX", 20)
    router = Router(case.cell)
    outcome = Simulation(case.cell, router, case.part_types).run()
    assert not outcome.left
    for situation, answer in zip(outcome.situations, outcome.answers, strict=True):
        assert Router(case.cell).choose(situation) == answer


def test_what_is_remembered_is_bounded_between_questions(monkeypatch):
    router, question = Router(CASE.cell), asked(CASE)
    router.choose(question)
    assert router._outlooks._known
    monkeypatch.setattr(outlook, "REMEMBERED_MAX", 1)
    router.next_program(question.pallets[0], CASE.cell.stations[0].station)
    assert len(router._outlooks._known) == 1


# --- what is kept from one decision to the next ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("goings", "nests", "stands", "count"),
    [
        pytest.param([], [0], {}, 0, id="nobody goes anywhere"),
        pytest.param([("a", 0)], [0], {}, 1, id="an empty nest"),
        pytest.param([("a", 0)], [1], {}, 0, id="it still runs there"),
        pytest.param([("a", 0)], [0], {"b": 0}, 0, id="b would be left in the jaw"),
        pytest.param([("a", 0), ("b", 1)], [0, 1], {"b": 0}, 2, id="b makes room"),
        pytest.param([("a", 1), ("b", 0)], [0, 1], {"a": 0, "b": 1}, 2, id="a ring"),
        pytest.param([("a", 0), ("b", 1)], [0, 1], {}, 2, id="all that is possible"),
        pytest.param([("a", 0), ("b", 1)], [0], {"b": 0}, 0, id="b cannot make room yet"),
        pytest.param(
            [("a", 0), ("a", 1), ("b", 2)], [0, 1, 2], {"b": 0}, 0, id="a is not there yet"
        ),
        pytest.param([("shut in", 0)], [0], {}, 0, id="who may not go"),
        pytest.param(
            [("a", 0), ("b", 2), ("c", 0)],
            [0, 1, 2],
            {"b": 0, "d": 2, "e": 0},
            0,
            id="two for one nest",
        ),
    ],
)
def test_what_of_a_course_happens_at_once(goings, nests, stands, count):
    assert together(goings, nests, stands, lambda who, _: who != "shut in") == count


def questions(case):
    """A run, as questions and answers."""
    outcome = Simulation(case.cell, Router(case.cell), case.part_types).run()
    assert not outcome.left
    return list(zip(outcome.situations, outcome.answers, strict=True))


@pytest.fixture(scope="module")
def told():
    return questions(without_homes(slow(5, stations=8, pallets=24)).with_steps(0))


def programs_of(cell):
    return {each.program: each.station for each in cell.programs}


def test_an_answer_hands_back_how_it_goes_on(told):
    """Each leg names a pallet that is there and programs of the station; no pallet goes to the same station twice, and a carry to a station is what the way begins with or has begun."""
    runs_at, seen = programs_of(CASE.cell), 0
    for situation, answer in told:
        there = {view.pallet for view in situation.pallets}
        assert all(who in there and names for who, _, names in answer.way)
        assert all(runs_at[name] == place for _, place, names in answer.way for name in names)
        assert len({leg[:2] for leg in answer.way}) == len(answer.way)
        if getattr(answer, "program", "") and answer.way != situation.way:
            seen += (answer.pallet, answer.target, (answer.program, *answer.then)) in answer.way
    assert seen > 24


def test_what_was_found_is_not_lost_where_nothing_else_is_tried(told, monkeypatch):
    """With the way of the answer before, the course that is chosen leaves no more unused than without, and mostly less; none is tried beside them."""
    monkeypatch.setattr(rehearsal, "TRIES", 0)
    kept = forgotten = 0.0
    better = 0
    for situation, _ in told:
        leaves = []
        for way in (situation.way, ()):
            picture = Router(CASE.cell).picture(replace(situation, way=way))
            if picture.prices:
                leaves.append(_least_unused(picture, monkeypatch))
        if leaves:
            assert leaves[0] <= leaves[1]
            better += leaves[0] < leaves[1]
            kept, forgotten = kept + leaves[0], forgotten + leaves[1]
    assert better > len(told) / 4
    assert kept < 0.95 * forgotten


def _least_unused(picture, monkeypatch):
    asked = []

    class Asked(Rehearsal):
        def best_of(self, *args):
            asked.append(self)
            return super().best_of(*args)

    monkeypatch.setattr(exchange_module, "Rehearsal", Asked)
    exchange_module.exchange(picture)
    return asked[0]._least

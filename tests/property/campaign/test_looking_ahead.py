"""Cells of the campaign that look ahead, and the supervisor that is started under another declaration amid a shift."""

from collections import Counter

import pytest

from simulators.bench import sometimes, stages
from simulators.bench.random_cells import LOOK_AHEAD_STEPS, random_cell, redeclared
from simulators.bench.shift import Case, Shift
from simulators.models.chance import chance
from supervisor.cell.value import replace
from supervisor.core.events import SupervisorStarted
from supervisor.routing import reasons
from supervisor.routing.moves import PUT_OFF
from supervisor.routing.router import Router

FED = 90_260
"""A seed whose cell has an infeed and looks ahead; pallets without a home are in its nests while a way is kept."""


def test_a_good_part_of_the_cells_looks_ahead_with_an_infeed_and_without():
    drawn: Counter[tuple[bool, int]] = Counter()
    for seed in range(1, 301):
        cell = random_cell(seed)
        fed = any(place.kind == "infeed" for place in cell.places)
        drawn[fed, cell.routing.look_ahead_steps] += 1
    assert {steps for _, steps in drawn} == set(LOOK_AHEAD_STEPS)
    for fed in (False, True):
        all_of_them = sum(drawn[fed, steps] for steps in LOOK_AHEAD_STEPS)
        assert all_of_them / 6 < all_of_them - drawn[fed, 0] < all_of_them


def test_another_declaration_differs_in_how_it_looks_ahead_alone():
    cell = random_cell(3)
    other = redeclared(cell, "another", chance("a test"))
    assert other.digest == "another"
    assert other.routing != cell.routing
    assert (other.stations, other.places, other.programs) == (
        cell.stations,
        cell.places,
        cell.programs,
    )


def test_the_words_that_an_exchange_is_told_by_are_those_of_routing():
    assert stages.PUT_OFF in reasons._PREVENTED[PUT_OFF]


@pytest.mark.parametrize(
    "seed", [90_008, 90_020]
)  # replayed from the first entry, as one in four is
def test_a_supervisor_is_started_under_other_declarations_and_the_journal_tells_all(seed):
    shift = Shift(Case(seed=seed, faults={"redeclared": None}))
    outcome = shift.run()
    assert outcome.failures == ()
    assert sum(outcome.hits.values()) > 0
    started = [
        e.event for e in shift.world.journal.entries if isinstance(e.event, SupervisorStarted)
    ]
    assert len({each.declaration for each in started}) == len(started)
    assert len(started) == 1 + sum(outcome.hits.values())


def test_faults_hit_while_a_way_is_kept_for_pallets_without_a_home():
    outcome = Shift(Case(seed=FED)).run()
    assert outcome.failures == ()
    assert outcome.amid["answer", "look-ahead, to the end"] > 0
    hit = {
        kind for (kind, kept), count in outcome.amid.items() if count and kept == sometimes.WAYS[1]
    }
    assert len(hit) > 5


def test_a_router_that_remembers_the_way_itself_is_caught(monkeypatch):
    """A replay, or whoever takes the cell after a death, would decide otherwise: what is kept has to come with the question."""
    choose, remembered = Router.choose, {}

    def from_memory(router, situation):
        answer = choose(router, replace(situation, way=remembered.get(id(router), ())))
        remembered[id(router)] = answer.way
        return answer

    monkeypatch.setattr(Router, "choose", from_memory)
    outcome = Shift(Case(seed=90_000)).run()
    assert {failure.rule for failure in outcome.failures} == {"replay differs"}

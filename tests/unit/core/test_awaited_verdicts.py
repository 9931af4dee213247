"""Look-ahead may wait for a verdict without a limit of time, so whoever routing takes for one that awaits its verdict has a run that will bring it.

Rules of this file: what routing sees is looked at after every step, whether it was asked or not.
"""

from functools import partial

import pytest

from simulators.bench.trial import DAY_MS, START_MS, finish, serials, troubles
from supervisor.cell.model import Routing, Soak
from supervisor.cell.value import replace
from supervisor.core import views
from supervisor.core.decide import Core
from supervisor.core.draft import Draft
from supervisor.core.events import CellOrdered, GaugeStudyOrdered, SupervisorStarted
from tests.unit.core.reference_cell import world_of
from tests.unit.core.test_holds import pallet_twice

HOUR_MS = 3_600_000
STEPS = 400


def looking_ahead(cell):
    return replace(cell, routing=Routing(look_ahead_steps=STEPS))


def watched(world):
    """The same world; every step is watched. Also those that were awaited, and those of which nothing is open and who were not."""
    awaited, others, watch = set(), set(), world.watch

    def look(event, decision):
        watch(event, decision)
        state = decision.state
        measured = {each.run.pallet for each in state.stations.values() if each.run is not None}
        seen = views.situation(Draft(world.core.tables, state, world.now_ms), "").pallets
        idle = {view.pallet: view.stays for view in seen if not view.open and not view.sorting}
        waiting = {pallet for pallet, stays in idle.items() if stays == "no"}
        assert waiting <= measured, (event, waiting - measured)
        awaited.update(waiting)
        others.update(idle.keys() - waiting)

    world.watch = look
    return world, awaited, others


def test_parts_of_an_ordinary_shift_are_awaited_while_they_are_measured_and_evaluated(a_world):
    world, awaited, others = watched(a_world(pallets=6, declared=looking_ahead))
    finish(world, parts=6)
    assert troubles(world, parts=serials(world)) == []
    assert awaited == {part.pallet for part in world.physics.pallets}
    assert not others


@pytest.mark.parametrize("jaws", [1, 2])
def test_pallets_of_a_gauge_study_are_not_until_it_is_over(a_world, jaws):
    world = a_world(pallets=12, jaws=jaws, declared=looking_ahead)
    world.tell(CellOrdered(want="pause", by="a person"))
    world.run(world.now_ms + HOUR_MS)
    rings = {name for name, each in world.state.pallets.items() if each.part_type == "cam-ring"}
    world, awaited, others = watched(world)
    world.tell(
        GaugeStudyOrdered(
            pallets=tuple(sorted(rings)),
            station="scan-1",
            program="cam-ring@scan-1",
            loadings=2,
            repeats=2,
            references=(),
            by="M. Weaver",
        )
    )
    world.tell(CellOrdered(want="run", by="a person"))
    world.run(world.now_ms + DAY_MS, done=lambda w: w.state.studies[-1].end != "")
    assert world.state.studies[-1].end == "complete", world.state.studies[-1].why
    assert others == rings
    assert not awaited & rings

    finish(world, parts=12)
    assert troubles(world, parts=serials(world)) == []
    assert awaited >= rings, "parts like any other afterwards"


@pytest.mark.parametrize("jaws", [1, 2])
def test_a_part_that_soaks_in_a_nest_of_others_is_not(a_world, jaws):
    world = a_world(pallets=6, jaws=jaws, declared=looking_ahead)
    world.run(START_MS + HOUR_MS // 6, done=lambda w: w.state.stations["touch-1"].run is not None)
    there = world.state.stations["touch-1"].pallet
    part_type = world.state.pallets[there].part_type
    soaking = tuple(
        replace(each, soak=Soak(ms=8 * HOUR_MS, since="entry"))
        if each.part_type == part_type
        else each
        for each in world.cell.part_types
    )
    world.core = Core(replace(world.cell, part_types=soaking, digest="new"))
    world, _, others = watched(world)
    world.tell(SupervisorStarted(declaration="new", version="2", fence=2))
    world._seen.clear()
    for fact in list(world._facts()):
        world.tell(fact)
    world.run(START_MS + HOUR_MS)
    assert there in others
    assert {world.state.pallets[name].part_type for name in others} == {part_type}
    assert len(world.records) == 4, "the others"


def test_a_reference_part_is_not_and_parts_whose_verdict_is_doubted_are_while_they_are_measured():
    """touch-1 drifts, and its check takes back what decided parts were judged by that nobody fetches from the outfeeds."""
    world, awaited, others = watched(
        world_of(parts=9, take_after_ms=30 * DAY_MS, declared=looking_ahead)
    )
    world.run(START_MS + 16 * 60_000)
    world.models.stations["touch-1"].drift_to("2", 0.006)
    world.run(START_MS + DAY_MS)
    masters = {name for name, each in world.state.pallets.items() if each.part_type == "master"}
    doubted = [p for p in world.state.pallets.values() if p.revision == 1 and not p.verdict]
    assert doubted
    assert others == masters
    assert awaited
    assert not awaited & masters


def test_a_pallet_that_another_claims_to_be_is_not(a_world):
    """Who is doubted while it is measured gets no verdict before a person has answered, and is not seen by routing at all."""
    world, awaited, _ = watched(pallet_twice(partial(a_world, declared=looking_ahead)))
    world.run(world.now_ms + DAY_MS)
    (doubted,) = [h for h in world.state.holds.values() if h.code == "identity-doubted"]
    assert not world.state.pallets[doubted.subject].verdict
    assert doubted.subject not in awaited

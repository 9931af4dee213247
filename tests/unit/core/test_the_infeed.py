"""Pallets that come in where none comes back to: with two jaws they need no place between their visits, with one jaw a rack place each."""

from dataclasses import replace as replace_built
from functools import partial

import pytest

from simulators.bench.person import answer_all
from simulators.bench.trial import DAY_MS, finish, serials, troubles
from supervisor.cell.value import replace
from supervisor.core.events import CellOrdered
from supervisor.core.reservations import claim_on

MINUTE_MS = 60_000


def fed(cell, *, racks=0, infeeds=2):
    """The cell with so many rack places kept, and so many of the others as infeed places."""
    rack = [place for place in cell.places if place.kind == "rack"]
    come_in = [replace(p, place=f"in-{p.antenna}", kind="infeed") for p in rack[racks:]]
    out = [place for place in cell.places if place.kind == "outfeed"]
    places = sorted((*rack[:racks], *come_in[:infeeds], *out), key=lambda place: place.place)
    return replace(cell, places=tuple(places))


def never_cleared(physics):
    """Nobody takes away what stands at the outfeed."""
    return replace_built(physics, operator=replace_built(physics.operator, take_after_ms=10**9))


def until(world, done):
    world.run(world.now_ms + DAY_MS, done=lambda _: done())
    assert done()


@pytest.mark.parametrize("infeeds", [1, 3])
def test_with_two_jaws_every_part_gets_its_record_without_a_place_between_visits(a_world, infeeds):
    world = a_world(pallets=9, bad_share=0.3, declared=partial(fed, infeeds=infeeds))
    finish(world, parts=9)
    assert troubles(world, parts=serials(world)) == []
    assert not world.state.pallets
    assert all(pallet.home == "" for pallet in world.state.pallets.values())


@pytest.mark.parametrize("racks", [1, 2])
def test_with_one_jaw_a_pallet_comes_in_once_a_rack_place_is_kept_for_it(a_world, racks):
    world = a_world(pallets=8, jaws=1, bad_share=0.3, declared=partial(fed, racks=racks))
    most = 0

    def over():
        nonlocal most
        inside = [p for p in world.state.pallets.values() if p.place[:3] not in ("in-", "out")]
        most = max(most, len(inside))
        assert all(pallet.home.startswith("rack-") for pallet in inside)
        return not world.state.pallets and not world.models.operator.waiting

    until(world, over)
    assert most == racks
    assert troubles(world, parts=serials(world)) == []


@pytest.mark.parametrize(("racks", "all_have_one"), [(4, False), (5, True)])
def test_with_two_jaws_it_waits_for_a_rack_place_where_the_rack_has_three_for_two_stations(
    a_world, racks, all_have_one
):
    world = a_world(pallets=9, declared=partial(fed, racks=racks))
    without = set()

    def over():
        inside = [p for p in world.state.pallets.values() if p.place[:3] not in ("in-", "out")]
        without.update(p.pallet for p in inside if not p.home)
        return not world.state.pallets and not world.models.operator.waiting

    until(world, over)
    assert (not without) == all_have_one
    assert troubles(world, parts=serials(world)) == []


def test_people_are_asked_about_a_jaw_that_reads_occupied_after_its_pallet_was_said_to_be_gone(
    a_world, answer
):
    """Seed 60362 of the campaign. Its tag was asked for while it was lifted; without a home it stays in the jaw, where nothing can read it."""
    world = a_world(pallets=1, declared=fed)
    until(world, lambda: "handler" in world.state.outstanding)
    for _ in range(3):
        world.models.reader.answer_next("failed")
    world.cut("rack")
    world.mend("rack")
    until(world, lambda: world.state.holds and "handler" not in world.state.outstanding)
    (jaw,) = [p.place for p in world.state.pallets.values() if p.place.startswith("jaw-")]
    world.run(world.now_ms + 5 * MINUTE_MS)
    assert [hold.code for hold in world.state.holds.values()] == ["tag-unreadable"]
    answer(world, "tag-unreadable", "removed")
    assert [hold.code for hold in world.state.holds.values()] == ["jaw-unknown"]
    world.models.operator.bring(world.floor.lift(jaw), world.now_ms)
    world.run(world.now_ms + MINUTE_MS)
    answer(world, "jaw-unknown", "jaws empty")
    finish(
        world, parts=2
    )  # of what was measured before it was taken out, and of the part that came again
    assert (world.state.pallets, world.state.holds) == ({}, {})
    assert not world.floor.violations


def test_why_it_waits_is_said_while_no_rack_place_is_free(a_world):
    world = a_world(pallets=4, jaws=1, declared=partial(fed, racks=1))
    said = []
    world.watch = lambda _event, decision: said.extend(
        other.why_lost for choice in decision.choices for other in choice.alternatives
    )
    until(world, lambda: world.state.stations["touch-1"].run is not None)
    world.run(world.now_ms + MINUTE_MS)
    assert any("no rack place is free that could be kept for it" in why for why in said)


def test_a_pallet_in_the_jaw_without_a_home_says_what_it_waits_for(a_world):
    """The outfeed is full: what was swapped out for the next part is not left standing for a person."""
    world = a_world(pallets=6, declared=fed, built=never_cleared)
    said = []
    world.watch = lambda _event, decision: said.extend(choice.why for choice in decision.choices)
    world.run(world.now_ms + DAY_MS)
    assert not any("a person has to take it out" in why for why in said)


@pytest.mark.hazard(26)
def test_a_pallet_that_moves_up_while_the_handler_comes_for_another_is_not_taken_for_it(a_world):
    """A person takes one away from the conveyor; the jaw has no tag reader, so somebody has to look."""
    world = a_world(pallets=4, declared=partial(fed, infeeds=1))

    def comes_for():
        waiting = world.state.outstanding.get("handler")
        place = waiting.goal.place if waiting is not None else ""
        return world.state.places[place].pallet if place[:3] == "in-" else ""

    until(world, comes_for)
    away, place = comes_for(), world.state.pallets[comes_for()].place
    assert world.floor.lift(place) == away
    world.look()
    other = world.models.operator.expected()[0]
    world.models.operator.leave_to_others(other)
    assert world.floor.set_down(place, other)
    world.look()
    until(world, lambda: world.state.holds)

    (hold,) = world.state.holds.values()
    assert hold.code == "jaw-unknown"
    assert f"{place} was emptied by hand" in hold.seen
    world.models.operator.bring(away, world.now_ms + MINUTE_MS)
    answer_all(world)
    finish(world, parts=4)
    assert troubles(world, parts=[]) == []
    assert {record.serial for record in world.records} == {*serials(world)}


def test_a_rack_place_that_was_to_be_kept_is_free_again_if_the_pallet_is_not_fetched(a_world):
    world = a_world(pallets=3, jaws=1, declared=partial(fed, racks=1, infeeds=3))
    until(world, lambda: world.state.handler.carry is not None)
    carried = world.state.handler.carry.pallet
    assert world.state.places["rack-01"].reserved == carried
    world.tell(CellOrdered(want="pause", by="a person"))
    until(world, lambda: world.state.handler.carry is None)
    pallet = world.state.pallets[carried]
    if pallet.place.startswith("in-"):
        assert (pallet.home, world.state.places["rack-01"].reserved) == ("", "")
    assert claim_on(world.state, carried) is None
    world.tell(CellOrdered(want="run", by="a person"))
    finish(world, parts=3)
    assert troubles(world, parts=serials(world)) == []

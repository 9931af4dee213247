"""A pallet in a jaw or a nest that nothing takes: people are asked about it once, and only as long as it is so."""

from functools import partial

import pytest

from simulators.bench.person import answer_all
from simulators.bench.trial import DAY_MS, finish, serials, troubles
from supervisor.cell.value import replace
from supervisor.core.events import CellOrdered
from supervisor.core.stranded import ASKED_AFTER_MS
from tests.unit.core.test_the_infeed import MINUTE_MS, fed, never_cleared, until


def asked(world, code="pallet-stranded"):
    return [hold for hold in world.state.holds.values() if hold.code == code]


def turn_all(world, mode):
    """Somebody turns the keys of all stations."""
    for station in world.models.stations.values():
        station.befall(mode)
    world.look()


@pytest.fixture
def a_full_hand(a_world):
    """Makes a world whose handler has just taken a pallet from the infeed that has no home place."""

    def make(**wishes):
        world = a_world(declared=partial(fed, racks=wishes.pop("racks", 0)), **wishes)

        def homeless():
            jaws = (world.state.pallets.get(name) for name in world.state.handler.jaws)
            return any(pallet is not None and not pallet.home for pallet in jaws)

        until(world, homeless)
        return world

    return make


@pytest.mark.hazard(30)
def test_people_are_asked_about_what_nothing_takes_out_of_a_jaw_until_something_does(a_full_hand):
    world = a_full_hand()
    turn_all(world, "manual")
    until(world, lambda: asked(world))
    (hold,) = world.state.holds.values()
    assert (hold.about, hold.subject) == ("pallet", world.state.handler.jaws[0])
    assert hold.seen.startswith("it is in jaw-1 and has no home place: no station can decide")
    assert "touch-1 could, but: in mode manual" in hold.seen
    assert len(asked(world)) == 1

    turn_all(world, "automatic")
    assert not asked(world)
    finish(world, parts=3)
    assert troubles(world, parts=serials(world)) == []
    assert (world.state.holds, world.state.timers) == ({}, {})


def test_the_question_ends_when_a_rack_place_gets_free(a_full_hand):
    world = a_full_hand(racks=1)
    (at_home,) = [p.pallet for p in world.state.pallets.values() if p.home]
    turn_all(world, "manual")
    until(world, lambda: asked(world))
    assert world.state.places["rack-01"].reserved == at_home
    station = world.state.pallets[at_home].place
    assert world.floor.lift(station) == at_home
    world.models.operator.bring(at_home, world.now_ms + 10 * MINUTE_MS)
    world.look()
    turn_all(world, "automatic")
    world.models.stations[station].befall("manual")
    world.look()
    until(world, lambda: not asked(world))
    assert world.state.handler.jaws == ("", "") or world.state.handler.carry is not None


def test_a_connection_that_is_lost_for_a_moment_is_not_asked_about(a_full_hand):
    world = a_full_hand()
    for name in world.models.stations:
        world.cut(name)
    world.run(world.now_ms + ASKED_AFTER_MS - 20_000)
    assert world.state.handler.carry is None
    for name in world.models.stations:
        world.mend(name)
    world.run(world.now_ms + ASKED_AFTER_MS)
    assert not asked(world)
    finish(world, parts=3)
    assert troubles(world, parts=serials(world)) == []


def test_who_took_it_out_and_has_not_said_so_is_asked_when_something_takes_it(a_full_hand, answer):
    world = a_full_hand()
    turn_all(world, "manual")
    until(world, lambda: asked(world))
    taken = world.floor.lift("jaw-1")
    world.look()
    assert [hold.code for hold in world.state.holds.values()] == ["pallet-stranded"]
    turn_all(world, "automatic")
    until(world, lambda: world.state.holds)
    assert [hold.code for hold in world.state.holds.values()] == ["jaw-unknown"]
    world.models.operator.bring(taken, world.now_ms)
    answer(world, "jaw-unknown", "jaws empty")
    finish(world, parts=4)
    assert (world.state.pallets, world.state.holds) == ({}, {})
    assert not world.floor.violations


def test_said_to_be_out_while_the_jaw_still_holds_it_people_are_asked_about_the_jaw(
    a_full_hand, answer
):
    world = a_full_hand()
    turn_all(world, "manual")
    until(world, lambda: asked(world))
    answer(world, "pallet-stranded", "removed")
    assert [hold.code for hold in world.state.holds.values()] == ["jaw-unknown"]


def test_while_the_cell_pauses_or_the_handler_is_driven_by_hand_nobody_is_asked(a_full_hand):
    world = a_full_hand()
    turn_all(world, "manual")
    world.tell(CellOrdered(want="pause", by="a person"))
    world.run(world.now_ms + 5 * MINUTE_MS)
    assert not asked(world)
    world.models.handler.befall("manual")
    world.look()
    world.tell(CellOrdered(want="run", by="a person"))
    world.run(world.now_ms + 5 * MINUTE_MS)
    assert not asked(world)
    world.models.handler.befall("automatic")
    world.look()
    until(world, lambda: asked(world))


def free_of(world, *places):
    return [place for place in places if not world.floor.pallet_at(place)]


def test_a_full_outfeed_is_named_and_emptying_it_ends_the_question(a_world, answer):
    """Somebody sets other pallets down where the one in the jaw was to leave, which the handler finds out first."""
    world = a_world(pallets=8, declared=partial(fed, infeeds=1), built=never_cleared)

    def to_be_put_out():
        pallet = world.state.pallets.get(world.state.handler.jaws[0])
        return pallet is not None and pallet.sorting

    until(world, to_be_put_out)
    for place in free_of(world, "out-ok-1", "out-ok-2"):
        other = world.models.operator.expected()[0]
        world.models.operator.leave_to_others(other)
        assert world.floor.set_down(place, other)
    world.look()
    until(world, lambda: asked(world, "handler-failed"))
    world.run(world.now_ms + 5 * MINUTE_MS)
    assert not asked(world)
    answer(world, "handler-failed", "go on")
    until(world, lambda: asked(world))
    (hold,) = asked(world)
    assert hold.seen.endswith("no outfeed place for conforming parts is free")
    assert world.floor.lift("out-ok-1")
    world.look()
    assert not asked(world)


# --- in nests ---------------------------------------------------------------------------------------------------------------------


def with_racks(world, *, kept):
    """The cell is declared with only these rack places left."""
    places = tuple(p for p in world.cell.places if p.kind == "outfeed" or p.place in kept)
    world.redeclare(replace(world.cell, places=places, digest="fewer places"))


def of_two_stations(cell):
    """Every part needs scan-1 and touch-1."""
    return replace(cell, programs=tuple(p for p in cell.programs if p.station != "ct-1"))


def in_each_others_way(a_world, *, jaws):
    """Two pallets, each in the nest that the other needs next, when the rack is gone but for a place where a third one lives."""
    world = a_world(jaws=jaws, pallets=3, declared=of_two_stations)
    until(world, lambda: {"scan-1", "touch-1"} <= {p.place for p in world.state.pallets.values()})
    (at_home,) = [p.place for p in world.state.pallets.values() if p.place.startswith("rack")]
    with_racks(world, kept={at_home})
    return world, at_home


def test_with_one_jaw_people_are_asked_to_part_two_pallets_whose_homes_are_declared_away(
    a_world, answer
):
    world, _ = in_each_others_way(a_world, jaws=1)
    until(world, lambda: asked(world))
    (hold,) = world.state.holds.values()
    place = world.state.pallets[hold.subject].place
    other = "touch-1" if place == "scan-1" else "scan-1"
    assert hold.seen == (
        f"it is in {place} and has no home place: it waits for {other}, and what is there waits for it in turn"
    )
    assert world.floor.lift(place) == hold.subject
    world.look()
    assert len(world.state.holds) == 1
    answer(world, "pallet-stranded", "removed")
    finish(world, parts=3)
    assert (world.state.pallets, world.state.holds, world.state.timers) == ({}, {}, {})
    assert troubles(world, parts=serials(world)) == []


def test_a_rack_place_that_gets_free_parts_them_as_well(a_world):
    world, at_home = in_each_others_way(a_world, jaws=1)
    until(world, lambda: asked(world))
    third = world.floor.lift(at_home)
    world.look()
    assert not asked(world)
    world.models.operator.bring(third, world.now_ms + 30 * MINUTE_MS)
    finish(world, parts=4)
    assert (world.state.pallets, world.state.holds, world.state.timers) == ({}, {}, {})


@pytest.mark.hazard(43)
@pytest.mark.parametrize("racks", [0, 1])
@pytest.mark.parametrize("minutes", [4, 9, 18])
@pytest.mark.parametrize("seed", [2, 3])
def test_however_many_rack_places_are_declared_away_the_cell_gets_empty_with_one_jaw(
    a_world, seed, minutes, racks
):
    """Or somebody is asked, and once that is answered it does."""
    world = a_world(jaws=1, pallets=7, seed=seed, bad_share=0.3)
    world.run(world.now_ms + minutes * MINUTE_MS)
    full = [p.place for p in world.state.places.values() if p.place[:4] == "rack" and p.pallet]
    with_racks(world, kept=full[:racks])
    for _ in range(5):
        world.run(world.now_ms + DAY_MS, done=lambda _: bool(world.state.holds))
        answer_all(world)
        world.run(world.now_ms + 3 * MINUTE_MS)
    assert (world.state.pallets, world.state.holds) == ({}, {})
    assert not world.floor.violations


def test_with_two_jaws_they_are_exchanged_and_nobody_is_asked(a_world):
    world, _ = in_each_others_way(a_world, jaws=2)
    finish(world, parts=3)
    assert (world.state.pallets, world.state.holds) == ({}, {})
    assert troubles(world, parts=serials(world)) == []

"""Two carriers claim one identity: no tag tells which is right, so neither has a verdict before a person has looked (hazard 12)."""

from dataclasses import replace as changed

import pytest

from simulators.bench.checks import findings
from simulators.bench.trial import DAY_MS, START_MS
from simulators.models.tag import encode_tag
from supervisor.core.commands import MoveHandler
from supervisor.core.events import HoldReleased, ResultArrived

HOUR_MS = 3_600_000
LATE_MS = 240_000
STRANGE_GTIN = "00614141999996"
FIRST, SECOND = 0, 1


@pytest.fixture
def lone(a_world):
    """Makes a world with one pallet in the cell, and a second one that a person has in hand."""

    def make(*, liar: int, gtin: str = ""):
        def built(physics):
            """The liar's tag says what the other one's says, or that with another part type."""
            pallets = list(physics.pallets)
            true = pallets[1 - liar]
            payload = encode_tag(
                pallet=true.pallet,
                gtin=gtin or physics.part_type[true.part_type].gtin,
                serial=true.serial,
                batch=true.batch,
                produced=true.produced,
            )
            pallets[liar] = changed(pallets[liar], tag=payload.hex())
            arrivals_ms = (START_MS, START_MS + 9 * DAY_MS)
            operator = changed(physics.operator, arrivals_ms=arrivals_ms)
            return changed(physics, pallets=tuple(pallets), operator=operator)

        return a_world(pallets=2, built=built)

    return make


def until(world, done):
    world.run(world.now_ms + DAY_MS, done=lambda _: done())
    assert done()


def the_first(world):
    """What the cell knows of the pallet that came first; None once it is gone."""
    return next(
        (p for p in world.state.pallets.values() if not p.pallet.startswith("unread")), None
    )


def bring_second(world):
    """A person puts the second carrier into the rack, and its tag is read."""
    place = next(
        name
        for name, place in sorted(world.state.places.items())
        if name.startswith("rack") and place.presence == "empty" and not place.reserved
    )
    assert world.floor.set_down(place, world.physics.pallets[SECOND].pallet)
    world.look()
    until(world, lambda: {"identity-doubted", "pallet-twice"} <= {*asked(world)})


def asked(world):
    return sorted(hold.code for hold in world.state.holds.values())


def reply(world, code, answer, why=""):
    (hold,) = [hold for hold in world.state.holds.values() if hold.code == code]
    world.tell(HoldReleased(hold=hold.hold, answer=answer, by="a person", place="", why=why))


def lift(world, place):
    assert world.floor.lift(place)
    world.look()


def evaluating_elsewhere(world):
    """The runs whose results are still to come while their part is at another station."""
    return [
        station.run
        for station in world.state.stations.values()
        if station.run is not None
        and station.run.stage in ("evaluating", "finished")
        and (first := the_first(world)) is not None
        and first.place != station.station
        and first.place in world.state.stations
    ]


def in_work(world):
    first = the_first(world)
    return first is not None and bool(first.results) and first.place in world.state.stations


@pytest.mark.hazard(12)
def test_neither_of_two_carriers_goes_on_before_somebody_has_looked(lone):
    world = lone(liar=SECOND)
    until(world, lambda: in_work(world))
    bring_second(world)
    nest = the_first(world).place
    world.run(world.now_ms + 4 * HOUR_MS)
    assert (world.records, the_first(world).place, the_first(world).verdict) == ([], nest, "")

    reply(world, "identity-doubted", "right")
    assert "identity-doubted" in asked(world), "a person vouches for it, with a reason"
    reply(world, "identity-doubted", "right", "serial number on the part compared")
    until(world, lambda: bool(world.records))
    assert [r.serial for r in world.records] == [world.physics.pallets[FIRST].serial]
    assert world.records[0].verdict == "conforming"
    assert asked(world) == ["pallet-twice"]


@pytest.mark.hazard(12)
def test_what_was_measured_on_the_carrier_that_lied_counts_for_no_part(lone):
    """The other one goes on by itself, and is measured from the beginning."""
    world = lone(liar=FIRST)
    until(world, lambda: in_work(world))
    bring_second(world)
    world.run(world.now_ms + HOUR_MS)
    taken = the_first(world)
    lift(world, taken.place)
    reply(world, "identity-doubted", "removed")
    assert {result.result_id for result in taken.results} <= {
        aside.result_id for aside in world.state.unassigned if "nobody vouched" in aside.why
    }
    world.run(world.now_ms + DAY_MS)
    true = world.physics.pallets[SECOND].serial
    assert [(r.serial, r.verdict) for r in world.records] == [(true, "conforming")]
    assert findings(world.cell, world.records, world.floor.witnessed, [true]) == []
    assert (world.state.holds, world.state.pallets) == ({}, {})


@pytest.mark.hazard(12)
def test_a_result_that_comes_after_its_carrier_was_disowned_is_not_the_true_ones(lone):
    """The station still evaluated when the true carrier had the name (found by the campaign, seed 2890)."""
    world = lone(liar=FIRST)
    world.wire = lambda fact: ((LATE_MS if isinstance(fact, ResultArrived) else 0, fact),)
    until(world, lambda: evaluating_elsewhere(world))
    run = evaluating_elsewhere(world)[0]
    bring_second(world)
    lift(world, the_first(world).place)
    reply(world, "identity-doubted", "removed")
    until(world, lambda: the_first(world) is not None)
    until(world, lambda: any("disowned" in aside.why for aside in world.state.unassigned))
    assert run.pallet == the_first(world).pallet
    assert run.run_id not in {result.run_id for result in the_first(world).results}


@pytest.mark.hazard(12)
def test_an_order_to_fetch_a_doubted_pallet_does_not_go_out_again(lone):
    """It had gone out and got lost with the link, which came back (found by the campaign, seeds 2423, 2455, 2689 and 2958)."""
    world = lone(liar=SECOND)
    until(world, lambda: in_work(world))
    nest = the_first(world).place
    world.goes_lost = lambda goal: isinstance(goal, MoveHandler) and goal.place == nest
    until(world, lambda: "handler" in world.state.outstanding)
    assert world.state.outstanding["handler"].goal.picked == the_first(world).pallet
    world.cut("handler")
    bring_second(world)
    world.goes_lost = lambda _goal: False
    world.mend("handler")
    world.run(world.now_ms + HOUR_MS)
    assert asked(world) == ["identity-doubted", "move-late", "pallet-twice"]
    assert world.floor.pallet_at(nest) == the_first(world).pallet


@pytest.mark.hazard(12)
def test_the_record_of_a_carrier_that_nobody_vouches_for_is_withdrawn(lone):
    """It had its verdict already and waited for the handler."""
    world = lone(liar=FIRST)
    until(world, lambda: bool(world.records))
    bring_second(world)
    first = the_first(world)
    assert first.verdict
    lift(world, first.place)
    reply(world, "identity-doubted", "removed")
    assert [(r.revision, r.verdict) for r in world.records] == [
        (1, "conforming"),
        (2, "not measured"),
    ]


@pytest.mark.hazard(12)
def test_a_pallet_whose_part_type_nobody_knows_claims_its_identity_all_the_same(lone):
    """Another carrier that said the same was measured (found by the campaign, seed 3839)."""
    world = lone(liar=FIRST, gtin=STRANGE_GTIN)
    until(world, lambda: asked(world) == ["part-type-unknown"])
    assert the_first(world).pallet == world.physics.pallets[SECOND].pallet
    place = the_first(world).place
    world.floor.set_down(
        "rack-02" if place != "rack-02" else "rack-03", world.physics.pallets[SECOND].pallet
    )
    world.look()
    until(world, lambda: "pallet-twice" in asked(world))
    world.run(world.now_ms + 4 * HOUR_MS)
    assert [s.run for s in world.state.stations.values() if s.run] == []
    assert world.records == []

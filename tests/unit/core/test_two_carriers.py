"""Two carriers claim one identity: no tag tells which is right, so neither has a verdict before a person has looked (hazard 12)."""

from dataclasses import replace as changed

import pytest

from simulators.bench.checks import findings
from simulators.bench.trial import DAY_MS, START_MS
from simulators.models.physics import right_tag
from supervisor.cell.value import replace
from supervisor.core.commands import MoveHandler
from supervisor.core.decide import Core
from supervisor.core.events import (
    CellOrdered,
    GaugeStudyOrdered,
    HoldReleased,
    ReservationAsked,
    ResultArrived,
    SupervisorStarted,
)
from tests.unit.core.reference_cell import MASTER, world_of
from tests.unit.core.tags import tag_of

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
            says = tag_of(physics, 1 - liar, gtin=gtin)
            pallets[liar] = changed(pallets[liar], tag=says.hex())
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
    put(world, world.physics.pallets[SECOND].pallet)
    until(world, lambda: {"identity-doubted", "pallet-twice"} <= {*asked(world)})


def put(world, pallet):
    """A person puts a carrier on a free place of the rack."""
    place = next(
        name
        for name, place in sorted(world.state.places.items())
        if name.startswith("rack") and place.presence == "empty" and not place.reserved
    )
    assert world.floor.set_down(place, pallet)
    world.look()


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
    until(world, lambda: run.run_id in {aside.run_id for aside in world.state.unassigned})
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


# --- whatever the first one is at when the second one comes -------------------------------------------------------------------------


@pytest.mark.hazard(12)
@pytest.mark.parametrize("after_ms", range(6_000, 430_000, 31_000))
def test_a_carrier_is_doubted_wherever_it_is(lone, after_ms):
    """In the rack, in a jaw, amid a move, in a nest, on its way out or put out."""
    world = lone(liar=SECOND)
    world.run(world.now_ms + after_ms)
    bring_second(world)
    records = list(world.records)
    world.run(world.now_ms + HOUR_MS)
    assert world.records == records or [r.verdict for r in world.records] == [
        "conforming",
        "not measured",  # it was taken away from its outfeed place, and nobody had answered
    ]


@pytest.mark.hazard(12)
@pytest.mark.parametrize("unseen", ["station", "handler"])
def test_a_carrier_that_cannot_be_seen_is_doubted(lone, unseen):
    """It may be there as well as not: nothing is known of its nest or jaw while the link is down."""
    world = lone(liar=SECOND)
    if unseen == "station":
        until(world, lambda: in_work(world))
        world.cut(the_first(world).place)
    else:
        jaws = world.physics.jaws
        until(world, lambda: the_first(world) is not None and the_first(world).place in jaws)
        world.cut("handler")
    bring_second(world)
    for machine in (*world.models.stations, "handler"):
        if world.is_down(machine):
            world.mend(machine)
    world.run(world.now_ms + 4 * HOUR_MS)
    assert world.records == []


@pytest.mark.hazard(12)
def test_one_that_was_fetched_to_be_put_out_is_brought_home(lone):
    """Its home was given up with its verdict; in the jaw it would keep the handler from all others."""
    world = lone(liar=SECOND)

    def fetched_with_its_verdict():
        order = world.state.outstanding.get("handler")
        return order is not None and bool(world.records) and order.goal.action == "pick"

    until(world, fetched_with_its_verdict)
    bring_second(world)
    world.run(world.now_ms + HOUR_MS)
    assert the_first(world).place.startswith("rack")
    assert "identity-doubted" in asked(world)


@pytest.mark.hazard(12)
def test_one_that_is_lifted_to_be_looked_at_and_put_back_is_as_doubtful_as_before(lone):
    world = lone(liar=SECOND)
    world.tell(CellOrdered(want="pause", by="a person"))
    until(world, lambda: the_first(world) is not None)
    bring_second(world)
    place, pallet = the_first(world).place, the_first(world).pallet
    lift(world, place)
    world.run(world.now_ms + HOUR_MS)
    assert world.floor.set_down(place, pallet)
    world.look()
    world.tell(CellOrdered(want="run", by="a person"))
    world.run(world.now_ms + 4 * HOUR_MS)
    assert world.records == []
    assert {"identity-doubted", "pallet-twice"} <= {*asked(world)}


@pytest.mark.hazard(12)
def test_who_vouched_is_not_asked_again_when_the_other_tag_is_read_again(lone):
    world = lone(liar=SECOND)
    until(world, lambda: in_work(world))
    bring_second(world)
    reply(world, "identity-doubted", "right", "compared")
    reply(world, "pallet-twice", "read again")
    until(world, lambda: "pallet-twice" in asked(world))
    assert "identity-doubted" not in asked(world)


@pytest.mark.hazard(12)
def test_a_tag_that_names_the_pallet_of_one_and_the_part_of_another_casts_doubt_on_both(a_world):
    def mixed(physics):
        pallets = list(physics.pallets)
        second = pallets[1]
        gtin = physics.part_type[second.part_type].gtin
        says = tag_of(physics, 0, serial=second.serial, gtin=gtin)
        pallets[2] = changed(pallets[2], tag=says.hex())
        arrivals_ms = (START_MS, START_MS, START_MS + 9 * DAY_MS)
        operator = changed(physics.operator, arrivals_ms=arrivals_ms)
        return changed(physics, pallets=tuple(pallets), operator=operator)

    world = a_world(pallets=3, built=mixed)
    until(world, lambda: len([p for p in world.state.pallets.values() if p.serial]) == 2)
    put(world, world.physics.pallets[2].pallet)
    world.run(world.now_ms + 4 * HOUR_MS)
    assert world.records == []
    assert asked(world) == ["identity-doubted", "identity-doubted", "pallet-twice"]


@pytest.mark.hazard(12)
def test_a_doubted_part_whose_type_is_no_longer_declared_leaves_without_a_word(lone):
    """Its record could not be withdrawn any more, and the supervisor could not start."""
    world = lone(liar=SECOND)
    until(world, lambda: bool(world.records))
    bring_second(world)
    gone = the_first(world).part_type
    cell = replace(
        world.cell,
        digest="without it",
        part_types=tuple(p for p in world.cell.part_types if p.part_type != gone),
        programs=tuple(p for p in world.cell.programs if p.part_type != gone),
    )
    started = SupervisorStarted(declaration="without it", version="1", fence=2)
    decision = Core(cell).decide(world.state, started, world.cell_ms())
    assert the_first(world).pallet not in decision.state.pallets


@pytest.mark.hazard(12)
def test_a_part_type_that_is_declared_later_takes_no_doubt_away(lone):
    world = lone(liar=FIRST, gtin=STRANGE_GTIN)
    until(world, lambda: the_first(world) is not None)
    bring_second(world)
    known = world.physics.pallets[SECOND].part_type
    types = (
        replace(p, gtin=STRANGE_GTIN) if p.part_type == known else p for p in world.cell.part_types
    )
    world.die()
    world.cell = replace(world.cell, digest="more", part_types=tuple(types))
    world.core = Core(world.cell)
    world._seen.clear()
    world._start_supervisor()
    world.run(world.now_ms + HOUR_MS)
    reply(world, "part-type-unknown", "read again")
    world.run(world.now_ms + 4 * HOUR_MS)
    assert the_first(world).part_type == known
    assert "identity-doubted" in asked(world)
    assert world.records == []


@pytest.mark.hazard(12)
def test_a_station_is_not_judged_by_a_doubted_reference_part():
    world = world_of(parts=6, seed=1)

    def checking():
        run = world.state.stations["touch-1"].run
        return run is not None and (run.pallet, run.stage) == (MASTER, "measuring")

    until(world, checking)
    before = world.state.trust["touch-1"]
    true = world.physics.pallet[MASTER]
    says = right_tag(true, world.physics.part_type[true.part_type].gtin)
    world.physics.pallet["false"] = changed(true, pallet="false", tag=says.hex())
    put(world, "false")
    until(world, lambda: world.state.stations["touch-1"].run is None)
    assert "identity-doubted" in asked(world)
    assert [c.good_run for c in world.state.trust["touch-1"].checks] == [
        c.good_run for c in before.checks
    ]
    assert any(MASTER in aside.why for aside in world.state.unassigned)


@pytest.mark.hazard(12)
def test_a_gauge_study_goes_on_when_somebody_has_vouched_for_its_part(lone):
    world = lone(liar=SECOND)
    world.tell(CellOrdered(want="pause", by="a person"))
    until(world, lambda: the_first(world) is not None)
    part = the_first(world)
    order = GaugeStudyOrdered(
        pallets=(part.pallet,),
        station="touch-1",
        program=f"{part.part_type}@touch-1",
        loadings=2,
        repeats=3,
        references=(),
        by="a person",
    )
    world.tell(order)
    world.tell(CellOrdered(want="run", by="a person"))
    until(world, lambda: bool(world.state.studies[-1].readings))
    bring_second(world)
    world.run(world.now_ms + HOUR_MS)
    reply(world, "identity-doubted", "right", "compared")
    until(world, lambda: bool(world.state.studies[-1].end))
    assert len(world.state.studies[-1].readings) == 2 * 3


@pytest.mark.hazard(12)
def test_the_line_does_not_carry_away_a_pallet_that_is_doubted(lone):
    """It was reserved when the other carrier came."""
    world = lone(liar=SECOND)
    world.tell(CellOrdered(want="pause", by="a person"))
    until(world, lambda: the_first(world) is not None)
    world.cut("handler")
    world.tell(CellOrdered(want="run", by="a person"))
    world.tell(ReservationAsked(pallet=the_first(world).pallet, for_ms=HOUR_MS, by="line 2"))
    (kept,) = world.state.reservations
    bring_second(world)
    (kept,) = world.state.reservations
    for place in (kept.origin, kept.target):
        assert "a person" in world.core.not_to_be_entered(world.state, kept, place, world.cell_ms())

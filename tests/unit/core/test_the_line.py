"""Pallets that the line carries itself: a reservation is one pallet's, keeps the cell's own handler away, and always ends.

The line here lifts and puts pallets on the modelled floor; what it may do it reads from the core, as a line's control would over REST.
"""

import random
from functools import partial

import pytest

from simulators.bench.person import answer_all
from simulators.bench.trial import finish, serials, troubles
from supervisor.cell.value import replace
from supervisor.core import reservations
from supervisor.core.commands import MoveHandler, SetTimer
from supervisor.core.events import (
    CellOrdered,
    ReservationAsked,
    ReservationClosed,
    SupervisorStarted,
)
from supervisor.core.line import RESERVED_MS_MAX
from supervisor.core.state import LINE
from supervisor.routing.situation import Stay
from tests.unit.core.test_the_infeed import fed

SECOND_MS = 1000
MINUTE_MS = 60 * SECOND_MS
HOUR_MS = 60 * MINUTE_MS


class Line:
    """A line's control with a transport of its own."""

    def __init__(self, world):
        self.world = world

    def ask(self, pallet, for_ms=10 * MINUTE_MS, by="line 2"):
        self.world.tell(ReservationAsked(pallet=pallet, for_ms=for_ms, by=by))
        return reservations.of(self.world.state, pallet)

    def claims_the_only_pallet(self):
        """As soon as its tag is read, before the handler thinks of it."""
        return any(self.ask(name) or self.claimed(name) for name in self.world.state.pallets)

    def asks_for_an_occupied_nest(self):
        """Has a nest kept in which another pallet still stands; true once there is one."""
        for pallet in sorted(self.world.state.pallets):
            kept = self.ask(pallet)
            nest = self.world.state.stations.get(kept.target) if kept else None
            if nest and nest.pallet not in ("", pallet):
                return True
            self.close(pallet, "given up")
        return False

    def claimed(self, pallet):
        return reservations.claim_on(self.world.state, pallet) is not None

    def close(self, pallet, how, by="line 2"):
        kept = reservations.of(self.world.state, pallet)
        place = kept.target if kept else ""
        self.world.tell(ReservationClosed(pallet=pallet, how=how, by=by, place=place))

    def told(self, pallet):
        return self.world.core.next_place(self.world.state, pallet, self.world.now_ms)

    def barred(self, kept, place):
        return self.world.core.not_to_be_entered(self.world.state, kept, place, self.world.now_ms)

    def way_is_free(self, kept):
        return not any(self.barred(kept, at) for at in (kept.origin, kept.target))

    def wait_for(self, condition, step_ms=SECOND_MS):
        limit_ms = self.world.now_ms + HOUR_MS
        while not condition():
            assert self.world.now_ms < limit_ms
            self.world.run(self.world.now_ms + step_ms)

    def lift(self, pallet, for_ms=10 * MINUTE_MS):
        """Wait until the transport may be at both places, keeping what is kept, then take the pallet."""
        self.wait_for(lambda: self.way_is_free(self.ask(pallet, for_ms)), step_ms=10 * SECOND_MS)
        kept = reservations.of(self.world.state, pallet)
        assert self.world.floor.lift(kept.origin) == pallet
        self.world.look()
        self.world.run(self.world.now_ms + 2 * SECOND_MS)

    def put(self, pallet, said="placed"):
        """Wait until the transport may be there, set the pallet down, leave, and say so."""
        kept = reservations.of(self.world.state, pallet)
        assert not self.barred(kept, kept.target)
        assert self.world.floor.set_down(kept.target, pallet)
        self.world.look()
        self.world.run(self.world.now_ms + 2 * SECOND_MS)
        if said:
            self.close(pallet, said)

    def carry_through(self, pallet):
        """Through every station and out, asking twice a minute where to until somebody takes it."""
        way = []
        while self.world.state.pallets[pallet].stage != "sorted":
            self.wait_for(lambda: self.ask(pallet), step_ms=30 * SECOND_MS)
            way.append(reservations.of(self.world.state, pallet).target)
            self.lift(pallet)
            self.put(pallet)
        return way


@pytest.fixture
def quiet(a_world):
    """A cell whose pallets stand in the rack, identified, and whose handler has not been asked for anything yet; and the line."""

    def make(**wishes):
        world = a_world(**wishes)
        world.tell(CellOrdered(want="pause", by="a person"))
        world.run(world.now_ms + HOUR_MS)
        line = Line(world)
        world.state = replace(world.state, want="run")  # nothing has been chosen yet
        return world, line

    return make


def orders(world):
    return [c for e in world.journal.entries for c in e.commands if isinstance(c, MoveHandler)]


@pytest.mark.parametrize("jaws", [1, 2])
def test_the_line_carries_a_pallet_through_all_its_stations_and_out(quiet, jaws):
    world, line = quiet(pallets=1, jaws=jaws)
    (pallet,) = world.state.pallets

    way = line.carry_through(pallet)

    finish(world, parts=1)
    assert troubles(world, parts=serials(world)) == []
    assert len(way) >= 2
    assert not orders(world), "the cell's own handler had no part in it"
    assert not world.state.pallets


def test_with_one_jaw_the_line_takes_nobody_in_without_a_rack_place_either(quiet):
    """What it left in the nests, each where another has to go next, the handler could never part."""
    world, line = quiet(pallets=4, jaws=1, declared=partial(fed, racks=1, infeeds=2))
    one, other = sorted(world.state.pallets)

    assert line.ask(one).target in world.state.stations
    assert world.state.pallets[one].home == "rack-01"
    assert isinstance(line.told(other), Stay)
    assert "no rack place is free that could be kept for it" in line.told(other).why
    assert line.ask(other) is None
    line.lift(one)
    line.put(one)
    assert world.state.pallets[one].home == "rack-01"
    assert line.ask(other) is None
    line.close(other, "given up")
    finish(world, parts=4)
    assert troubles(world, parts=serials(world)) == []


def test_a_rack_place_kept_for_whom_the_line_does_not_bring_is_free_again(quiet):
    world, line = quiet(pallets=4, jaws=1, declared=partial(fed, racks=1, infeeds=2))
    one = min(world.state.pallets)
    line.ask(one)
    world.tell(CellOrdered(want="pause", by="a person"))
    line.close(one, "given up")
    assert (world.state.pallets[one].home, world.state.places["rack-01"].reserved) == ("", "")


@pytest.mark.parametrize("jaws", [1, 2])
@pytest.mark.parametrize("seed", [3, 8])
def test_line_and_handler_serve_one_cell_side_by_side(quiet, jaws, seed):
    world, line = quiet(pallets=5, jaws=jaws, seed=seed)
    mine = sorted(world.state.pallets)[2]

    line.ask(mine)
    way = line.carry_through(mine)

    finish(world, parts=5)
    assert troubles(world, parts=serials(world)) == []
    assert len(way) >= 2
    moved = {name for order in orders(world) for name in (order.picked, order.put)}
    assert mine not in moved
    assert len(moved - {""}) == 4
    assert not world.state.holds


def test_asking_where_to_changes_nothing_and_a_reservation_keeps_just_that(quiet):
    world, line = quiet(pallets=3)
    pallet = min(world.state.pallets)
    before = world.state

    said = line.told(pallet)

    assert world.state is before
    kept = line.ask(pallet)
    assert (kept.target, kept.programs) == (said.target, (said.program, *said.then))
    assert kept.why == said.why
    assert kept.until_ms == world.now_ms + 10 * MINUTE_MS


@pytest.mark.hazard(47)
def test_no_nest_is_kept_for_two_pallets(quiet):
    world, line = quiet(pallets=5)

    kept = [line.ask(pallet) for pallet in sorted(world.state.pallets)]

    targets = [each.target for each in kept if each is not None]
    assert len(targets) == len(set(targets)) == 2, "two stations take new parts of these types"
    carried = world.state.handler.carry.pallet
    refused = next(
        p
        for p, each in zip(sorted(world.state.pallets), kept, strict=True)
        if each is None and p != carried
    )
    said = line.told(refused)
    assert isinstance(said, Stay)
    assert "is kept for" in said.why


@pytest.mark.hazard(47)
def test_the_handler_neither_enters_what_is_kept_nor_takes_the_pallet(quiet):
    world, line = quiet(pallets=4)
    mine = min(world.state.pallets)
    kept = line.ask(mine, for_ms=40 * MINUTE_MS)

    world.run(world.now_ms + 39 * MINUTE_MS)

    assert orders(world), "the handler works all the same"
    assert kept.target not in {order.place for order in orders(world)}
    assert mine not in {order.picked for order in orders(world)}
    assert world.state.stations[kept.target].pallet == ""


@pytest.mark.hazard(47)
def test_when_its_time_is_over_a_place_is_free_for_everybody(quiet):
    world, line = quiet(pallets=4)
    mine = min(world.state.pallets)
    kept = line.ask(mine, for_ms=MINUTE_MS)

    finish(world, parts=4)

    assert world.state.reservations == ()
    assert troubles(world, parts=serials(world)) == []
    assert kept.target in {order.place for order in orders(world)}
    assert mine in {order.picked for order in orders(world)}


def test_asked_again_it_is_kept_longer_and_elsewhere_by_nobody(quiet):
    world, line = quiet(pallets=2)
    mine = min(world.state.pallets)
    first = line.ask(mine, for_ms=MINUTE_MS)
    world.run(world.now_ms + 50 * SECOND_MS)

    again = line.ask(mine, for_ms=MINUTE_MS)

    assert again == replace(first, until_ms=world.now_ms + MINUTE_MS)
    world.run(world.now_ms + 50 * SECOND_MS)
    assert reservations.of(world.state, mine) == again
    world.run(world.now_ms + 11 * SECOND_MS)
    assert reservations.of(world.state, mine) is None


@pytest.mark.hazard(47)
def test_what_one_keeps_another_neither_shortens_nor_says_placed_nor_gives_up(quiet):
    world, line = quiet(pallets=1)
    (pallet,) = world.state.pallets
    first = line.ask(pallet, for_ms=50 * MINUTE_MS)

    line.ask(pallet, for_ms=SECOND_MS, by="line 3")
    line.close(pallet, "placed", by="line 3")
    line.close(pallet, "given up", by="line 3")
    assert reservations.of(world.state, pallet) == first

    line.lift(pallet)
    line.put(pallet)
    brought = reservations.claim_on(world.state, pallet)
    assert (brought.target, brought.by) == ("", "line 2")
    line.ask(pallet, for_ms=HOUR_MS, by="line 3")
    line.close(pallet, "given up", by="line 3")
    assert reservations.claim_on(world.state, pallet) == brought

    line.close(pallet, "given up")
    assert reservations.claim_on(world.state, pallet) is None


def test_nothing_is_kept_for_longer_than_the_limit(quiet):
    world, line = quiet(pallets=1)
    (pallet,) = world.state.pallets
    assert line.ask(pallet, for_ms=10 * HOUR_MS).until_ms == world.now_ms + RESERVED_MS_MAX


def test_what_is_said_of_another_place_than_the_one_kept_changes_nothing(quiet):
    world, line = quiet(pallets=1)
    (pallet,) = world.state.pallets
    line.ask(pallet)
    before = world.state.reservations
    said = ReservationClosed(pallet=pallet, how="placed", by="line 2", place="ct-9")
    world.tell(said)
    assert world.state.reservations == before


@pytest.mark.hazard(47)
def test_a_pallet_said_to_stand_where_another_one_does_stays_where_it_was_seen(quiet):
    world, line = quiet(pallets=5)

    line.wait_for(line.asks_for_an_occupied_nest)
    (kept,) = world.state.reservations
    before = world.state

    line.close(kept.pallet, "placed")

    assert world.state.pallets == before.pallets
    assert world.state.reservations == before.reservations
    line.close(kept.pallet, "given up")
    finish(world, parts=5)
    assert troubles(world, parts=serials(world)) == []


def test_what_is_given_up_is_free_at_once(quiet):
    world, line = quiet(pallets=2)
    first, second = sorted(world.state.pallets)
    kept = line.ask(first)

    line.close(first, "given up")

    assert world.state.reservations == ()
    assert f"reservation of {first}" not in world.state.timers
    world.run(world.now_ms + HOUR_MS, done=lambda w: w.state.stations[kept.target].pallet != "")
    assert world.state.stations[kept.target].pallet in (first, second)


def test_a_pallet_that_is_on_the_line_when_time_is_over_has_left_the_cell(quiet):
    world, line = quiet(pallets=1)
    (pallet,) = world.state.pallets
    line.ask(pallet, for_ms=5 * MINUTE_MS)
    line.lift(pallet, for_ms=5 * MINUTE_MS)
    assert world.state.pallets[pallet].place == LINE
    assert world.state.pallets[pallet].stage == "planned"

    world.run(world.now_ms + 6 * MINUTE_MS)

    assert pallet not in world.state.pallets
    assert [record.verdict for record in world.records] == ["not measured"]
    assert world.state.holds == {}


@pytest.mark.parametrize("ends", ["given up", "over"])
def test_a_pallet_that_the_line_puts_back_into_the_rack_comes_in_anew(quiet, ends):
    world, line = quiet(pallets=1)
    (pallet,) = world.state.pallets
    kept = line.ask(pallet, for_ms=5 * MINUTE_MS)
    line.lift(pallet, for_ms=5 * MINUTE_MS)
    assert world.floor.set_down(kept.origin, pallet)
    world.look()
    world.run(world.now_ms + MINUTE_MS)
    assert [hold.code for hold in world.state.holds.values()] == ["pallet-twice"]

    if ends == "given up":
        line.close(pallet, "given up")
    world.run(world.now_ms + 6 * MINUTE_MS)

    assert world.state.holds == {}
    finish(world, parts=2)
    assert [record.verdict for record in world.records] == ["not measured", "conforming"]
    assert not world.state.pallets


@pytest.mark.hazard(47)
def test_a_pallet_that_is_put_into_a_nest_too_late_is_asked_about(quiet):
    world, line = quiet(pallets=1)
    (pallet,) = world.state.pallets
    kept = line.ask(pallet, for_ms=5 * MINUTE_MS)
    line.lift(pallet, for_ms=5 * MINUTE_MS)
    line.put(pallet, said="")

    world.run(world.now_ms + 6 * MINUTE_MS)

    assert [hold.code for hold in world.state.holds.values()] == ["nest-unknown"]
    assert [hold.subject for hold in world.state.holds.values()] == [kept.target]


def test_a_pallet_that_the_line_brought_is_left_to_it_for_a_while_then_the_handler_takes_it(quiet):
    world, line = quiet(pallets=1)
    (pallet,) = world.state.pallets
    kept = line.ask(pallet, for_ms=5 * MINUTE_MS)
    line.lift(pallet, for_ms=5 * MINUTE_MS)
    line.put(pallet)
    programs = world.core.tables.programs
    measured_ms = sum(programs[each].result_ms for each in kept.programs)

    world.run(world.now_ms + measured_ms + 5 * MINUTE_MS - SECOND_MS)
    assert not orders(world)
    assert world.state.pallets[pallet].results

    finish(world, parts=1)
    assert {order.picked for order in orders(world)} == {pallet, ""}
    assert troubles(world, parts=serials(world)) == []


@pytest.mark.hazard(47)
def test_the_transport_waits_for_the_door_and_no_run_begins_before_it_is_clear(quiet):
    world, line = quiet(pallets=1)
    (pallet,) = world.state.pallets
    kept = line.ask(pallet)
    assert line.barred(kept, kept.target) == f"it waits until the door of {kept.target} is open"
    line.lift(pallet)
    line.put(pallet, said="")

    world.run(world.now_ms + 2 * MINUTE_MS)

    assert world.state.stations[kept.target].run is None
    assert world.state.stations[kept.target].bay == "open"
    line.close(pallet, "placed")
    world.run(world.now_ms + MINUTE_MS)
    assert world.state.stations[kept.target].run is not None


def test_a_restart_keeps_what_is_kept_and_ends_it_in_time(quiet):
    world, line = quiet(pallets=2)
    mine = min(world.state.pallets)
    kept = line.ask(mine, for_ms=30 * MINUTE_MS)
    world.run(world.now_ms + 5 * MINUTE_MS)

    world.tell(
        SupervisorStarted(declaration=world.cell.digest, version="2", fence=world.state.fence + 1)
    )

    assert reservations.of(world.state, mine) == kept
    again = [c for c in world.journal.entries[-1].commands if isinstance(c, SetTimer)]
    assert (f"reservation of {mine}", kept.until_ms) in [(c.timer, c.due_ms) for c in again]


def test_the_journal_alone_tells_what_is_kept(a_world):
    world = a_world(pallets=2)
    line = Line(world)
    world.run(
        world.now_ms + 10 * SECOND_MS,
        done=lambda w: any(p.serial for p in w.state.pallets.values()),
    )
    for pallet in sorted(world.state.pallets):
        line.ask(pallet)
    world.run(world.now_ms + 3 * MINUTE_MS)
    assert world.state.reservations

    state = world.core.initial()
    for entry in world.journal.entries:
        state = world.core.decide(state, entry.event, entry.at_ms).state

    assert state == world.state


def test_why_nothing_is_kept_is_said(quiet):
    world, line = quiet(pallets=3)
    names = sorted(world.state.pallets)
    world.tell(CellOrdered(want="pause", by="a person"))
    assert line.told(names[0]).why == "the cell is paused"
    assert line.ask(names[0]) is None
    assert world.state.reservations == ()
    world.tell(CellOrdered(want="run", by="a person"))
    carried = world.state.handler.carry.pallet
    assert line.told(carried).why == f"the cell's own handler carries {carried}"
    world.run(
        world.now_ms + HOUR_MS,
        done=lambda w: any(s.run and s.run.stage == "measuring" for s in w.state.stations.values()),
    )
    measuring = next(s for s in world.state.stations.values() if s.run)
    assert line.told(measuring.pallet).why == f"{measuring.station} measures {measuring.pallet}"


@pytest.mark.parametrize("seed", range(30))
def test_whatever_the_line_asks_and_says_no_invariant_breaks_and_every_part_gets_its_record(
    quiet, seed
):
    """By chance: asks, renews, gives up, carries; says "placed" of what it never moved; lets time pass.

    A pallet that a person did not find where the line said has left with a record as far as it came, and comes in anew: it may have more.
    """
    world, line = quiet(pallets=4, seed=seed, jaws=1 + seed % 2)
    rng, lies = random.Random(seed), []
    for _ in range(60):
        if not world.state.pallets:
            break
        pallet = rng.choice(sorted(world.state.pallets))
        kept = reservations.of(world.state, pallet)
        act = rng.choice(("ask", "give up", "carry", "carry", "wait", "lie"))
        on_the_line = world.state.pallets[pallet].place == LINE
        if act == "ask":
            line.ask(pallet, for_ms=rng.randrange(1, 20 * MINUTE_MS))
        elif act == "give up" and not on_the_line:
            line.close(pallet, "given up")
        elif act == "carry" and kept and line.way_is_free(kept):
            line.ask(pallet, for_ms=5 * MINUTE_MS)  # time enough to do it
            line.lift(pallet)
            line.put(pallet)
        elif act == "lie" and kept and not on_the_line:
            line.close(pallet, "placed")
            lies.append(pallet)
        world.run(world.now_ms + rng.randrange(1, 4 * MINUTE_MS))
        answer_all(world)
    for _ in range(200):
        world.run(world.now_ms + 10 * MINUTE_MS)
        answer_all(world)
    assert troubles(world, parts=[] if lies else serials(world)) == []
    assert {record.serial for record in world.records} == set(serials(world))
    assert not world.state.pallets

"""The supervisor dies at any position of its journal and a new one takes the cell: nothing lost, nothing twice.

A death is placed after a journal entry, its commands sent or not; the machines go on meanwhile. The new process folds the journal and
knows nothing else before the machines show themselves.
"""

from collections.abc import Iterable
from functools import cache

import pytest

from simulators.bench.trial import DAY_MS, finish, serials, small_world, troubles
from supervisor.core.commands import SetTimer
from supervisor.core.events import HoldReleased, StationObserved, SupervisorStarted

MINUTE_MS = 60_000
DEATHS = [("sent", 3_000), ("unsent", 3_000), ("sent", 15 * MINUTE_MS), ("unsent", 15 * MINUTE_MS)]


@cache
def undisturbed(jaws: int) -> int:
    """How many entries the journal has when nothing happens."""
    world = small_world(pallets=4, jaws=jaws)
    finish(world, parts=4)
    return len(world.journal.entries)


def what_goes_wrong(make, jaws: int, seq: int, death: tuple[str, int]) -> list[str]:
    commands, down_ms = death
    world = make(pallets=4, jaws=jaws)
    world.die_after(seq, commands)
    world.run(world.now_ms + DAY_MS, done=lambda _: world.is_dead())
    known = world.state
    world.run(world.now_ms + down_ms)
    world.revive()
    assert known == fold(world, upto=seq)
    finish(world, parts=4)
    left = [f"{name} is left inside" for name in world.state.pallets]
    held = [f"{hold.code}: {hold.seen}" for hold in world.state.holds.values()]
    return [
        f"{seq} {death}: {what}" for what in (*troubles(world, parts=serials(world)), *left, *held)
    ]


def fold(world, upto: int):
    state = world.core.initial()
    for entry in world.journal.entries[:upto]:
        state = world.core.decide(state, entry.event, entry.at_ms).state
    return state


def at_positions(make, jaws: int, positions: Iterable[int]) -> list[str]:
    found: list[str] = []
    for number, seq in enumerate(positions):
        found += what_goes_wrong(make, jaws, seq, DEATHS[number % len(DEATHS)])
    return found


@pytest.mark.parametrize("begin", range(4))
@pytest.mark.parametrize("jaws", [1, 2])
def test_a_new_supervisor_goes_on_where_the_old_one_died(a_world, jaws, begin):
    positions = range(20 + 9 * begin, undisturbed(jaws), 37)
    assert at_positions(a_world, jaws, positions) == []


@pytest.mark.soak
@pytest.mark.timeout(600)
@pytest.mark.parametrize("death", DEATHS)
@pytest.mark.parametrize("jaws", [1, 2])
@pytest.mark.hazard(16)
def test_a_new_supervisor_goes_on_from_every_position(a_world, jaws, death):
    first = len(a_world(pallets=4, jaws=jaws).journal.entries) + 1
    found: list[str] = []
    for seq in range(first, undisturbed(jaws) + 1):
        found += what_goes_wrong(a_world, jaws, seq, death)
    assert found == []


def test_a_supervisor_that_dies_again_and_again_gets_the_job_done(a_world):
    world = a_world(pallets=4)
    for number in range(40):
        world.die_after(len(world.journal.entries) + 7, ("sent", "unsent")[number % 2])
        world.run(world.now_ms + 5 * MINUTE_MS, done=lambda _: world.is_dead())
        if world.is_dead():
            world.revive()
    finish(world, parts=4)
    assert troubles(world, parts=serials(world)) == []
    assert world.state.holds == {}


def test_an_order_that_goes_out_again_has_its_whole_time_again(a_world):
    """The supervisor died before sending it and was away for longer than a move may take."""
    world = a_world(pallets=2)

    def just_ordered(_):
        waiting = world.state.outstanding.get("handler")
        return waiting is not None and waiting.goal.action == "put"

    world.run(world.now_ms + DAY_MS, done=just_ordered)
    seq = next(
        entry.seq
        for entry in world.journal.entries
        if any(getattr(command, "action", "") == "put" for command in entry.commands)
    )
    for away in ("dead", "cut"):
        again = a_world(pallets=2)
        if away == "dead":
            again.die_after(seq, "unsent")
            again.run(again.now_ms + DAY_MS, done=lambda w: w.is_dead())
            again.run(again.now_ms + 15 * MINUTE_MS)
            again.revive()
        else:
            again.goes_lost = lambda goal: getattr(goal, "action", "") == "put"
            again.run(world.now_ms)
            again.cut("handler")
            again.run(again.now_ms + 55_000)
            again.goes_lost = lambda _goal: False
            again.mend("handler")
        again.run(again.now_ms + 10_000)
        assert again.state.holds == {}
        finish(again, parts=2)
        assert troubles(again, parts=serials(again)) == []
        assert again.state.holds == {}


@pytest.mark.hazard(15)
def test_a_new_supervisor_knows_nothing_of_the_outside_before_it_has_seen_it(a_world):
    world = a_world(pallets=4)
    world.run(world.now_ms + 3 * MINUTE_MS)
    started = SupervisorStarted(declaration=world.cell.digest, version="new", fence=2)
    decision = world.core.decide(world.state, started, world.now_ms)
    state = decision.state
    assert {station.link for station in state.stations.values()} == {"down"}
    assert {station.mode for station in state.stations.values()} == {"unknown"}
    assert {place.presence for place in state.places.values()} == {"unknown"}
    assert (state.handler.link, state.handler.inside) == ("down", "unknown")
    assert {waiting.given for waiting in state.outstanding.values()} <= {"no"}
    timers = {c.timer: c.due_ms for c in decision.commands if isinstance(c, SetTimer)}
    assert timers == {name: timer.due_ms for name, timer in world.state.timers.items()}
    assert [c for c in decision.commands if not isinstance(c, SetTimer)] == []
    assert state.pallets == world.state.pallets


def test_a_hold_outlives_the_supervisor_that_made_it(a_world):
    world = a_world(pallets=3)
    world.models.stations["touch-1"].befall("fault")
    world.look()
    world.die_after(len(world.journal.entries) + 1, "sent")
    world.run(world.now_ms + 10 * MINUTE_MS, done=lambda _: world.is_dead())
    world.revive()
    (hold,) = world.state.holds.values()
    world.tell(HoldReleased(hold=hold.hold, answer="clear", by="a person", place=""))
    finish(world, parts=3)
    assert troubles(world, parts=serials(world)) == []


def test_the_numbers_of_a_journal_that_begins_anew_are_not_those_of_an_older_one(a_world):
    """Within the eleven hours after which they come round again, at most a hundred thousand numbers apart."""
    world = a_world(pallets=0)
    core, started = world.core, world.journal.entries[0].event
    first = core.decide(core.initial(), started, 1_764_000_000_000).state.next_order
    later = core.decide(core.initial(), started, 1_764_000_060_000).state.next_order
    assert later - first == 60 * 100_000
    highest = core.decide(core.initial(), started, 39_999_999).state.next_order
    assert highest + 100_000 < 2**32


def test_an_image_that_an_older_one_overtook_changes_nothing(a_world):
    """S6, for every machine: in the middle of the job all images so far come again."""
    world = a_world(pallets=3)
    world.run(world.now_ms + 5 * MINUTE_MS)
    state = world.state
    latest = {name: station.source_ms for name, station in state.stations.items()}
    for entry in list(world.journal.entries):
        event = entry.event
        if isinstance(event, StationObserved) and event.source_ms < latest[event.station]:
            assert world.core.decide(state, event, world.now_ms).state == state

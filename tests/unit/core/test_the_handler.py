"""The handler's orders: done once, failed half-way, refused, forgotten by a restart, or never arrived."""

import pytest

from simulators.bench.trial import DAY_MS, finish, serials, troubles
from supervisor.cell.value import replace
from supervisor.core.commands import MoveHandler
from supervisor.core.events import HandlerObserved, HoldReleased, OrderAnswered, StationObserved

MINUTE_MS = 60_000


def until(world, done):
    world.run(world.now_ms + DAY_MS, done=lambda _: done())
    assert done()


def stands(world):
    return sorted(hold.code for hold in world.state.holds.values())


def answer(world, code, reply):
    (hold,) = [hold for hold in world.state.holds.values() if hold.code == code]
    world.tell(HoldReleased(hold=hold.hold, answer=reply, by="a person", place=""))


def order(world):
    """The order under way, or None."""
    waiting = world.state.outstanding.get("handler")
    return waiting.goal if waiting else None


def is_doing(world, action, where=""):
    goal = order(world)
    return goal is not None and goal.action == action and goal.place.startswith(where)


def observed(world):
    return next(
        entry.event
        for entry in reversed(world.journal.entries)
        if isinstance(entry.event, HandlerObserved)
    )


STOPS = [
    ("pick", "rack"),
    ("pick", "touch"),
    ("pick", "scan"),
    ("put", "rack"),
    ("put", "touch"),
    ("put", "out-ok"),
    ("swap", "touch"),
    ("swap", "scan"),
]


@pytest.mark.parametrize(("action", "where"), STOPS)
def test_a_stop_that_fails_is_tried_again_after_a_person_has_looked(a_world, action, where):
    world = a_world(pallets=6)
    until(world, lambda: is_doing(world, action, where))
    world.models.handler.fail_next()
    until(world, lambda: "handler-failed" in stands(world))
    world.run(world.now_ms + 30 * MINUTE_MS)
    assert order(world) is None
    answer(world, "handler-failed", "go on")
    finish(world, parts=6)
    assert troubles(world, parts=serials(world)) == []
    assert world.state.holds == {}


@pytest.mark.parametrize("where", ["touch", "scan"])
@pytest.mark.hazard(14)
def test_a_swap_that_fails_between_its_two_moves_is_finished_by_putting_both_down(a_world, where):
    world = a_world(pallets=6)
    until(world, lambda: is_doing(world, "swap", where))
    goal = order(world)
    until(world, lambda: world.floor.pallet_at(f"jaw-{goal.pick_jaw}") == goal.picked)
    world.models.handler.fail_next()
    until(world, lambda: stands(world) == ["handler-failed"])
    assert set(world.state.handler.jaws) == {goal.picked, goal.put}
    assert world.state.stations[goal.place].pallet == ""
    answer(world, "handler-failed", "go on")
    finish(world, parts=6)
    assert troubles(world, parts=serials(world)) == []
    assert world.state.holds == {}


@pytest.mark.hazard(14)
def test_after_a_failed_swap_with_both_jaws_empty_nobody_says_which_pallet_is_in_the_nest(a_world):
    """It dropped the one before the swap or the other after it: only the tag tells."""
    world = a_world(pallets=6)
    until(world, lambda: is_doing(world, "swap", "touch"))
    goal, image = order(world), observed(world)
    failed = replace(image, order=goal.order, phase="failed", inside="", jaws=("empty", "empty"))
    state = world.core.decide(world.state, failed, world.now_ms).state
    assert world.core.broken(state) == ()
    assert state.stations["touch-1"].pallet == ""
    assert not {goal.picked, goal.put} & state.pallets.keys()
    (hold,) = state.holds.values()
    assert goal.put in hold.seen
    assert goal.picked in hold.seen
    released = HoldReleased(hold=hold.hold, answer="go on", by="a person", place="")
    state = world.core.decide(state, released, world.now_ms).state
    (hold,) = state.holds.values()
    assert (hold.code, hold.subject) == ("nest-unknown", "touch-1")


@pytest.mark.hazard(26)
def test_after_a_failed_put_with_an_empty_jaw_the_nest_may_hold_another_pallet(a_world):
    """The pallet fell on the way and a hand put another one into the nest: seed 407 of the campaign."""
    world = a_world(pallets=6)
    until(world, lambda: is_doing(world, "put", "touch"))
    goal, image = order(world), observed(world)
    failed = replace(image, order=goal.order, phase="failed", inside="", jaws=("empty", "empty"))
    state = world.core.decide(world.state, failed, world.now_ms).state
    assert world.core.broken(state) == ()
    assert state.stations[goal.place].pallet == ""
    assert goal.put in state.handler.jaws


@pytest.fixture
def swap_done_unseen(a_world):
    """A state right after a swap none of whose station images has come yet, the station's last image, and how to go on."""
    world = a_world(pallets=6)
    until(world, lambda: is_doing(world, "swap", "touch"))
    goal, image = order(world), observed(world)
    jaws = ["empty", "empty"]
    jaws[goal.pick_jaw - 1] = "occupied"
    done = replace(image, order=goal.order, phase="done", inside="", jaws=tuple(jaws))
    state = world.core.decide(world.state, done, world.now_ms).state
    last = next(
        entry.event
        for entry in reversed(world.journal.entries)
        if isinstance(entry.event, StationObserved) and entry.event.station == goal.place
    )

    def after(*shown):
        now = state
        for later, facets in enumerate(shown, 1):
            event = replace(last, source_ms=last.source_ms + later, **facets)
            now = world.core.decide(now, event, world.now_ms + later).state
            assert world.core.broken(now) == ()
        return now, sorted(hold.code for hold in now.holds.values()), now.stations[goal.place]

    assert (last.nest, state.stations[goal.place].pallet) == ("occupied", goal.put)
    return after


@pytest.mark.hazard(26)
def test_a_late_image_from_the_middle_of_a_swap_is_no_loss(swap_done_unseen):
    _, holds, station = swap_done_unseen({"nest": "empty"})
    assert (holds, station.expecting) == ([], "occupied")
    _, holds, station = swap_done_unseen({"nest": "empty"}, {"nest": "occupied"})
    assert (holds, station.expecting) == ([], "")


@pytest.mark.hazard(26)
@pytest.mark.parametrize("gone_on", [{"door": "moving"}, {"work": "running"}])
def test_a_nest_that_empties_after_its_station_has_gone_on_is_lost(swap_done_unseen, gone_on):
    _, holds, _ = swap_done_unseen(gone_on)
    assert "nest-lost" not in holds
    _, holds, _ = swap_done_unseen(gone_on, {**gone_on, "nest": "empty"})
    assert "nest-lost" in holds


@pytest.mark.hazard(26)
def test_a_nest_that_empties_a_second_time_after_a_swap_is_lost(swap_done_unseen):
    shown = [{"nest": "empty"}, {"nest": "occupied"}, {"nest": "empty"}]
    _, holds, _ = swap_done_unseen(*shown)
    assert holds == ["nest-lost"]


@pytest.mark.hazard(2)
def test_the_handler_is_not_set_free_before_the_arm_is_known_to_be_clear(a_world):
    world = a_world(pallets=3)
    until(world, lambda: is_doing(world, "put", "touch"))
    world.models.handler.fail_next()
    until(world, lambda: stands(world) == ["handler-failed"])
    image = observed(world)
    for number, facets in enumerate(
        (
            {"inside": "touch-1"},
            {"inside": "unknown"},
            {"link": "down"},
            {"phase": "busy"},
            {"phase": "unknown"},
        )
    ):
        world.tell(replace(image, source_ms=image.source_ms + number + 1, **facets))
        answer(world, "handler-failed", "go on")
        assert stands(world) == ["handler-failed"]
        assert world.state.stations["touch-1"].bay == "entered"
    world.tell(replace(image, source_ms=image.source_ms + 99))
    answer(world, "handler-failed", "go on")
    assert is_doing(world, "put", "touch")
    finish(world, parts=3)
    assert troubles(world, parts=serials(world)) == []


@pytest.mark.hazard(28)
def test_a_handler_in_manual_stands_still_and_goes_on_and_nobody_is_asked(a_world):
    world = a_world(pallets=3)
    for action in ("pick", "put", "swap", "pick"):
        until(world, lambda action=action: is_doing(world, action))
        world.models.handler.befall("manual")
        world.look()
        world.run(world.now_ms + 30 * MINUTE_MS)
        assert stands(world) == []
        world.models.handler.befall("automatic")
        world.look()
    finish(world, parts=3)
    assert troubles(world, parts=serials(world)) == []


@pytest.mark.parametrize(("action", "where"), STOPS)
@pytest.mark.hazard(28)
def test_an_order_that_a_restarted_handler_has_forgotten_can_be_given_up(a_world, action, where):
    """The handler never carries out a number twice, so the order stays where it was: a person gives it up."""
    world = a_world(pallets=6)
    until(world, lambda: is_doing(world, action, where))
    world.run(world.now_ms + 2_000)
    world.reboot("handler")
    world.floor.leave()
    world.look()
    until(world, lambda: stands(world) == ["move-late"])
    answer(world, "move-late", "wait")
    until(world, lambda: stands(world) == ["move-late"])
    answer(world, "move-late", "give up")
    answer(world, "handler-failed", "go on")
    finish(world, parts=6)
    assert troubles(world, parts=serials(world)) == []
    assert world.state.holds == {}


@pytest.mark.parametrize("action", ["approach", "pick", "put", "swap"])
def test_a_refused_order_has_not_begun_and_a_failed_one_came_as_far_as_the_jaws_show(
    a_world, action
):
    world = a_world(pallets=6)
    until(world, lambda: is_doing(world, action, "touch"))
    goal = order(world)
    stood = {name: pallet.place for name, pallet in world.state.pallets.items()}
    for outcome, stage, bay in (("refused", "idle", "open"), ("failed", "halted", "entered")):
        told = OrderAnswered(order=goal.order, outcome=outcome, why="no air")
        after = world.core.decide(world.state, told, world.now_ms).state
        (hold,) = after.holds.values()
        assert hold.code == "handler-failed"
        assert "no air" in hold.seen
        assert after.handler.stage == stage
        if action != "approach":
            assert after.stations["touch-1"].bay == bay
        assert {name: pallet.place for name, pallet in after.pallets.items()} == stood
        assert after.handler.carry is None


@pytest.mark.hazard(3)
def test_an_unknown_outcome_decides_nothing(a_world):
    world = a_world(pallets=3)
    until(world, lambda: is_doing(world, "put", "touch"))
    before = world.state
    world.tell(OrderAnswered(order=order(world).order, outcome="unknown", why="no answer in time"))
    assert world.state == before


def test_an_answer_to_an_order_that_nobody_awaits_changes_nothing(a_world):
    world = a_world(pallets=3)
    until(world, lambda: is_doing(world, "put", "touch"))
    before = world.state
    for outcome in ("done", "refused", "failed", "unknown"):
        world.tell(OrderAnswered(order=3, outcome=outcome, why="late"))
    assert world.state == before


@pytest.mark.hazard(3)
def test_an_order_goes_out_again_under_its_number_until_the_handler_shows_it(a_world):
    world = a_world(pallets=2)
    given = []

    def lost(goal):
        if isinstance(goal, MoveHandler) and goal.action == "put":
            given.append(goal)
            return len(given) <= 3
        return False

    world.goes_lost = lost
    until(world, lambda: len(given) == 1)
    for _ in range(3):
        world.cut("handler")
        world.mend("handler")
    assert len(given) == 4
    assert len({goal.order for goal in given}) == 1
    world.goes_lost = lambda _goal: False
    finish(world, parts=2)
    assert troubles(world, parts=serials(world)) == []


def test_a_pallet_that_is_gone_when_the_jaw_closes_has_left_the_cell(a_world):
    """Somebody was quicker than the handler. The machine calls its own empty grip a violation; the core learns from the place."""
    world = a_world(pallets=3)
    until(world, lambda: is_doing(world, "pick", "rack"))
    goal = order(world)
    assert world.floor.lift(goal.place) == goal.picked
    world.look()
    until(world, lambda: stands(world) == ["handler-failed"])
    assert goal.picked not in world.state.pallets
    answer(world, "handler-failed", "go on")
    finish(world, parts=3)
    assert sorted(record.verdict for record in world.records) == [
        "conforming",
        "conforming",
        "not measured",
    ]
    assert world.state.pallets == {}


def test_a_new_journal_goes_on_above_the_numbers_that_the_handler_knows(a_world):
    """A handler refuses numbers that it has passed; an older journal may have used higher ones than this one begins with."""
    world = a_world(pallets=1)
    first = world.journal.entries[0]
    state = world.core.decide(world.core.initial(), first.event, first.at_ms).state
    shown = replace(observed(world), order=state.next_order + 5_000, phase="done")
    assert world.core.decide(state, shown, first.at_ms).state.next_order == shown.order + 1


def test_an_absurd_order_number_does_not_spoil_ours(a_world):
    world = a_world(pallets=1)
    image = observed(world)
    before = world.state.next_order
    world.tell(replace(image, source_ms=image.source_ms + 1, order=2**32 - 1))
    assert world.state.next_order < before + 100


def test_an_image_with_another_number_of_jaws_tells_nothing_of_the_jaws(a_world):
    world = a_world(pallets=1)
    image = observed(world)
    for jaws in ((), ("empty",), ("empty",) * 3):
        world.tell(replace(image, source_ms=image.source_ms + len(jaws) + 1, jaws=jaws))
        assert world.state.handler.jaws_seen == ("unknown", "unknown")

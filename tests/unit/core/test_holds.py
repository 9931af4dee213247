"""Every hold of the catalogue is reached by facts of machines and people, and every answer leads somewhere sensible.

Each scenario brings a world to the moment at which one hold stands. Each answer then says what the person does first, and what has
become of the cell in the end: the pallets that can be finished are finished, nothing waits any more, no machine saw a violation.
"""

from collections.abc import Callable
from dataclasses import replace as changed

import pytest

from simulators.bench.trial import DAY_MS, START_MS, finish, troubles
from simulators.bench.world import World
from simulators.models.physics import Physics
from supervisor.cell.model import Cell
from supervisor.cell.value import replace
from supervisor.core.commands import (
    MoveHandler,
    PrepareProgram,
    StartRun,
)
from supervisor.core.events import CellOrdered, HoldReleased, ResultArrived
from supervisor.core.holds import HOLDS
from supervisor.core.people import ANSWERS
from tests.unit.core.reference_cell import MASTER, bring_master, rule, world_of
from tests.unit.core.tags import tag_of
from tests.unit.core.test_the_infeed import fed

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
STRANGE_GTIN = "00614141999996"


@pytest.fixture
def make(a_world) -> Callable[..., World]:
    return a_world


# --- what people and machines do --------------------------------------------------------------------------------------------------


def until(world: World, code: str) -> None:
    """Let time pass until a hold of a code stands."""

    def stands(_: World) -> bool:
        return any(hold.code == code for hold in world.state.holds.values())

    world.run(world.now_ms + DAY_MS, done=stands)
    assert stands(world), f"no {code} in a day"


def the_hold(world: World, code: str):
    (hold,) = [hold for hold in world.state.holds.values() if hold.code == code]
    return hold


def answer(world: World, code: str, reply: str) -> None:
    hold = the_hold(world, code)
    world.tell(HoldReleased(hold=hold.hold, answer=reply, by="a person", place=""))


def reply(world: World, code: str, answer: str, why: str) -> None:
    """Answer with a reason."""
    hold = the_hold(world, code).hold
    world.tell(HoldReleased(hold=hold, answer=answer, by="a person", place="", why=why))


def stands(world: World, code: str) -> bool:
    return any(hold.code == code for hold in world.state.holds.values())


def take(world: World, place: str) -> str:
    """A person takes a pallet away."""
    pallet = world.floor.lift(place)
    assert pallet
    world.look()
    return pallet


def put(world: World, place: str, pallet: str) -> None:
    """A person puts a pallet down."""
    assert world.floor.set_down(place, pallet)
    world.look()


def free_rack_place(world: World) -> str:
    return next(
        name
        for name, place in sorted(world.state.places.items())
        if name.startswith("rack") and place.presence == "empty" and not place.reserved
    )


def coming(*arrivals_ms: int) -> Callable[[Physics], Physics]:
    """Pallets come at these times after the start."""
    times = tuple(START_MS + ms for ms in arrivals_ms)

    def built(physics: Physics) -> Physics:
        return changed(physics, operator=changed(physics.operator, arrivals_ms=times))

    return built


def with_tag(physics: Physics, number: int, payload: bytes) -> Physics:
    """One pallet has another tag than it should."""
    pallets = list(physics.pallets)
    pallets[number] = changed(pallets[number], tag=payload.hex())
    return changed(physics, pallets=tuple(pallets))


def write_tag_right(world: World, number: int) -> None:
    pallet = world.physics.pallets[number]
    world.physics.pallet[pallet.pallet] = changed(pallet, tag="")


def place_of(world: World, pallet: str) -> str:
    return next(place for place in world.physics.at_mm if world.floor.pallet_at(place) == pallet)


def lose_once(world: World, kind: type, times: int = 1) -> None:
    """The next goals of a kind reach no machine."""
    left = [times]

    def lost(goal) -> bool:
        if isinstance(goal, kind) and left[0]:
            left[0] -= 1
            return True
        return False

    world.goes_lost = lost


# --- how each hold comes about ----------------------------------------------------------------------------------------------------

Make = Callable[..., World]


def tag_unreadable(make: Make) -> World:
    world = make(built=coming(1_000, MINUTE_MS, MINUTE_MS))
    for status in ("failed", "no tag", "several tags"):
        world.models.reader.answer_next(status)
    until(world, "tag-unreadable")
    return world


def tag_malformed(make: Make) -> World:
    world = make(built=lambda physics: with_tag(physics, 1, b"\x00" * 41))
    until(world, "tag-malformed")
    return world


def pallet_twice(make: Make) -> World:
    """The carrier that lies is read second."""
    world = make(built=lambda physics: with_tag(physics, 0, tag_of(physics, 1)))
    until(world, "pallet-twice")
    return world


def part_type_unknown(make: Make) -> World:
    strange = {"gtin": STRANGE_GTIN}
    world = make(built=lambda physics: with_tag(physics, 1, tag_of(physics, 1, **strange)))
    until(world, "part-type-unknown")
    return world


def without_touch_for_cam_rings(cell: Cell) -> Cell:
    return replace(
        cell, programs=tuple(p for p in cell.programs if p.program != "cam-ring@touch-1")
    )


def plan_undecidable(make: Make) -> World:
    world = make(declared=without_touch_for_cam_rings)
    until(world, "plan-undecidable")
    return world


def with_one_rack_place(cell: Cell) -> Cell:
    return replace(
        cell, places=tuple(p for p in cell.places if p.kind == "outfeed" or p.place == "rack-01")
    )


def rack_full(make: Make) -> World:
    """A second pallet is put on the home place of the first, which is being measured; there is no other place."""
    world = make(pallets=2, declared=with_one_rack_place, built=coming(0, 30 * DAY_MS))
    world.run(world.now_ms + 5 * MINUTE_MS)
    (first,) = world.state.pallets
    second = next(p.pallet for p in world.physics.pallets if p.pallet != first)
    put(world, "rack-01", second)
    until(world, "rack-full")
    return world


def pallet_stranded(make: Make) -> World:
    """The first pallet has been taken from the infeed and has no place of its own when every station fails."""
    world = make(declared=fed)
    world.run(world.now_ms + DAY_MS, done=lambda _: any(world.state.handler.jaws))
    for station in world.models.stations.values():
        station.befall("fault")
    world.look()
    until(world, "pallet-stranded")
    return world


def outfeed_misused(make: Make) -> World:
    """Somebody puts an unmeasured part where finished ones leave."""
    world = make(pallets=2, built=coming(0, 30 * DAY_MS))
    world.run(world.now_ms + 20_000)
    (first,) = world.state.pallets
    second = next(p.pallet for p in world.physics.pallets if p.pallet != first)
    put(world, "out-ok-1", second)
    until(world, "outfeed-misused")
    return world


def door_stuck(make: Make) -> World:
    world = make()
    world.models.stations["touch-1"].door.jam()
    until(world, "door-stuck")
    return world


def prepare_failed(make: Make) -> World:
    world = make()
    world.goes_lost = lambda goal: isinstance(goal, PrepareProgram) and goal.station == "scan-1"
    until(world, "prepare-failed")
    return world


def start_unconfirmed(make: Make) -> World:
    world = make()
    lose_once(world, StartRun)
    until(world, "start-unconfirmed")
    return world


def run_late(make: Make) -> World:
    world = make()
    world.models.stations["touch-1"].duration_factor = 2.0
    until(world, "run-late")
    world.models.stations["touch-1"].duration_factor = 1.0
    return world


def result_missing(make: Make) -> World:
    world = make()
    lost: list[ResultArrived] = []

    def wire(fact):
        if isinstance(fact, ResultArrived) and not lost:
            lost.append(fact)
            return ()
        return ((0, fact),)

    world.wire = wire
    until(world, "result-missing")
    return world


def foreign_run(make: Make) -> World:
    """While the cell pauses, somebody starts a run at the panel of a station with a pallet in its nest."""
    world = make()
    touch = world.models.stations["touch-1"]
    world.run(DAY_MS + world.now_ms, done=lambda _: touch.image().work == "acquiring")
    world.tell(CellOrdered(want="pause", by="a person"))
    world.run(DAY_MS + world.now_ms, done=lambda _: touch.image().work == "prepared")
    serial = world.physics.pallet[world.floor.pallet_at("touch-1")].serial
    assert touch.start("BY HAND", serial).status == "ok"
    world.look()
    until(world, "foreign-run")
    world.tell(CellOrdered(want="run", by="a person"))
    return world


def nest_unknown(make: Make) -> World:
    world = make(pallets=2, built=coming(0, 30 * DAY_MS))
    world.run(world.now_ms + 20_000)
    (first,) = world.state.pallets
    second = next(p.pallet for p in world.physics.pallets if p.pallet != first)
    put(world, "ct-1", second)
    until(world, "nest-unknown")
    return world


def nest_lost(make: Make) -> World:
    world = make()
    touch = world.models.stations["touch-1"]
    world.run(DAY_MS + world.now_ms, done=lambda _: touch.image().work == "acquiring")
    world.taken = take(world, "touch-1")
    until(world, "nest-lost")
    return world


def station_fault(make: Make) -> World:
    world = make()
    touch = world.models.stations["touch-1"]
    world.run(DAY_MS + world.now_ms, done=lambda _: touch.image().work == "acquiring")
    touch.befall("fault")
    world.look()
    until(world, "station-fault")
    return world


def handler_failed(make: Make) -> World:
    world = make()
    world.models.handler.fail_next()
    until(world, "handler-failed")
    return world


def jaw_unknown(make: Make) -> World:
    """A pallet drops out of the jaw while the handler waits before a station."""
    world = make()
    for station in world.models.stations.values():
        station.door.jam()

    def waits_with_a_pallet(_: World) -> bool:
        handler = world.state.handler
        return any(handler.jaws) and handler.stage == "idle"

    world.run(DAY_MS + world.now_ms, done=waits_with_a_pallet)
    world.taken = take(world, "jaw-1")
    for station in world.models.stations.values():
        station.door.free()
    until(world, "jaw-unknown")
    return world


def move_late(make: Make) -> World:
    world = make()
    world.run(world.now_ms + 30_000)
    lose_once(world, MoveHandler)
    until(world, "move-late")
    return world


def without_a_calibration(cell: Cell) -> Cell:
    """The calibration of touch-1 ended the day before the world begins (2025-11-24T16:00Z)."""
    return replace(
        cell,
        stations=tuple(
            replace(
                each,
                calibration="K-2024-118",
                calibration_due="2025-11-23",
                calibration_overdue="stops",
            )
            if each.station == "touch-1"
            else each
            for each in cell.stations
        ),
    )


def calibration_overdue(make: Make) -> World:
    world = make(declared=without_a_calibration)
    until(world, "calibration-overdue")
    return world


def reference_unknown(_make: Make) -> World:
    """The pallet of the master ring carries another ring."""
    world = world_of(parts=3, about={"serial": "8"})
    until(world, "reference-unknown")
    return world


def reference_failed(_make: Make) -> World:
    """The stylus of touch-1 is bent after a first good check."""
    world = world_of(parts=6)
    world.run(world.now_ms + 16 * MINUTE_MS)
    world.models.stations["touch-1"].drift_to("2", 0.006)
    until(world, "reference-failed")
    return world


def reference_good(make: Make) -> World:
    world = reference_failed(make)
    world.models.stations["touch-1"].drift_to("2", 0.0)
    answer(world, "reference-failed", "check again")
    until(world, "reference-good")
    return world


def check_overdue(_make: Make) -> World:
    """The master ring is not in the cell."""
    world = world_of(parts=3, check=rule(grace_ms=HOUR_MS), master="missing")
    until(world, "check-overdue")
    return world


def reference_trend(_make: Make) -> World:
    """The stylus of touch-1 moves by two of its standard uncertainties after ten good checks; one beyond is found all the same."""
    world = world_of(parts=3, check=rule(every_runs=0, every_ms=HOUR_MS), seed=1)
    world.run(world.now_ms + 13 * HOUR_MS)
    world.models.stations["touch-1"].drift_to("2", 0.0015)
    until(world, "reference-trend")
    world.run(world.now_ms + HOUR_MS // 2)  # the ring has gone home
    return world


REACHED_BY = {
    "tag-unreadable": tag_unreadable,
    "tag-malformed": tag_malformed,
    "pallet-twice": pallet_twice,
    "identity-doubted": pallet_twice,
    "part-type-unknown": part_type_unknown,
    "plan-undecidable": plan_undecidable,
    "rack-full": rack_full,
    "pallet-stranded": pallet_stranded,
    "outfeed-misused": outfeed_misused,
    "door-stuck": door_stuck,
    "prepare-failed": prepare_failed,
    "start-unconfirmed": start_unconfirmed,
    "run-late": run_late,
    "result-missing": result_missing,
    "foreign-run": foreign_run,
    "nest-unknown": nest_unknown,
    "nest-lost": nest_lost,
    "station-fault": station_fault,
    "handler-failed": handler_failed,
    "jaw-unknown": jaw_unknown,
    "move-late": move_late,
    "calibration-overdue": calibration_overdue,
    "reference-unknown": reference_unknown,
    "reference-failed": reference_failed,
    "reference-good": reference_good,
    "check-overdue": check_overdue,
    "reference-trend": reference_trend,
}


# --- what a person does and answers, and how many parts are finished then ---------------------------------------------------------


def plainly(code: str, reply: str, records: int) -> Callable[[World], int]:
    """The answer alone."""

    def act(world: World) -> int:
        answer(world, code, reply)
        return records

    return act


def taken_out(code: str, records: int) -> Callable[[World], int]:
    """The person takes the held pallet out, a little after having said so."""

    def act(world: World) -> int:
        place = world.state.pallets[the_hold(world, code).subject].place
        answer(world, code, "removed")
        world.run(world.now_ms + 5_000)
        take(world, place)
        return records

    return act


def tag_written_anew(code: str, number: int) -> Callable[[World], int]:
    """A second reading finds the same; the person writes the tag right, and the next reading finds that."""

    def act(world: World) -> int:
        answer(world, code, "read again")
        until(world, code)
        write_tag_right(world, number)
        answer(world, code, "read again")
        return 3

    return act


def vouched_for(act: Callable[[World], int]) -> Callable[[World], int]:
    """Of the carrier that came first somebody says, with a reason, that it is what its tag says."""

    def both(world: World) -> int:
        records = act(world)
        answer(world, "identity-doubted", "right")
        assert stands(world, "identity-doubted"), "not without a reason"
        reply(world, "identity-doubted", "right", "the number on the part compared")
        return records

    return both


def true_carrier_taken_out(world: World) -> int:
    """It was fetched when it came to light: from the hand nobody takes it. At home again it is taken out, and the other one, whose tag
    somebody put right meanwhile, is read by itself and goes on."""
    world.run(world.now_ms + 5_000)
    answer(world, "identity-doubted", "removed")
    assert stands(world, "identity-doubted"), "not out of the hand"
    world.run(world.now_ms + 10 * MINUTE_MS)
    place = world.state.pallets[the_hold(world, "identity-doubted").subject].place
    write_tag_right(world, 0)
    answer(world, "identity-doubted", "removed")
    take(world, place)
    assert not stands(world, "pallet-twice")
    return 2


def still_undecidable(world: World) -> int:
    answer(world, "plan-undecidable", "read again")
    until(world, "plan-undecidable")
    take(world, world.state.pallets[the_hold(world, "plan-undecidable").subject].place)
    return 3


def no_room_yet(world: World) -> int:
    """There is still no room; when the first part has left the cell, the second goes on by itself."""
    answer(world, "rack-full", "read again")
    assert stands(world, "rack-full")
    return 2


def out_of_the_jaw(world: World) -> int:
    """Taken out before that is said: nobody is asked twice."""
    take(world, "jaw-1")
    assert not stands(world, "jaw-unknown")
    answer(world, "pallet-stranded", "removed")
    assert [r.verdict for r in world.records] == ["not measured"]
    for _ in world.models.stations:
        fault = next(h.hold for h in world.state.holds.values() if h.code == "station-fault")
        world.tell(HoldReleased(hold=fault, answer="clear", by="a person", place=""))
    return 3


def into_the_rack(world: World) -> int:
    answer(world, "outfeed-misused", "removed")
    assert not stands(world, "outfeed-misused")
    pallet = take(world, "out-ok-1")
    put(world, free_rack_place(world), pallet)
    return 2


def door_freed(world: World) -> int:
    answer(world, "door-stuck", "try again")
    until(world, "door-stuck")
    world.models.stations["touch-1"].door.free()
    answer(world, "door-stuck", "try again")
    return 3


def program_loaded_after_all(world: World) -> int:
    """Trying again is no run without result: it may be done any number of times."""
    for _ in range(3):
        answer(world, "prepare-failed", "try again")
        until(world, "prepare-failed")
    world.goes_lost = lambda _goal: False
    answer(world, "prepare-failed", "try again")
    return 3


def program_given_up(world: World) -> int:
    """The program is not asked for again on this part: the other two are tried with theirs, then nobody is."""
    pallet = world.state.stations["scan-1"].pallet
    answer(world, "prepare-failed", "give up")
    assert "cam-ring@scan-1" in world.state.pallets[pallet].done
    assert world.state.stations["scan-1"].run is None
    world.goes_lost = lambda _goal: False
    return 3


def start_shows_late(world: World) -> int:
    answer(world, "start-unconfirmed", "wait")
    until(world, "start-unconfirmed")
    answer(world, "start-unconfirmed", "give up")
    return 3


def result_read_again(world: World) -> int:
    answer(world, "result-missing", "wait")
    station = next(s.station for s in world.state.stations.values() if s.work == "finished")
    world.cut(station)
    world.mend(station)
    return 3


def foreign_run_over(world: World) -> int:
    """While it runs the answer is no: the question stands again at once."""
    answer(world, "foreign-run", "clear")
    assert stands(world, "foreign-run")
    touch = world.models.stations["touch-1"]
    world.run(DAY_MS + world.now_ms, done=lambda _: touch.image().work == "finished")
    answer(world, "foreign-run", "clear")
    return 3


def stranger_taken_out(world: World) -> int:
    pallet = take(world, "ct-1")
    answer(world, "nest-unknown", "removed")
    put(world, free_rack_place(world), pallet)
    return 2


def part_gone_from_nest(world: World) -> int:
    """The part leaves the cell with the record of how far it came."""
    answer(world, "nest-lost", "removed")
    assert [r.verdict for r in world.records] == ["not measured"]
    return 3


def part_back_in_nest(world: World) -> int:
    put(world, "touch-1", world.taken)
    answer(world, "nest-lost", "still there")
    return 3


def fault_mended(world: World) -> int:
    """One answer is enough."""
    answer(world, "station-fault", "clear")
    return 3


def dropped_pallet_back(world: World) -> int:
    """It comes in anew, under its tag; what it had been measured before is in the record of its first visit."""
    answer(world, "jaw-unknown", "jaws empty")
    put(world, free_rack_place(world), world.taken)
    return 4


def order_given_again(world: World) -> int:
    """The order goes out again under its number: the handler does it once, whether it had come or not."""
    answer(world, "move-late", "wait")
    return 3


def order_given_up(world: World) -> int:
    answer(world, "move-late", "give up")
    answer(world, "handler-failed", "go on")
    return 3


def measured_on(world: World) -> int:
    """Without a reason the question stands; with one the parts that waited are measured."""
    answer(world, "calibration-overdue", "measure on")
    assert stands(world, "calibration-overdue")
    reply(world, "calibration-overdue", "measure on", "the certificate is in the post")
    assert not stands(world, "calibration-overdue")
    return 3


def master_put_away(world: World) -> int:
    """When the parts are out and nothing is asked any more, the master ring is taken out too."""

    def idle(_: World) -> bool:
        inside = [p for p in world.state.pallets.values() if p.pallet != MASTER]
        return not inside and not world.models.operator.waiting

    world.run(world.now_ms + DAY_MS, done=idle)
    assert idle(world)
    if MASTER in world.state.pallets:
        take(world, place_of_master(world))
    assert world.state.holds == {}
    return len(world.records)


def place_of_master(world: World) -> str:
    """It goes home by itself if it stands in a nest."""
    world.run(world.now_ms + HOUR_MS)
    return world.state.pallets[MASTER].place


def strange_ring_taken_out(world: World) -> int:
    place = world.state.pallets[the_hold(world, "reference-unknown").subject].place
    answer(world, "reference-unknown", "removed")
    take(world, place)
    return without_a_check(world)


def strange_ring_read_again(world: World) -> int:
    answer(world, "reference-unknown", "read again")
    until(world, "reference-unknown")
    return strange_ring_taken_out(world)


def without_a_check(world: World) -> int:
    """In a day the check is late, for the master ring is missing: measured on for a reason, the parts are finished."""
    if stands(world, "check-overdue"):
        reply(world, "check-overdue", "measure on", "the ring is at its calibration")
    return master_put_away(world)


def mended_and_checked(world: World) -> int:
    world.models.stations["touch-1"].drift_to("2", 0.0)
    answer(world, "reference-failed", "check again")
    until(world, "reference-good")
    answer(world, "reference-good", "release")
    return master_put_away(world)


def released_for_a_reason(world: World) -> int:
    answer(world, "reference-failed", "release")
    assert stands(world, "reference-failed")
    world.models.stations["touch-1"].drift_to("2", 0.0)
    reply(world, "reference-failed", "release", "the ring was dirty")
    return master_put_away(world)


def good_and_released(world: World) -> int:
    answer(world, "reference-good", "release")
    return master_put_away(world)


def good_and_checked_again(world: World) -> int:
    before = len(world.records)
    answer(world, "reference-good", "check again")
    world.run(world.now_ms + HOUR_MS)
    assert len(world.records) > before
    return good_and_released(world)


def level_accepted(world: World) -> int:
    answer(world, "reference-trend", "accept")
    assert stands(world, "reference-trend"), "not without a reason"
    reply(world, "reference-trend", "accept", "a new stylus")
    return master_put_away(world)


def moved_and_checked_again(world: World) -> int:
    before = len(world.records)
    answer(world, "reference-trend", "check again")
    world.run(world.now_ms + HOUR_MS // 2)
    assert len(world.records) == before + 1
    return level_accepted(world)


def master_brought(world: World) -> int:
    bring_master(world)
    answer(world, "check-overdue", "check again")
    return master_put_away(world)


ANSWERED_BY: dict[tuple[str, str], Callable[[World], int]] = {
    ("tag-unreadable", "read again"): plainly("tag-unreadable", "read again", 3),
    ("tag-unreadable", "removed"): taken_out("tag-unreadable", 2),
    ("tag-malformed", "read again"): tag_written_anew("tag-malformed", 1),
    ("tag-malformed", "removed"): taken_out("tag-malformed", 2),
    ("pallet-twice", "read again"): vouched_for(tag_written_anew("pallet-twice", 0)),
    ("pallet-twice", "removed"): vouched_for(taken_out("pallet-twice", 2)),
    ("identity-doubted", "right"): vouched_for(tag_written_anew("pallet-twice", 0)),
    ("identity-doubted", "removed"): true_carrier_taken_out,
    ("part-type-unknown", "read again"): tag_written_anew("part-type-unknown", 1),
    ("part-type-unknown", "removed"): taken_out("part-type-unknown", 2),
    ("plan-undecidable", "read again"): still_undecidable,
    ("plan-undecidable", "removed"): taken_out("plan-undecidable", 3),
    ("rack-full", "read again"): no_room_yet,
    ("rack-full", "removed"): taken_out("rack-full", 1),
    ("pallet-stranded", "removed"): out_of_the_jaw,
    ("outfeed-misused", "removed"): into_the_rack,
    ("door-stuck", "try again"): door_freed,
    ("prepare-failed", "try again"): program_loaded_after_all,
    ("prepare-failed", "give up"): program_given_up,
    ("start-unconfirmed", "wait"): start_shows_late,
    ("start-unconfirmed", "give up"): plainly("start-unconfirmed", "give up", 3),
    ("run-late", "wait"): plainly("run-late", "wait", 3),
    ("run-late", "abort"): plainly("run-late", "abort", 3),
    ("result-missing", "wait"): result_read_again,
    ("result-missing", "give up"): plainly("result-missing", "give up", 3),
    ("foreign-run", "clear"): foreign_run_over,
    ("nest-unknown", "removed"): stranger_taken_out,
    ("nest-lost", "removed"): part_gone_from_nest,
    ("nest-lost", "still there"): part_back_in_nest,
    ("station-fault", "clear"): fault_mended,
    ("handler-failed", "go on"): plainly("handler-failed", "go on", 3),
    ("jaw-unknown", "jaws empty"): dropped_pallet_back,
    ("move-late", "wait"): order_given_again,
    ("move-late", "give up"): order_given_up,
    ("calibration-overdue", "measure on"): measured_on,
    ("reference-unknown", "read again"): strange_ring_read_again,
    ("reference-unknown", "removed"): strange_ring_taken_out,
    ("reference-failed", "check again"): mended_and_checked,
    ("reference-failed", "release"): released_for_a_reason,
    ("reference-good", "release"): good_and_released,
    ("reference-good", "check again"): good_and_checked_again,
    ("check-overdue", "check again"): master_brought,
    ("check-overdue", "measure on"): without_a_check,
    ("reference-trend", "check again"): moved_and_checked_again,
    ("reference-trend", "accept"): level_accepted,
}


def test_every_code_is_reached_and_every_answer_given():
    assert REACHED_BY.keys() == HOLDS.keys()
    assert {(c, a) for c, kind in HOLDS.items() for a in kind.answers} == ANSWERS.keys()
    assert ANSWERED_BY.keys() == ANSWERS.keys()


@pytest.mark.hazard(12)
@pytest.mark.parametrize(("code", "reply"), ANSWERED_BY, ids=lambda text: text.replace(" ", "-"))
def test_an_answer_leads_on(make, code, reply):
    world = REACHED_BY[code](make)
    hold = the_hold(world, code)
    assert hold.answers == HOLDS[code].answers
    assert hold.seen
    records = ANSWERED_BY[code, reply](world)
    finish(world, parts=records)
    assert world.state.holds == {}
    assert world.state.pallets == {}
    assert len(world.records) == records
    assert troubles(world, parts=[]) == []


@pytest.mark.parametrize("code", sorted(REACHED_BY))
def test_an_answer_that_a_hold_does_not_offer_changes_nothing(make, code):
    world = REACHED_BY[code](make)
    before = world.state
    hold = the_hold(world, code).hold
    for name, reply in ((hold, "nonsense"), (hold, ""), ("hold-0", HOLDS[code].answers[0])):
        world.tell(HoldReleased(hold=name, answer=reply, by="a person", place=""))
    assert world.state == before

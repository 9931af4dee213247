"""A station that is off, in manual, faulty, jammed or unreadable: its pallets go elsewhere where the plan allows, wait with a stated
reason where it does not, and the rest of the cell works on. When it is back, everything is finished.

In the small cell scan-1 and touch-1 both decide "1", only touch-1 decides "2", scan-1 decides "3" and for port plates ct-1 does too.
"""

import pytest

from simulators.bench.trial import finish, serials, troubles
from supervisor.cell.value import replace
from supervisor.core.events import CellOrdered, HoldReleased, StationObserved

MINUTE_MS = 60_000
HOURS_MS = 4 * 3_600_000

OUT = ("off", "manual", "jammed", "unreadable", "gated")


def unreadable(fact):
    """The nest of scan-1 reads nothing certain."""
    if isinstance(fact, StationObserved) and fact.station == "scan-1":
        fact = replace(fact, nest="unknown")
    return ((0, fact),)


def gated(fact):
    """scan-1 says that it must not measure."""
    if isinstance(fact, StationObserved) and fact.station == "scan-1":
        fact = replace(fact, gate="calibration overdue")
    return ((0, fact),)


def straight(fact):
    return ((0, fact),)


def take_out(world, station, how):
    model = world.models.stations[station]
    match how:
        case "off":
            world.cut(station)
        case "manual":
            model.befall("manual")
        case "jammed":
            model.door.jam()
        case _:
            world.wire = {"unreadable": unreadable, "gated": gated}[how]
            world.cut(station)
            world.mend(station)
    world.look()


def bring_back(world, station):
    model = world.models.stations[station]
    model.befall("automatic")
    model.door.free()
    world.wire = straight
    world.cut(station)
    world.mend(station)
    for hold in list(world.state.holds.values()):
        assert (hold.code, hold.subject) == ("door-stuck", station)
        world.tell(HoldReleased(hold=hold.hold, answer="try again", by="a person", place=""))


def part_types(world):
    return sorted(record.part_type for record in world.records)


@pytest.mark.parametrize("how", OUT)
@pytest.mark.parametrize("jaws", [1, 2])
def test_pallets_go_elsewhere_where_the_plan_allows_and_wait_with_a_reason_where_not(
    a_world, how, jaws
):
    world = a_world(pallets=6, jaws=jaws)
    take_out(world, "scan-1", how)
    world.run(world.now_ms + HOURS_MS)
    assert part_types(world) == ["port-plate", "port-plate"]
    waiting = [pallet for pallet in world.state.pallets.values() if pallet.stage != "sorted"]
    assert len(waiting) == 4
    assert {pallet.open for pallet in waiting if pallet.place != "scan-1"} == {("3",)}
    assert "scan-1" in world.state.stay
    stands = {hold.code for hold in world.state.holds.values()}
    assert stands == ({"door-stuck"} if how == "jammed" else set())
    bring_back(world, "scan-1")
    finish(world, parts=6)
    assert troubles(world, parts=serials(world)) == []
    assert world.state.pallets == {}
    assert world.state.holds == {}


@pytest.mark.parametrize("how", ["off", "manual", "unreadable"])
def test_a_station_lost_in_the_middle_of_a_run_keeps_nobody_else_waiting(a_world, how):
    world = a_world(pallets=6)
    scan = world.models.stations["scan-1"]
    world.run(world.now_ms + HOURS_MS, done=lambda _: scan.image().work == "acquiring")
    inside = world.state.stations["scan-1"].pallet
    take_out(world, "scan-1", how)
    world.run(world.now_ms + HOURS_MS)
    others = [r.part_type for r in world.records if r.pallet != inside]
    assert others.count("port-plate") >= 1
    assert world.state.holds == {}
    bring_back(world, "scan-1")
    finish(world, parts=6)
    assert troubles(world, parts=serials(world)) == []


def test_a_station_that_is_off_for_hours_needs_nobody_when_it_is_back(a_world):
    """Doors, programs and runs of a machine that cannot be reached are no question for a person."""
    world = a_world(pallets=6)
    for _ in range(12):
        world.run(world.now_ms + 3 * MINUTE_MS)
        world.cut("touch-1")
        world.run(world.now_ms + 30 * MINUTE_MS)
        assert world.state.holds == {}
        world.mend("touch-1")
    finish(world, parts=6)
    assert troubles(world, parts=serials(world)) == []


@pytest.mark.parametrize("machine", ["handler", "rack"])
def test_the_handler_or_the_reader_off_for_hours_needs_nobody_when_it_is_back(a_world, machine):
    world = a_world(pallets=6)
    for _ in range(12):
        world.run(world.now_ms + 3 * MINUTE_MS)
        world.cut(machine)
        world.run(world.now_ms + 30 * MINUTE_MS)
        assert world.state.holds == {}
        world.mend(machine)
    finish(world, parts=6)
    assert troubles(world, parts=serials(world)) == []


def test_a_part_whose_run_cannot_start_goes_elsewhere_meanwhile(a_world):
    """The program is prepared, then the station says that it must not measure: the part is not kept in its nest."""
    world = a_world(pallets=1)
    world.cut("touch-1")
    world.run(
        world.now_ms + HOURS_MS,
        done=lambda _: getattr(world.state.stations["scan-1"].run, "stage", "") == "preparing",
    )
    world.wire = gated
    world.mend("touch-1")
    world.cut("scan-1")
    world.mend("scan-1")
    world.run(world.now_ms + HOURS_MS)
    (pallet,) = world.state.pallets.values()
    assert [result.station for result in pallet.results] == ["touch-1"]
    assert pallet.open == ("3",)
    assert pallet.tried == ()
    bring_back(world, "scan-1")
    finish(world, parts=1)
    assert troubles(world, parts=serials(world)) == []


def test_a_tag_is_not_unreadable_because_its_reader_is_off(a_world):
    world = a_world(pallets=1)
    world.cut("rack")
    world.run(world.now_ms + HOURS_MS)
    assert world.state.holds == {}
    world.mend("rack")
    finish(world, parts=1)
    assert len(world.records) == 1


def test_a_door_that_somebody_opens_is_closed_again_before_the_run_starts(a_world):
    world = a_world(pallets=2)
    touch = world.models.stations["touch-1"]

    def is_prepared(_world):
        return getattr(world.state.stations["touch-1"].run, "stage", "") == "preparing"

    world.run(world.now_ms + HOURS_MS, done=is_prepared)
    world.tell(CellOrdered(want="pause", by="a person"))
    world.run(world.now_ms + 30_000)
    assert world.state.stations["touch-1"].run.stage == "prepared"
    assert world.state.stations["touch-1"].bay == "shut"
    touch.drive_door("open")
    world.run(world.now_ms + 30_000)
    world.tell(CellOrdered(want="run", by="a person"))
    finish(world, parts=2)
    assert troubles(world, parts=serials(world)) == []


def test_a_door_on_its_way_for_a_stop_that_is_off_closes_for_the_run(a_world):
    """A stop was planned at the station, then the cell paused before the pallet was fetched: the run that waits may start."""
    world = a_world(pallets=6)
    state = world.state

    def planned(_world):
        nonlocal state
        state = world.state
        carry = state.handler.carry
        return carry is not None and any(s.bay == "opening" for s in state.stations.values())

    world.run(world.now_ms + HOURS_MS, done=planned)
    world.tell(CellOrdered(want="pause", by="a person"))
    world.run(world.now_ms + HOURS_MS)
    assert world.state.holds == {}
    world.tell(CellOrdered(want="run", by="a person"))
    finish(world, parts=6)
    assert troubles(world, parts=serials(world)) == []


@pytest.mark.hazard(1)
def test_a_station_whose_door_is_closed_by_hand_opens_it_again_before_the_arm_enters(a_world):
    world = a_world(pallets=2)
    touch = world.models.stations["touch-1"]
    world.run(world.now_ms + HOURS_MS, done=lambda _: world.state.stations["touch-1"].bay == "open")
    touch.drive_door("closed")
    world.look()
    finish(world, parts=2)
    assert troubles(world, parts=serials(world)) == []

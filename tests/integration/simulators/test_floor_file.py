"""The floor between processes: what two of them do at the same moment, and what a dead one leaves behind."""

import multiprocessing
import select
from dataclasses import replace
from pathlib import Path

import pytest

from simulators.models import physics as physics_file
from simulators.servers import floor_file
from simulators.servers.floor_file import FloorError, FloorFile

pytestmark = pytest.mark.integration
PHYSICS = physics_file.load(Path(__file__).parents[2] / "unit" / "simulators" / "physics.json")
PALLET = "grai:0614141.12345.400"
ENTRIES = 300


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "floor"
    floor_file.create(path, PHYSICS, speed=60.0)
    return path


@pytest.fixture
def member(path):
    """Join the floor as a machine; all that joined leave at the end."""
    joined = []

    def join(name):
        joined.append(FloorFile(path, PHYSICS, member=name))
        return joined[-1]

    yield join
    for floor in joined:
        floor.close()


def swing_the_door(path, done):
    floor = FloorFile(path, PHYSICS, member="scan-1")
    while not done.is_set():
        floor.swing("scan-1", 1.0)
        if floor.swing("scan-1", 0.5) == "clear":
            assert floor.arm().inside != "scan-1", "the door moves on the arm"


def go_in_and_out(path, done):
    floor = FloorFile(path, PHYSICS, member="handler")
    entered = 0
    while entered < ENTRIES:
        if floor.enter("scan-1") == "":
            entered += 1
            assert floor.station("scan-1").opening == 1.0, "the arm is in a moving door"
            floor.leave()
    done.set()


def test_of_an_arm_and_a_door_that_act_at_the_same_moment_exactly_one_succeeds(path):
    """The door swings for as long as the arm needs to get in so many times, whichever process starts first."""
    context = multiprocessing.get_context("spawn")
    done = context.Event()
    processes = [
        context.Process(target=swing_the_door, args=(path, done), daemon=True),
        context.Process(target=go_in_and_out, args=(path, done), daemon=True),
    ]
    for process in processes:
        process.start()
    for process in processes:
        process.join(timeout=50)
    assert [process.exitcode for process in processes] == [0, 0]


def write_on(path, begun, done):
    floor = FloorFile(path, PHYSICS, member="scan-1")
    facts = floor.read_station("scan-1")
    begun.set()
    while not done.is_set():
        for _ in range(1_000):
            floor.write_station("scan-1", facts)


def test_who_joins_while_another_one_writes_finds_its_own_floor(path):
    """Were a slot cleared before it is written, one of some hundred joins would read it without its name."""
    context = multiprocessing.get_context("spawn")
    begun, done = context.Event(), context.Event()
    other = context.Process(target=write_on, args=(path, begun, done), daemon=True)
    other.start()
    try:
        assert begun.wait(timeout=30)
        for _ in range(20_000):
            FloorFile(path, PHYSICS, member="handler").close()
    finally:
        done.set()
        other.join(timeout=20)
    assert other.exitcode == 0


def test_what_one_writes_the_others_read(member):
    handler, scan = member("handler"), member("scan-1")
    scan.swing("scan-1", 1.0)
    assert handler.enter("scan-1") == ""
    handler.park(2_000)
    handler.retain_order(17)
    assert (scan.arm().inside, scan.arm().at_mm, scan.arm().last_order) == ("scan-1", 2_000, 17)
    assert scan.engage("scan-1") == "arm inside"


def test_a_moved_pallet_wakes_those_who_show_the_places_and_nobody_else(member):
    handler, scan, touch, rack = map(member, ("handler", "scan-1", "touch-1", "rack"))
    rack.set_down("rack-01", PALLET)
    rack.drain()
    handler.move("rack-01", "scan-1")
    readable, _, _ = select.select([scan.socket, touch.socket, rack.socket], [], [], 1.0)
    assert readable == [scan.socket, rack.socket]
    scan.drain()
    assert select.select([scan.socket], [], [], 0)[0] == []
    assert scan.pallet_at("scan-1") == PALLET


def test_wake_ups_that_nobody_reads_stop_nobody(member):
    handler, rack = member("handler"), member("rack")
    rack.set_down("rack-01", PALLET)
    for _ in range(500):
        handler.move("rack-01", "jaw-1")
        handler.move("jaw-1", "rack-01")
    assert select.select([rack.socket], [], [], 0)[0] == [rack.socket]


def test_what_a_dead_machine_left_behind_stays(path, member):
    first = FloorFile(path, PHYSICS, member="handler")
    first.set_down("jaw-1", PALLET)
    first.retain_order(9)
    first.close()
    again = member("handler")
    assert (again.pallet_at("jaw-1"), again.arm().last_order, again.arm().at_mm) == (
        PALLET,
        9,
        None,
    )


def test_two_processes_cannot_be_the_same_machine(path, member):
    member("scan-1")
    with pytest.raises(FloorError, match="scan-1 is on this floor already"):
        FloorFile(path, PHYSICS, member="scan-1")


def test_a_floor_that_is_there_stays_when_somebody_else_comes(path, member):
    member("rack").set_down("rack-01", PALLET)
    floor_file.create(path, PHYSICS, speed=60.0)
    late = member("handler")
    assert (late.pallet_at("rack-01"), late.speed) == (PALLET, 60.0)


def test_a_machine_that_would_run_at_another_speed_is_refused(path):
    with pytest.raises(FloorError, match="runs at speed 60, not 1;"):
        floor_file.create(path, PHYSICS, speed=1.0)


def test_a_floor_of_another_cell_is_refused(path):
    other = replace(PHYSICS, places=PHYSICS.places[1:])
    with pytest.raises(FloorError, match="made for another cell; delete the file"):
        FloorFile(path, other, member="rack")


def test_records_are_lines_of_json(path, member):
    floor = member("scan-1")
    floor.violation(at_ms=5, who="scan-1", text="told to close while the arm is inside")
    floor.witness(at_ms=6, who="scan-1", fact={"fact": "measured", "run_id": "R1"})
    assert floor_file.violations_path(path).read_text() == (
        '{"at_ms":5,"who":"scan-1","text":"told to close while the arm is inside"}\n'
    )
    assert floor_file.truth_path(path).read_text() == (
        '{"at_ms":6,"who":"scan-1","fact":"measured","run_id":"R1"}\n'
    )

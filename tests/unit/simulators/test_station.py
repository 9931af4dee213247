import pytest

from simulators.models.cell import station_model
from simulators.models.touch import TOUCH

BODY, RING = "grai:0614141.12345.400", "grai:0614141.12345.401"  # serials 6789 and 6790


def loaded(station, floor, pallet=BODY):
    floor.set_down(station.station, pallet)


def prepared(station, name, at_ms=10_000):
    station.prepare(name, "")
    station.advance(at_ms)


def texts(floor):
    return [violation.text for violation in floor.violations]


# --- door and area ---


def test_a_door_takes_its_time_and_shows_where_it_is(scan, floor):
    assert scan.drive_door("open").status == "ok"
    assert (scan.image().door, scan.due_ms()) == ("opening", 3_500)
    scan.advance(1_750)
    assert scan.door.opening() == pytest.approx(0.5)
    assert floor.station("scan-1").opening < 1.0
    scan.advance(3_500)
    assert (scan.image().door, floor.station("scan-1").opening) == ("open", 1.0)


def test_a_door_that_turns_round_goes_back_the_way_it_came(scan):
    scan.drive_door("open")
    scan.advance(1_000)
    scan.drive_door("closed")
    assert scan.image().door == "closing"
    assert scan.due_ms() == 2_000


def test_asking_for_what_is_already_so_changes_nothing(scan):
    assert scan.drive_door("closed").status == "ok"
    assert (scan.image().door, scan.due_ms()) == ("closed", None)


def test_a_jammed_door_never_arrives_and_goes_on_when_freed(scan):
    scan.door.jam()
    scan.drive_door("open")
    scan.advance(100_000)
    assert (scan.image().door, scan.due_ms()) == ("opening", None)
    scan.door.free()
    scan.advance(103_500)
    assert scan.image().door == "open"


def test_closing_onto_the_arm_is_refused_and_recorded(scan, floor):
    scan.drive_door("open")
    scan.advance(3_500)
    floor.enter("scan-1")
    assert scan.drive_door("closed").status == "refused"
    assert scan.image().door == "open"
    assert texts(floor) == ["told to close while the arm is inside"]
    assert (floor.violations[0].who, floor.violations[0].at_ms) == ("scan-1", 3_500)


def test_an_area_is_granted_after_parking_and_taken_back_almost_at_once(touch):
    touch.drive_door("open")
    touch.advance(6_000)
    assert touch.image().door == "open"
    touch.drive_door("closed")
    touch.advance(6_500)
    assert touch.image().door == "closed"


def test_a_restarted_machine_closes_a_door_that_it_finds_half_open(physics, floor, parts, scan):
    scan.drive_door("open")
    scan.advance(1_000)
    again = station_model(physics, "scan-1", floor=floor, parts=parts)
    assert again.image().door == "closing"
    again.advance(10_000)
    assert (again.image().door, floor.station("scan-1").opening) == ("closed", 0.0)


def test_a_restarted_machine_does_not_close_an_open_door_on_the_arm(physics, floor, parts, scan):
    scan.drive_door("open")
    scan.advance(3_500)
    floor.enter("scan-1")
    again = station_model(physics, "scan-1", floor=floor, parts=parts)
    again.advance(100_000)
    assert again.image().door == "open"
    assert floor.violations == []


# --- program ---


def test_a_program_is_prepared_a_little_later(scan):
    assert scan.prepare("BODY-SKIN", "A").status == "ok"
    assert scan.image().work == "idle"
    scan.advance(1_500)
    image = scan.image()
    assert (image.work, image.program.name) == ("prepared", "BODY-SKIN")


@pytest.mark.parametrize(("name", "revision"), [("NO-SUCH", ""), ("BODY-SKIN", "B")])
def test_an_unknown_program_or_revision_is_refused(scan, name, revision):
    answer = scan.prepare(name, revision)
    assert answer.status == "refused"
    assert name in answer.text


def test_preparing_the_prepared_program_again_changes_nothing(scan):
    prepared(scan, "BODY-SKIN")
    scan.prepare("BODY-SKIN", "A")
    assert (scan.image().work, scan.due_ms()) == ("prepared", None)


def test_a_program_is_found_by_its_number(touch):
    touch.prepare_number(21)
    touch.advance(1_000)
    assert touch.image().program.name == "BODY-BORES"
    assert touch.prepare_number(99).status == "refused"


# --- run ---


def started(station, floor, name, run_id="R1", serial="6789"):
    loaded(station, floor)
    prepared(station, name)
    assert station.start(run_id, serial, name).status == "ok"


def test_a_scan_frees_the_part_before_it_has_the_result(scan, floor):
    started(scan, floor, "BODY-SKIN")
    assert scan.image().work == "acquiring"
    assert floor.station("scan-1").running
    free_ms = scan.due_ms()
    assert free_ms - 10_000 == pytest.approx(40_000, rel=0.07)
    scan.advance(free_ms)
    assert scan.image().work == "evaluating"
    assert not floor.station("scan-1").running
    scan.advance(scan.due_ms())
    image = scan.image()
    assert (image.work, image.run_id, image.serial, image.count) == ("finished", "R1", "6789", 1)
    assert [value.number for value in image.result.values] == ["2", "3", "5"]


def test_a_tactile_station_keeps_the_part_until_the_result(touch, floor):
    started(touch, floor, "BODY-BORES", run_id="17")
    due_ms = touch.due_ms()
    assert due_ms - 10_000 == pytest.approx(90_000, rel=0.07)
    touch.advance(due_ms)
    assert touch.image().work == "finished"
    assert {value.unit for value in touch.image().result.values} == {"mm"}


def test_the_pallet_may_leave_while_evaluation_goes_on(scan, floor):
    started(scan, floor, "BODY-SKIN")
    scan.advance(scan.due_ms())
    floor.lift("scan-1")
    loaded(scan, floor, RING)
    scan.advance(200_000)
    assert scan.image().result.serial == "6789"
    measured = floor.witnessed[-1]
    assert (measured["fact"], measured["serial"], measured["pallet"]) == ("measured", "6789", BODY)


def test_truth_is_witnessed_with_exactly_the_values_that_go_out(scan, floor):
    started(scan, floor, "BODY-SKIN")
    scan.advance(200_000)
    sent = [(value.number, value.value) for value in scan.image().result.values]
    assert [(value["number"], value["value"]) for value in floor.witnessed[-1]["values"]] == sent


def test_an_acknowledged_result_makes_room_for_the_next_run(scan, touch, floor):
    started(scan, floor, "BODY-SKIN")
    scan.advance(200_000)
    assert scan.acknowledge("R1").status == "ok"
    assert (scan.image().work, scan.image().run_id, scan.image().program) == ("idle", "", None)
    started(touch, floor, "BODY-BORES")
    touch.advance(200_000)
    touch.acknowledge("R1")
    assert touch.image().work == "prepared"


def test_an_unknown_run_is_neither_aborted_nor_acknowledged(scan, floor):
    started(scan, floor, "BODY-SKIN")
    assert scan.abort("R9").status == "unknown run"
    assert scan.acknowledge("R9").status == "unknown run"
    assert scan.acknowledge("R1").status == "refused"


def test_an_aborted_run_has_no_result(scan, floor):
    started(scan, floor, "BODY-SKIN")
    assert scan.abort("R1").status == "ok"
    scan.advance(200_000)
    image = scan.image()
    assert (image.work, image.run_id, image.count, image.result) == ("aborted", "R1", 0, None)
    assert not floor.station("scan-1").running


def test_a_run_is_started_once_whatever_is_sent_again(scan, floor):
    started(scan, floor, "BODY-SKIN")
    assert scan.start("R1", "6789", "BODY-SKIN").status == "refused"
    scan.advance(200_000)
    scan.acknowledge("R1")
    prepared(scan, "BODY-SKIN", at_ms=300_000)
    assert scan.start("R1", "6789", "BODY-SKIN").status == "refused"
    assert floor.violations == []


# --- what must not be asked for ---


def test_a_start_with_the_door_open_is_refused_and_recorded(scan, floor):
    loaded(scan, floor)
    scan.drive_door("open")
    prepared(scan, "BODY-SKIN")
    assert scan.start("R1", "6789").status == "refused"
    assert texts(floor) == ["told to start 'R1' while the door is open"]


def test_a_start_while_the_door_still_moves_is_recorded(scan, floor):
    loaded(scan, floor)
    prepared(scan, "BODY-SKIN")
    scan.drive_door("open")
    assert scan.start("R1", "6789").status == "refused"
    assert texts(floor) == ["told to start 'R1' while the door is opening"]


def test_a_start_on_an_empty_nest_is_refused_and_recorded(scan, floor):
    prepared(scan, "BODY-SKIN")
    assert scan.start("R1", "6789").status == "refused"
    assert texts(floor) == ["told to start 'R1' while the nest is empty"]


def test_a_second_run_during_the_first_is_refused_and_recorded(scan, floor):
    started(scan, floor, "BODY-SKIN")
    assert scan.start("R2", "6789").status == "refused"
    assert texts(floor) == ["told to start 'R2' while work is acquiring"]


def test_an_order_that_names_its_program_has_it_loaded_as_part_of_the_run(touch, floor, physics):
    loaded(touch, floor)
    program = next(one for one in physics.programs if one.station == "touch-1")
    assert touch.load_and_start("R1", "6789", program.name).status == "ok"
    assert (touch.image().work, touch.image().program) == ("acquiring", program)
    first_ms = touch.due_ms()
    touch.advance(first_ms)
    assert touch.image().work == "finished"
    touch.acknowledge("R1")
    assert touch.load_and_start("R2", "6789", program.name).status == "ok"
    assert touch.due_ms() - first_ms == first_ms - TOUCH.prepare_ms  # the program is there by now


@pytest.mark.parametrize(
    ("name", "door", "recorded"),
    [("nothing", "closed", []), ("BODY-BORES", "open", ["told to start 'R1' while the door is open"])],
)  # fmt: skip
def test_an_order_that_names_its_program_is_refused_like_any_start(
    name, door, recorded, touch, floor
):
    loaded(touch, floor)
    touch.drive_door(door)
    touch.advance(10_000)
    assert touch.load_and_start("R1", "6789", name).status == "refused"
    assert (touch.image().work, texts(floor)) == ("idle", recorded)


def test_a_run_that_names_another_part_than_the_nest_holds_is_recorded(scan, floor):
    started(scan, floor, "BODY-SKIN", serial="6790")
    assert texts(floor) == ["run 'R1' names '6790', the nest holds '6789'"]


def test_a_program_of_another_part_type_is_recorded(scan, floor):
    started(scan, floor, "RING-CONTOUR")
    assert texts(floor) == ["run 'R1' measures a cam-ring, the nest holds a pump-body"]


def test_a_start_without_a_prepared_program_is_refused_without_violation(scan, floor):
    loaded(scan, floor)
    assert scan.start("R1", "6789").status == "refused"
    assert floor.violations == []


# --- modes and faults ---


@pytest.mark.parametrize("mode", ["manual", "fault"])
def test_out_of_automatic_everything_is_refused(scan, floor, mode):
    loaded(scan, floor)
    prepared(scan, "BODY-SKIN")
    scan.befall(mode)
    assert {
        scan.drive_door("open").status,
        scan.prepare("BODY-SKIN", "").status,
        scan.start("R1", "6789").status,
    } == {"refused"}
    assert floor.violations == []


def test_leaving_automatic_ends_an_acquiring_run(scan, floor):
    started(scan, floor, "BODY-SKIN")
    scan.befall("fault")
    assert (scan.image().mode, scan.image().work) == ("fault", "aborted")
    assert scan.clear_fault().status == "ok"
    assert scan.image().mode == "automatic"


def test_a_fault_is_not_cleared_while_a_person_has_the_key(scan):
    scan.befall("manual")
    assert scan.clear_fault().status == "refused"


def test_a_part_taken_out_by_hand_ends_the_run(scan, floor):
    started(scan, floor, "BODY-SKIN")
    floor.lift("scan-1")
    scan.advance(11_000)
    assert scan.image().work == "aborted"


def test_a_machine_may_break_a_run_off_by_itself(scan, floor):
    started(scan, floor, "BODY-SKIN")
    scan.break_off()
    assert scan.image().work == "aborted"


def test_a_spoiled_result_has_one_bad_value(scan, floor):
    scan.spoil_next()
    started(scan, floor, "BODY-SKIN")
    scan.advance(200_000)
    assert [value.quality for value in scan.image().result.values] == ["bad", "good", "good"]


def test_a_slower_machine_takes_longer(scan, floor):
    scan.duration_factor = 3.0
    started(scan, floor, "BODY-SKIN")
    assert scan.due_ms() - 10_000 == pytest.approx(120_000, rel=0.07)


def test_every_turn_of_a_run_is_witnessed(scan, floor):
    started(scan, floor, "BODY-SKIN")
    scan.advance(200_000)
    scan.acknowledge("R1")
    turns = [(fact["fact"], fact.get("result")) for fact in floor.witnessed]
    assert turns == [("started", "none"), ("measured", None), ("acknowledged", "kept")]


def test_a_run_that_ends_without_a_result_is_witnessed_as_such(scan, floor):
    started(scan, floor, "BODY-SKIN")
    scan.break_off()
    scan.acknowledge("R1")
    turns = [(fact["fact"], fact["result"]) for fact in floor.witnessed]
    assert turns == [("started", "none"), ("aborted", "none"), ("acknowledged", "none")]

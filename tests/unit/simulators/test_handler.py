import pytest

from simulators.models.handler import HandlerModel

BODY, RING = "grai:0614141.12345.400", "grai:0614141.12345.401"


def texts(floor):
    return [violation.text for violation in floor.violations]


def run(handler, order, action, place, pick_jaw=0, put_jaw=0):
    assert handler.execute(order, action, place, pick_jaw, put_jaw).status == "accepted"
    handler.advance(handler._agenda.now_ms + 1_000_000)
    return handler.image()


def test_an_order_is_accepted_then_busy_then_done(handler, floor):
    floor.set_down("rack-03", BODY)
    handler.execute(1, "pick", "rack-03", 1, 0)
    assert handler.image().phase == "accepted"
    handler.advance(50)
    assert (handler.image().phase, handler.image().at) == ("busy", "")
    # take up 50, 300 mm at 1000 mm/s, then three parts of 6000 ms
    handler.advance(50 + 300)
    assert handler.image().at == "rack-03"
    handler.advance(50 + 300 + 4_000)
    assert handler.image().jaws == (True, False)
    handler.advance(50 + 300 + 5_999)
    assert handler.image().phase == "busy"
    handler.advance(50 + 300 + 6_000)
    image = handler.image()
    assert (image.order, image.phase, image.text, image.inside) == (1, "done", "", "")


def test_inside_is_shown_from_entering_until_clear(handler, floor):
    floor.swing("scan-1", 1.0)
    floor.set_down("scan-1", BODY)
    handler.execute(1, "pick", "scan-1", 1, 0)
    handler.advance(2_049)
    assert handler.image().inside == ""
    handler.advance(2_050)
    assert handler.image().inside == "scan-1"
    handler.advance(8_049)
    assert handler.image().inside == "scan-1"
    handler.advance(8_050)
    assert (handler.image().inside, handler.image().phase) == ("", "done")


def test_a_swap_takes_the_old_pallet_and_leaves_the_new_one(handler, floor):
    floor.swing("scan-1", 1.0)
    floor.set_down("scan-1", BODY)
    floor.set_down("jaw-2", RING)
    assert run(handler, 1, "swap", "scan-1", 1, 2).phase == "done"
    assert (floor.pallet_at("jaw-1"), floor.pallet_at("scan-1"), floor.pallet_at("jaw-2")) == (
        BODY,
        RING,
        "",
    )
    assert [fact["pallet"] for fact in floor.witnessed] == [BODY, RING]


def test_approaching_stands_before_the_place_without_entering(handler):
    image = run(handler, 1, "approach", "scan-1")
    assert (image.phase, image.at, image.inside) == ("done", "scan-1", "")


def test_travel_takes_the_time_of_the_distance(handler):
    handler.execute(1, "approach", "out-ok-1", 0, 0)
    handler.advance(7_049)
    assert handler.image().phase == "busy"
    handler.advance(7_050)
    assert handler.image().phase == "done"


def test_an_order_number_is_never_executed_twice(handler, floor):
    floor.set_down("rack-01", BODY)
    run(handler, 5, "pick", "rack-01", 1)
    assert handler.execute(5, "pick", "rack-01", 1, 0).status == "known"
    assert handler.image().phase == "done"


def test_a_restarted_handler_knows_its_last_order_its_jaws_and_where_it_stands(
    physics, handler, floor
):
    floor.set_down("rack-03", BODY)
    run(handler, 5, "pick", "rack-03", 1)
    again = HandlerModel(physics, floor=floor)
    image = again.image()
    assert (image.order, image.phase, image.jaws) == (0, "none", (True, False))
    assert again.execute(5, "put", "rack-03", 0, 1).status == "known"
    assert again.execute(4, "put", "rack-03", 0, 1).status == "refused"
    again.execute(6, "approach", "rack-03", 0, 0)
    again.advance(51)
    assert again.image().phase == "done"


@pytest.mark.parametrize(
    ("action", "place", "jaws"),
    [
        ("fly", "rack-01", (0, 0)),
        ("pick", "rack-99", (1, 0)),
        ("pick", "rack-01", (3, 0)),
        ("pick", "rack-01", (0, 1)),
        ("swap", "rack-01", (1, 1)),
    ],
)
def test_an_order_that_makes_no_sense_is_refused(handler, floor, action, place, jaws):
    assert handler.execute(1, action, place, *jaws).status == "refused"
    assert (handler.image().order, floor.violations) == (0, [])


def test_a_second_order_waits_for_nothing_it_is_refused(handler):
    handler.execute(1, "approach", "scan-1", 0, 0)
    assert handler.execute(2, "approach", "rack-01", 0, 0).status == "refused"


# --- collisions ---


def test_entering_through_a_door_that_is_not_fully_open_is_recorded_and_fails(handler, floor):
    floor.swing("scan-1", 0.99)
    floor.set_down("scan-1", BODY)
    image = run(handler, 7, "pick", "scan-1", 1)
    assert (image.phase, image.inside, image.jaws) == ("failed", "", (False, False))
    assert texts(floor) == ["order 7 enters scan-1, but the door of scan-1 is not fully open"]


def test_entering_a_running_station_is_recorded_and_fails(handler, floor):
    floor.swing("scan-1", 1.0)
    floor.engage("scan-1")
    assert run(handler, 7, "put", "scan-1", 0, 1).phase == "failed"
    assert texts(floor) == ["order 7 enters scan-1, but scan-1 is running"]


def test_setting_down_on_an_occupied_nest_is_recorded_and_the_arm_comes_out(handler, floor):
    floor.swing("scan-1", 1.0)
    floor.set_down("scan-1", BODY)
    floor.set_down("jaw-1", RING)
    image = run(handler, 7, "put", "scan-1", 0, 1)
    assert (image.phase, image.text, image.inside) == ("failed", "scan-1 is occupied", "")
    assert texts(floor) == ["order 7 moves from jaw-1 to scan-1, but scan-1 is occupied"]
    assert floor.pallet_at("jaw-1") == RING


def test_picking_from_an_empty_place_is_recorded_and_fails(handler, floor):
    assert run(handler, 7, "pick", "rack-01", 1).phase == "failed"
    assert texts(floor) == ["order 7 moves from rack-01 to jaw-1, but rack-01 is empty"]


def test_picking_with_a_full_jaw_is_recorded_and_fails(handler, floor):
    floor.set_down("rack-01", BODY)
    floor.set_down("jaw-1", RING)
    assert run(handler, 7, "pick", "rack-01", 1).phase == "failed"
    assert texts(floor) == ["order 7 moves from rack-01 to jaw-1, but jaw-1 is occupied"]


def test_a_door_that_starts_to_close_on_the_arm_is_recorded_by_the_station(handler, scan, floor):
    scan.drive_door("open")
    scan.advance(3_500)
    floor.set_down("scan-1", BODY)
    handler.execute(1, "pick", "scan-1", 1, 0)
    handler.advance(3_500)
    scan.drive_door("closed")
    assert [violation.who for violation in floor.violations] == ["scan-1"]


# --- modes and faults ---


def test_out_of_automatic_the_arm_stands_still_and_goes_on_later(handler, floor):
    floor.set_down("rack-01", BODY)
    handler.execute(1, "pick", "rack-01", 1, 0)
    handler.advance(1_000)
    handler.befall("manual")
    handler.advance(500_000)
    assert (handler.image().mode, handler.image().phase) == ("manual", "busy")
    assert handler.execute(2, "approach", "rack-01", 0, 0).status == "refused"
    handler.befall("automatic")
    handler.advance(600_000)
    assert handler.image().phase == "done"


def test_a_failing_gripper_fails_the_order_without_a_violation(handler, floor):
    floor.set_down("rack-01", BODY)
    handler.fail_next()
    image = run(handler, 1, "pick", "rack-01", 1)
    assert (image.phase, floor.violations, floor.pallet_at("rack-01")) == ("failed", [], BODY)


def test_a_failed_order_does_not_keep_the_next_from_working(handler, floor):
    floor.set_down("rack-01", BODY)
    handler.fail_next()
    run(handler, 1, "pick", "rack-01", 1)
    assert run(handler, 2, "pick", "rack-01", 1).phase == "done"


def test_a_handler_that_starts_anew_inside_a_station_is_led_out_by_a_person(
    physics, handler, floor
):
    floor.swing("scan-1", 1.0)
    floor.set_down("scan-1", BODY)
    handler.execute(1, "pick", "scan-1", 1, 0)
    handler.advance(6_060)
    handler.lead_out()
    assert handler.image().inside == "scan-1", "the order is under way"
    again = HandlerModel(physics, floor=floor)
    assert (again.image().inside, again.image().phase, again.image().jaws[0]) == (
        "scan-1",
        "none",
        True,
    )
    assert again.execute(1, "pick", "scan-1", 1, 0).status == "known"
    again.lead_out()
    assert again.image().inside == ""


# --- who leads it (hazards 19 and 34) ---------------------------------------------------------------------------------------


LASTS_MS = 2_000


def led(handler, fence=3, lasts_ms=1_000_000):
    assert handler.renew(fence, lasts_ms).status == "accepted"
    return handler


def test_an_order_without_permit_is_refused(handler):
    assert handler.move(3, 1, "approach", "rack-01", 0, 0).status == "refused"
    led(handler, lasts_ms=LASTS_MS)
    assert handler.move(3, 1, "approach", "rack-01", 0, 0).status == "accepted"
    handler.advance(1_000_000)
    answer = handler.move(3, 2, "approach", "rack-02", 0, 0)
    assert (answer.status, "no permit" in answer.text) == ("refused", True)


def test_a_permit_that_runs_out_keeps_the_arm_out_of_the_station_until_it_is_renewed(
    handler, floor
):
    floor.swing("scan-1", 1.0)
    floor.set_down("scan-1", BODY)
    led(handler, lasts_ms=1_000).move(3, 1, "pick", "scan-1", 1, 0)
    handler.advance(
        100_000
    )  # 50 to take up, 2000 to travel: it was under way when the permit ran out
    image = handler.image()
    assert (image.permit, image.at, image.inside, image.phase) == ("ran out", "scan-1", "", "busy")
    led(handler)
    assert handler.image().inside == "scan-1"
    handler.advance(200_000)
    assert (handler.image().phase, floor.pallet_at("jaw-1")) == ("done", BODY)


def test_an_arm_that_is_inside_finishes_its_stop_and_leaves(handler, floor):
    floor.swing("scan-1", 1.0)
    floor.set_down("scan-1", BODY)
    led(handler, lasts_ms=3_000).move(3, 1, "pick", "scan-1", 1, 0)
    handler.advance(100_000)
    image = handler.image()
    assert (image.permit, image.inside, image.phase) == ("ran out", "", "done")


def test_an_order_that_was_just_taken_does_not_depart_without_permit(handler):
    led(handler, lasts_ms=20).move(3, 1, "approach", "scan-1", 0, 0)
    handler.advance(100_000)
    assert (handler.image().at, handler.image().phase) == ("", "busy")


@pytest.mark.hazard(19)
def test_a_lower_fence_than_the_highest_seen_changes_nothing(handler, floor, physics):
    led(handler, fence=3).move(3, 1, "approach", "scan-1", 0, 0)
    handler.advance(10_000)
    led(handler, fence=4)
    assert "lower than 4" in handler.renew(3, LASTS_MS).text
    assert "lower than 4" in handler.move(3, 2, "approach", "rack-01", 0, 0).text
    assert "lower than 4" in handler.move(3, 1, "approach", "scan-1", 0, 0).text, "known orders too"
    assert handler.execute(9, "approach", "rack-01", 0, 0).status == "refused"
    again = HandlerModel(physics, floor=floor)
    assert "lower than 4" in again.renew(3, LASTS_MS).text, "over a restart too"


def test_a_higher_fence_takes_the_permit_of_the_one_before_with_it(handler):
    led(handler, fence=3)
    answer = handler.move(4, 1, "approach", "rack-01", 0, 0)
    assert (answer.status, "no permit" in answer.text) == ("refused", True)


def test_a_successor_repeats_the_order_under_way_and_it_goes_on(handler, floor):
    floor.swing("scan-1", 1.0)
    floor.set_down("scan-1", BODY)
    led(handler, fence=3, lasts_ms=1_000).move(3, 1, "pick", "scan-1", 1, 0)
    handler.advance(50_000)
    led(handler, fence=4)
    assert handler.move(4, 1, "pick", "scan-1", 1, 0).status == "known"
    handler.advance(100_000)
    assert (handler.image().phase, floor.pallet_at("jaw-1")) == ("done", BODY)


def test_what_it_was_told_is_witnessed(handler, floor):
    led(handler, lasts_ms=LASTS_MS).move(3, 1, "approach", "rack-01", 0, 0)
    handler.advance(100_000)
    told = [(f["fact"], f.get("answer") or f.get("permit")) for f in floor.witnessed]
    assert told == [("permit", "given"), ("ordered", "accepted"), ("permit", "ran out")]

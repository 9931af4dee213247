import pytest

PALLET = "grai:0614141.12345.400"


def test_a_pallet_moves_only_from_an_occupied_place_to_an_empty_one(floor):
    floor.set_down("rack-01", PALLET)
    floor.set_down("rack-02", "other")
    assert floor.move("rack-03", "jaw-1") == "rack-03 is empty"
    assert floor.move("rack-01", "rack-02") == "rack-02 is occupied"
    assert floor.move("rack-01", "jaw-1") == ""
    assert (floor.pallet_at("rack-01"), floor.pallet_at("jaw-1")) == ("", PALLET)


def test_nothing_is_set_down_on_a_taken_place(floor):
    assert floor.set_down("rack-01", PALLET)
    assert not floor.set_down("rack-01", "other")
    assert floor.lift("rack-01") == PALLET


def test_the_arm_does_not_enter_through_a_door_that_is_not_fully_open(floor):
    floor.swing("scan-1", 0.99)
    assert floor.enter("scan-1") == "the door of scan-1 is not fully open"
    assert floor.arm().inside == ""


def test_the_arm_does_not_enter_a_running_station(floor):
    floor.swing("scan-1", 1.0)
    floor.engage("scan-1")
    assert floor.enter("scan-1") == "scan-1 is running"
    floor.rest("scan-1")
    assert floor.enter("scan-1") == ""


def test_neither_door_nor_axes_move_onto_the_arm(floor):
    floor.swing("scan-1", 1.0)
    floor.enter("scan-1")
    assert floor.swing("scan-1", 0.9) == "arm inside"
    assert floor.engage("scan-1") == "arm inside"
    assert floor.station("scan-1").opening == 1.0
    floor.leave()
    assert floor.swing("scan-1", 0.9) == "clear"


def test_a_place_that_does_not_exist_is_an_error(floor):
    with pytest.raises(KeyError):
        floor.pallet_at("rack-99")

from dataclasses import replace

from simulators.models.cell import floor_in_memory
from simulators.models.operator import OperatorModel
from simulators.models.reader import ReaderModel

BODY = "grai:0614141.12345.400"


def test_a_reader_shows_presence_and_reads_what_stands_there(physics, floor):
    reader = ReaderModel(physics, floor=floor)
    floor.set_down("rack-02", BODY)
    assert reader.image() == {
        "rack-01": False,
        "rack-02": True,
        "rack-03": False,
        "out-ok-1": False,
    }
    answer = reader.read("rack-02")
    assert (answer.status, answer.payload[:12].hex().upper()) == (
        "read",
        "3374257BF40C0E4000000190",
    )
    assert reader.read("rack-01").status == "no tag"
    assert reader.read("rack-99").status == "failed"


def test_a_reader_may_find_several_tags_once(physics, floor):
    reader = ReaderModel(physics, floor=floor)
    floor.set_down("rack-02", BODY)
    reader.answer_next("several tags")
    assert [reader.read("rack-02").status for _ in range(2)] == ["several tags", "read"]


def test_a_tag_may_say_something_else_than_it_should(physics, floor):
    torn = tuple(
        replace(entry, tag="3374") if entry.pallet == BODY else entry for entry in physics.pallets
    )
    reader = ReaderModel(replace(physics, pallets=torn), floor=floor)
    floor.set_down("rack-02", BODY)
    assert reader.read("rack-02").payload == bytes.fromhex("3374")


def test_every_tag_has_an_identifier_of_its_own_that_goes_where_the_pallet_goes(physics, floor):
    reader = ReaderModel(physics, floor=floor)
    others = [entry.pallet for entry in physics.pallets if entry.pallet != BODY][:2]
    for place, pallet in zip(("rack-01", "rack-02", "rack-03"), (BODY, *others), strict=True):
        floor.set_down(place, pallet)
    first, *more = (reader.uid(place) for place in ("rack-01", "rack-02", "rack-03"))
    assert len({first, *more, reader.uid("rack-01", 1)}) == 4
    assert (len(first), first[0]) == (8, 0xE0)  # 64 bits, E0h first: ISO/IEC 15693-3
    assert (reader.uid("out-ok-1"), reader.memory("out-ok-1")) == (b"", b"")
    floor.move("rack-01", "out-ok-1")
    assert reader.uid("out-ok-1") == first
    assert reader.memory("out-ok-1") == reader.read("out-ok-1").payload


def brought(floor):
    return [fact for fact in floor.witnessed if fact["fact"] == "brought"]


def test_pallets_come_at_their_times_in_an_order_of_the_seed(physics, floor):
    operator = OperatorModel(physics, floor=floor, seed=7)
    operator.advance(0)
    assert len(brought(floor)) == 3
    order = [(fact["pallet"], fact["target"]) for fact in brought(floor)]
    orders = set()
    for seed in range(30):
        other = floor_in_memory(physics)
        OperatorModel(physics, floor=other, seed=seed).advance(0)
        orders.add(tuple((fact["pallet"], fact["target"]) for fact in brought(other)))
    assert tuple(order) in orders
    assert len(orders) > 10


def test_a_rack_place_belongs_to_its_pallet_until_that_stands_at_the_outfeed(physics, floor):
    operator = OperatorModel(physics, floor=floor, seed=7)
    operator.advance(0)
    floor.move("rack-01", "jaw-1")
    operator.advance(60_000)
    assert floor.pallet_at("rack-01") == ""
    assert operator.waiting == 1
    floor.move("jaw-1", "out-ok-1")
    operator.advance(61_000)
    assert floor.pallet_at("rack-01") != ""
    assert operator.waiting == 0


def test_a_finished_pallet_is_taken_away_after_a_while(physics, floor):
    operator = OperatorModel(physics, floor=floor, seed=7)
    floor.set_down("out-ok-1", BODY)
    operator.advance(1_000)
    operator.advance(20_999)
    assert floor.pallet_at("out-ok-1") == BODY
    operator.advance(21_000)
    assert floor.pallet_at("out-ok-1") == ""
    assert floor.witnessed[-1] == {
        "fact": "taken",
        "pallet": BODY,
        "source": "out-ok-1",
        "at_ms": 21_000,
        "who": "operator",
    }


def test_a_restarted_person_does_not_bring_what_stands_in_the_cell(physics, floor):
    OperatorModel(physics, floor=floor, seed=7).advance(0)
    again = OperatorModel(physics, floor=floor, seed=7)
    assert again.waiting == 1


def test_a_person_whose_rack_starts_anew_brings_nobody_twice_and_keeps_the_homes(physics, floor):
    operator = OperatorModel(physics, floor=floor, seed=7)
    operator.advance(0)
    out, away = (fact["target"] for fact in brought(floor)[:2])
    floor.move(out, "out-ok-1")
    floor.lift(away)  # somewhere in the cell
    operator.advance(1_000)
    operator.advance(1_000_000)
    assert [fact["pallet"] for fact in floor.witnessed if fact["fact"] == "taken"] == [
        brought(floor)[0]["pallet"]
    ]
    again = OperatorModel(physics, floor=floor, seed=7, memory=floor.recall("operator"))
    assert (again.waiting, again.homes()) == (0, operator.homes())
    assert away in again.homes()
    again.advance(2_000_000)
    assert len(brought(floor)) == len(physics.pallets)

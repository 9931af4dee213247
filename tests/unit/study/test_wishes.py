"""Changes of a cell by --what-if: what they make, and what they refuse."""

from itertools import permutations

import pytest

from simulators.bench.scenarios import small_cell
from simulators.bench.study.play import mixed_pallets
from simulators.bench.study.wishes import AS_DECLARED, Wishes, WrongWish, variants
from supervisor.cell.value import replace
from tests.unit.core.reference_cell import rule, with_master

WISHES = Wishes(cell=small_cell(), hours=1.0)


def changed(text: str) -> Wishes:
    declared, variant = variants(WISHES, [text])
    assert declared.wishes is WISHES
    return variant.wishes


def test_two_stations_like_one_have_its_programs_each():
    cell = changed("stations.touch-1=2").cell
    assert [s.station for s in cell.stations] == ["ct-1", "scan-1", "touch-1", "touch-1-2"]
    first, second = (
        [p.name for p in cell.programs if p.station == name] for name in ("touch-1", "touch-1-2")
    )
    assert first == second != []
    assert len({p.program for p in cell.programs}) == len(cell.programs)
    assert cell.digest != small_cell().digest


def test_a_station_that_runs_twice_as_fast_halves_its_times_and_no_others():
    cell = changed("stations.touch-1.speed=2").cell
    before = {p.program: p for p in small_cell().programs}
    for program in cell.programs:
        factor = 2 if program.station == "touch-1" else 1
        assert program.part_free_ms == before[program.program].part_free_ms // factor
        assert program.result_ms == before[program.program].result_ms // factor


def test_rack_and_outfeed_places_become_fewer_or_more():
    def count(wishes: Wishes, kind: str) -> int:
        return sum(kind in (place.kind, place.sorting) for place in wishes.cell.places)

    assert count(changed("rack.places=3"), "rack") == 3
    assert count(changed("rack.places=20"), "rack") == 20
    assert count(changed("outfeed.conforming=5"), "conforming") == 5
    names = [place.place for place in changed("rack.places=40").cell.places]
    assert names == sorted(set(names))


def fed(jaws=2):
    """The small cell with all its rack places at a conveyor."""
    cell = small_cell(jaws=jaws)
    places = tuple(
        replace(p, kind="infeed", place=p.place.replace("rack", "in")) if p.kind == "rack" else p
        for p in cell.places
    )
    return replace(cell, places=places)


def test_a_cell_with_an_infeed_gets_rack_places_over_it_or_none():
    wishes = Wishes(cell=fed(), hours=1)
    kinds = {
        text: [p.kind for p in variants(wishes, [text])[1].wishes.cell.places]
        for text in ("rack.places=0", "rack.places=3", "infeed.places=2 rack.places=1")
    }
    assert kinds["rack.places=0"].count("rack") == 0
    assert kinds["rack.places=3"].count("rack") == 3
    counts = [kinds["infeed.places=2 rack.places=1"].count(kind) for kind in ("infeed", "rack")]
    assert counts == [2, 1]
    with pytest.raises(WrongWish, match=r"rack\.places=1"):
        variants(wishes, ["handler.jaws=1"])
    with pytest.raises(WrongWish, match="found none"):
        variants(WISHES, ["infeed.places=2"])


def test_reference_parts_leave_room_in_the_rack_of_every_variant():
    with pytest.raises(WrongWish, match=r"rack\.places=2"):
        variants(Wishes(cell=with_master(small_cell(), (), rule()), hours=1), ["rack.places=1"])


def test_values_make_variants_and_changes_of_one_text_are_made_together():
    found = variants(WISHES, ["stations.touch-1=1,2 handler.jaws=1,2", "arrivals.every=90"])
    assert [each.name for each in found] == [
        AS_DECLARED,
        "stations.touch-1=1 handler.jaws=1",
        "stations.touch-1=1 handler.jaws=2",
        "stations.touch-1=2 handler.jaws=1",
        "stations.touch-1=2 handler.jaws=2",
        "arrivals.every=90",
    ]
    assert (found[3].wishes.cell.handler.jaws, len(found[3].wishes.cell.stations)) == (1, 4)


def test_failures_of_a_station_are_kept_with_their_repairs():
    failures = changed("stations.touch-1.failures=0.5 stations.touch-1.repair=30").failures
    assert failures["touch-1"].per_hour == 0.5
    assert failures["touch-1"].repair_min == 30.0


def test_stations_like_one_are_like_what_it_became_in_whatever_order_that_is_said():
    """A second station that was said before its speed kept the old one, and never failed."""
    faster = ("stations.touch-1.speed=2", "stations.touch-1.failures=0.5", "stations.touch-1=2")
    for order in permutations(faster):
        wishes = changed(" ".join(order))
        times = {
            name: sorted(p.part_free_ms for p in wishes.cell.programs if p.station == name)
            for name in ("touch-1", "touch-1-2")
        }
        assert times["touch-1"] == times["touch-1-2"] != []
        assert wishes.failures["touch-1-2"] == wishes.failures["touch-1"]


def test_one_of_the_stations_like_another_may_be_another_still():
    text = "stations.touch-1-2.failures=1 stations.touch-1=2"
    assert list(changed(text).failures) == ["touch-1-2"]


def test_a_station_that_is_taken_away_does_not_fail():
    text = "stations.scan-1.failures=1 stations.scan-1=0 stations.touch-1.failures=2"
    without = replace(WISHES.cell, part_types=WISHES.cell.part_types[1:2])
    wishes = variants(Wishes(cell=without, hours=1.0), [text])[1].wishes
    assert list(wishes.failures) == ["touch-1"]


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("stations.touch-1.repair=30", "add stations.touch-1.failures=PER_HOUR"),
        ("", "expected KEY=VALUE, found nothing"),
        ("handler.jaws", "expected KEY=VALUE or"),
        ("handler.jaws=3", "expected a whole number from 1 to 2, found 3"),
        ("handler.arms=1", "expected one of the keys stations.NAME"),
        ("stations.oven-1=2", "expected a station of the cell (ct-1, scan-1, touch-1)"),
        ("stations.touch-1.colour=red", "expected a station of the cell"),
        ("stations.touch-1.speed=0", "expected a number above 0, found 0"),
        ("stations.touch-1.speed=nan", "expected a number above 0, found nan"),
        ("stations.touch-1.failures=-1", "expected a number 0 or more, found -1"),
        ("outfeed.blue=2", "expected a sorting of the cell (conforming, hold, nonconforming)"),
        ("mix.gear=2", "expected a part type of the cell"),
        ("mix.cam-ring=0 mix.port-plate=0 mix.pump-body=0", "at least one part type that comes"),
        ("stations.touch-1=0", "no program is left for cam-ring 2, port-plate 2, pump-body 2"),
    ],
)
def test_a_change_that_cannot_be_made_is_refused_with_what_was_expected(text, complaint):
    with pytest.raises(WrongWish) as refused:
        variants(WISHES, [text])
    assert complaint in str(refused.value)


def test_every_block_of_parts_has_the_wished_mix_in_an_order_from_the_seed():
    wishes = Wishes(cell=small_cell(), hours=1.0, pallets=48, mix={"pump-body": 2.0})
    pallets = mixed_pallets(wishes, 4)
    for start in range(0, 48, 12):
        block = [pallet.part_type for pallet in pallets[start : start + 12]]
        assert (block.count("cam-ring"), block.count("pump-body")) == (3, 6)
    assert len({p.pallet for p in pallets}) == len({p.serial for p in pallets}) == 48
    orders = [[p.part_type for p in mixed_pallets(wishes, seed)] for seed in (4, 4, 5)]
    assert orders[0] == orders[1] != orders[2]

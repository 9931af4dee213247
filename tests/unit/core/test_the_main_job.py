"""Unsorted pallets go in, every part comes out with one record and one verdict; and two jaws are worth having."""

from collections import Counter

import pytest

from simulators.bench.report import Story
from simulators.bench.trial import finish, serials, troubles


@pytest.mark.parametrize("jaws", [1, 2])
@pytest.mark.parametrize("seed", [1, 7, 23])
def test_every_unsorted_pallet_gets_exactly_one_record_and_leaves(a_world, jaws, seed):
    world = a_world(pallets=9, jaws=jaws, seed=seed, bad_share=0.3)
    finish(world, parts=9)
    assert troubles(world, parts=serials(world)) == []
    assert world.state.pallets == {}
    assert world.state.holds == {}
    assert world.state.outstanding == {}
    assert world.state.timers == {}


def test_parts_leave_by_the_outfeed_of_their_verdict(a_world):
    world = a_world(pallets=18, seed=5, bad_share=0.4)
    finish(world, parts=18)
    put_out = Counter(
        (fact["pallet"], fact["target"].removesuffix("-1").removesuffix("-2"))
        for fact in world.floor.witnessed
        if fact["fact"] == "moved" and fact["target"].startswith("out-")
    )
    outfeeds = {"conforming": "out-ok", "nonconforming": "out-nok"}
    expected = {(r.pallet, outfeeds.get(r.verdict, "out-hold")) for r in world.records}
    assert set(put_out) == expected
    assert set(put_out.values()) == {1}
    assert {verdict for _, verdict in expected} >= {"out-ok", "out-nok"}


def test_with_two_jaws_and_a_full_rack_stations_are_served_by_swaps_and_work_more(a_world):
    stories = {}
    for jaws in (1, 2):
        world = a_world(pallets=12, jaws=jaws, seed=7)
        finish(world, parts=12)
        assert troubles(world, parts=serials(world)) == []
        stories[jaws] = Story(lambda _, world=world: world.core, world.journal.entries)
    lines = {jaws: story.stations() for jaws, story in stories.items()}
    swaps = {jaws: sum(line.swaps for line in by.values()) for jaws, by in lines.items()}
    visits = sum(line.visits for line in lines[2].values())
    slowest = {jaws: max(line.utilisation for line in by.values()) for jaws, by in lines.items()}
    assert swaps[1] == 0
    assert swaps[2] / visits > 0.7
    assert slowest[2] > slowest[1] + 0.03
    assert stories[2].makespan_s() < stories[1].makespan_s()

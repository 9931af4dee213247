"""No cell that routing drives can come into a state without a way out, whatever is chosen among the safe moves.

Rules of this file: all mixes of pallets are tried; the long form (four stations, five pallets) is ``make bench-routing ARGS="--mixes 4 5"``.
"""

import pytest

from tests.bench.routing.reachability import Reachability, State
from tests.bench.routing.wandering import wandered


@pytest.mark.parametrize("jaws", [1, 2])
@pytest.mark.parametrize(("stations", "pallets"), [(1, 4), (2, 4), (3, 3)])
def test_every_mix_comes_to_its_end_whatever_is_chosen(stations, pallets, jaws):
    cell = Reachability(stations, jaws)
    reached = cell.explored(cell.beginnings(pallets))
    assert reached.states > pallets
    assert reached.dead == reached.doomed == ()


@pytest.mark.parametrize(("stations", "pallets"), [(1, 4), (2, 4), (3, 3)])
def test_with_two_jaws_no_pallet_needs_a_home(stations, pallets):
    cell = Reachability(stations, 2, homes="none")
    reached = cell.explored(cell.beginnings(pallets))
    assert reached.states > pallets
    assert reached.dead == reached.doomed == ()


def test_with_one_jaw_a_pallet_without_a_home_comes_in_only_where_one_station_measures_it():
    alone = Reachability(1, 1, homes="none")
    assert not alone.explored(alone.beginnings(3)).doomed
    cell = Reachability(2, 1, homes="none")
    dead = cell.explored(cell.beginnings(2)).dead
    assert dead
    assert {state.nests for state in dead} == {(-1, -1)}


def test_with_one_jaw_pallets_without_a_home_would_come_to_stand_in_each_others_way(monkeypatch):
    cell = Reachability(2, 1, homes="none")
    monkeypatch.setattr(cell.router._tables, "wandering", frozenset())
    nests = {state.nests for state in cell.explored(cell.beginnings(3)).dead}
    assert (0b10, 0b01) in nests


def test_states_that_differ_in_the_names_of_stations_are_one():
    cell = Reachability(3, 2)
    one = State((0b011,), (0b010, -1, 0), 0b100, 1)
    for way, bits in cell.ways:
        assert cell.alike(cell.renamed(one, way, bits)) == cell.alike(one)
    unlike = State((0b011,), (0b010, -1, 0), 0b100, 0)
    assert cell.alike(unlike) != cell.alike(one)


@pytest.mark.parametrize(
    ("homes", "first_seed", "steps"), [("kept", 1, 2_000), ("none", 1, 1_000), ("none", 45, 100)]
)
def test_random_steps_through_faults_bring_every_pallet_out(homes, first_seed, steps):
    assert wandered(steps, first_seed=first_seed, homes=homes) >= steps

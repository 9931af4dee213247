"""Whole runs of drawn cells in virtual time: everything gets out, nothing goes round in circles, whatever breaks down.

The step simulator asserts at each answer: never into an occupied nest but by a swap, never two pallets in one place, never a swap
with one jaw, never away from a nest where more has to run, never a pallet in hand without a target.
"""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from supervisor.routing.router import Router
from supervisor.routing.situation import Carry, Stay
from tests.bench.routing import cells
from tests.unit.routing.random_cells import cell_of, program, random_cell
from tests.unit.routing.step_simulator import Simulation, Trouble

pytestmark = pytest.mark.property

drawn = st.integers(0, 1_000_000)
whole_runs = settings(max_examples=max(20, settings.default.max_examples // 3))  # each takes long
PLANS = ("kept", "asked without stations", "forgotten")


def troubled(seed, jaws, plans="kept", repaired="in the end", steps=0):
    """A drawn cell with late runs, bad results, full outfeeds, arrivals over time, and stations that break down."""
    rng = random.Random(seed)
    cell = random_cell(seed, jaws=jaws, look_ahead_steps=steps)
    count = rng.randint(1, 12)
    trouble = Trouble(
        late=rng.choice((0, 0.15, 0.5)),
        bad_results=rng.choice((0, 0.1, 0.3)),
        outages=tuple(outages(cell, rng, repaired)),
        arrivals_ms=arrivals_ms(rng, count),
        outfeed_cleared_ms=rng.choice((1_000, 20_000, 300_000)),
    )
    part_types = [rng.choice(cell.part_types).part_type for _ in range(count)]
    return Simulation(cell, Router(cell), part_types, trouble, seed=seed, plans=plans)


def outages(cell, rng, repaired):
    for station in cell.stations:
        for _ in range(rng.randint(0, 3)):
            never = repaired == "never" and rng.random() < 0.4
            for_ms = None if never else rng.randrange(1000, 600_000)
            fetch = rng.choice(("allowed", "refused"))
            yield station.station, rng.randrange(1_500_000), for_ms, fetch


def arrivals_ms(rng, count):
    if rng.random() < 0.5:
        return ()
    return tuple(sorted(rng.randrange(2_000_000) for _ in range(count)))


@pytest.mark.parametrize(("plans", "steps"), [*((plans, 0) for plans in PLANS), ("kept", 40)])
@pytest.mark.parametrize("jaws", [1, 2])
@whole_runs
@given(seed=drawn)
def test_every_part_gets_out_in_a_bounded_number_of_carries(seed, jaws, plans, steps):
    simulation = troubled(seed, jaws, plans, steps=steps)
    pallets = simulation.to_come
    outcome = simulation.run()
    assert outcome.left == []
    assert len(outcome.sorted) == pallets
    assert outcome.carries <= 2 * outcome.visits + pallets + outcome.faults
    assert outcome.visits_without_run <= outcome.faults


@pytest.mark.parametrize("steps", [0, 100])
@whole_runs
@given(seed=drawn, racks=st.integers(0, 3))
def test_from_an_infeed_beside_few_rack_places_every_part_gets_out(seed, racks, steps):
    """Some have a home and others have not. All are there from the start, so that no newcomer makes routing end what would go on for ever."""
    rng = random.Random(seed)
    all_in = cells.drawn(seed, stations=rng.randint(3, 5), pallets=rng.randint(6, 12))
    case = cells.without_homes(all_in, racks=racks).with_steps(steps)
    trouble = Trouble(late=rng.choice((0, 0.3)), bad_results=rng.choice((0, 0.1)))
    simulation = Simulation(case.cell, Router(case.cell), case.part_types, trouble, seed=seed)
    outcome = simulation.run()
    assert outcome.left == []
    assert outcome.carries <= 2 * outcome.visits + len(case.part_types) + outcome.faults


@pytest.mark.parametrize(
    ("seed", "stations", "pallets"), [(5000, 3, 8), (5005, 4, 8), (5007, 5, 8)]
)
def test_who_was_fetched_for_a_nest_whose_occupant_is_held_meanwhile_is_put_down_there(
    seed, stations, pallets
):
    """Look-ahead fetched it from its home, and it was brought home again because a chain from that nest did not end: again and again."""
    all_in = cells.drawn(seed, stations=stations, pallets=pallets)
    case = cells.without_homes(all_in, racks=1).with_steps(300)
    simulation = Simulation(case.cell, Router(case.cell), case.part_types, Trouble(), seed=seed)
    assert simulation.run().left == []


@pytest.mark.parametrize("jaws", [1, 2])
@whole_runs
@given(seed=drawn)
def test_what_a_broken_station_alone_can_decide_waits_and_the_rest_gets_out(seed, jaws):
    simulation = troubled(seed, jaws, repaired="never")
    outcome = simulation.run()
    usable = simulation.usable()
    for name in outcome.left:
        part = simulation.parts[name]
        nest = simulation.nests.get(part.place)
        shut_in = nest is not None and nest.unusable and nest.fetch == "refused"
        able = {
            p.station
            for p in simulation.cell.programs
            if p.part_type == part.part_type
            and p.program not in part.done
            and simulation.decides(p) & part.open
        }
        assert shut_in or (part.open and not able & set(usable))
    if outcome.left:
        last = outcome.answers[-1]
        assert isinstance(last, Stay)
        assert any(
            "could, but: in manual mode" in a.why_lost or "must not enter" in a.why_lost
            for a in last.alternatives
        )


@pytest.mark.parametrize("steps", [0, 40])
@whole_runs
@given(seed=drawn)
def test_what_was_asked_before_changes_no_answer(seed, steps):
    outcome = troubled(seed, jaws=2, steps=steps).run()
    rng = random.Random(seed)
    afresh = Router(random_cell(seed, jaws=2, look_ahead_steps=steps))
    asked = list(zip(outcome.situations, outcome.answers, strict=True))
    for situation, answer in rng.sample(asked, min(30, len(asked))):
        assert afresh.choose(situation) == answer


@pytest.mark.parametrize("jaws", [1, 2])
@whole_runs
@given(seed=drawn)
def test_a_pallet_goes_back_home_without_a_visit_only_when_its_target_vanished(seed, jaws):
    outcome = troubled(seed, jaws).run()
    assert outcome.taken_home_in_vain <= outcome.faults
    for answer in outcome.answers:
        if isinstance(answer, Carry) and answer.origin.startswith("rack-"):
            assert not answer.target.startswith("rack-")


@pytest.mark.hazard(46)
@pytest.mark.parametrize("steps", [0, 30])
def test_a_pallet_far_away_does_not_starve_while_others_keep_arriving(steps):
    # One station, 30 s a part; a part arrives each 25 s, always nearer than the one that was there first.
    cell = cell_of(
        [("scan-1", 2000)],
        [("ring", ("1",))],
        [program("ring-scan", "scan-1", "ring", ("1",), 30)],
        racks=60,
        look_ahead_steps=steps,
    )
    arrivals = (*(25_000 * n for n in range(1, 60)), 0)
    outcome = Simulation(cell, Router(cell), ["ring"] * 60, Trouble(arrivals_ms=arrivals)).run()
    assert len(outcome.sorted) == 60
    far_mm = 100 * 60
    assert far_mm > 2000
    assert outcome.sorted.index("pallet-59") < 30

"""A station drifts slowly against its reference part: people are asked before a check fails, and nothing stops for it.

touch-1 is checked every hour in virtual time; its standard uncertainty against the ring is 0.757 um.
"""

import pytest

from simulators.bench.trial import troubles
from supervisor.core.decide import Core
from supervisor.core.events import HoldReleased
from supervisor.shell.replay import fingerprint, replay
from supervisor.verdict.reference_trend import BASE_RUNS
from tests.unit.core.reference_cell import START_MS, rule, world_of

HOUR_MS = 3_600_000
U_MM = 0.000757
HOURLY = rule(every_runs=0, every_ms=HOUR_MS)


def codes(world):
    return sorted(hold.code for hold in world.state.holds.values())


def trends(world):
    (check,) = world.state.trust["touch-1"].checks
    return {each.number: each for each in check.levels}


def an_hour(world):
    """On to the next full hour; one check falls into it."""
    world.run(START_MS + ((world.now_ms - START_MS) // HOUR_MS + 1) * HOUR_MS)


def hours(world, count, *, drift_u=0.0, until=""):
    """Hours of checks, in each of which touch-1 drifts by so many standard uncertainties more, up to a hold of a code."""
    gauge = world.models.stations["touch-1"]
    for hour in range(1, count + 1):
        gauge.drift_to("2", drift_u * hour * U_MM)
        an_hour(world)
        if until and until in codes(world):
            return hour
    assert not until, f"no {until} in {count} h"
    return count


def answer(world, reply, why=""):
    (hold,) = [hold for hold in world.state.holds.values() if hold.code == "reference-trend"]
    world.tell(HoldReleased(hold=hold.hold, answer=reply, by="a person", place="", why=why))


@pytest.fixture
def moved():
    """A station that has drifted by a twentieth of its uncertainty an hour until somebody is asked, with three parts on the way."""
    world = world_of(parts=3, check=HOURLY, seed=1)
    hours(world, 2 * BASE_RUNS)
    assert codes(world) == []
    hours(world, 60, drift_u=0.05, until="reference-trend")
    return world


@pytest.mark.hazard(25)
def test_a_slow_drift_is_told_before_a_check_fails_and_suspends_nothing(moved):
    assert codes(moved) == ["reference-trend"]
    (hold,) = moved.state.holds.values()
    assert hold.seen == "its checks have moved: master 2"
    trend = trends(moved)
    assert (trend["2"].standing, trend["1"].standing) == ("moves", "steady")
    assert moved.state.trust["touch-1"].suspensions == ()
    assert {record.verdict for record in moved.records if record.part_type != "master"} == {
        "conforming"
    }
    assert troubles(moved, parts=[]) == []

    hours(moved, 60, drift_u=0.15, until="reference-failed")
    assert codes(moved) == ["reference-failed"], "which says more, so the trend is not asked about"
    assert trends(moved).get("2") is None


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_station_that_stays_where_it_is_is_not_asked_about(seed):
    """Its honest bias is up to one standard uncertainty (simulators' truth), and every check varies by 0.8 of it."""
    world = world_of(parts=0, check=HOURLY, seed=seed)
    hours(world, 60)
    assert "reference-trend" not in codes(world)
    assert {each.standing for each in trends(world).values()} == {"steady"}


def test_accepted_with_a_reason_it_is_told_again_only_when_it_moves_on(moved):
    answer(moved, "accept")
    assert codes(moved) == ["reference-trend"], "not without a reason"
    answer(moved, "accept", "new stylus, known")
    assert (codes(moved), trends(moved)["2"].standing) == ([], "base")
    assert trends(moved)["1"].standing == "steady", "what did not move is followed on"

    gauge = moved.models.stations["touch-1"]
    amount = gauge._gauge.drift["2"]
    for _ in range(3 * BASE_RUNS):
        an_hour(moved)
    assert (codes(moved), trends(moved)["2"].standing) == ([], "steady")
    gauge.drift_to("2", amount - 1.5 * U_MM)
    for _ in range(BASE_RUNS):
        an_hour(moved)
    assert codes(moved) == ["reference-trend"]


def test_a_person_has_it_measured_once_more_and_the_question_stands(moved):
    made = len(moved.records)
    answer(moved, "check again")
    (check,) = moved.state.trust["touch-1"].checks
    assert check.due == "a person asked for it"
    moved.run(moved.now_ms + HOUR_MS // 4)
    assert len(moved.records) == made + 1
    assert codes(moved) == ["reference-trend"]


def test_the_trend_is_decided_again_from_the_journal_and_outlives_a_restart(moved):
    replayed = replay(lambda _: Core(moved.cell), list(moved.journal.read(1)))
    assert replayed.differences == 0
    assert replayed.end_fingerprint == fingerprint(moved.state)
    before = trends(moved)
    moved.die()
    moved.revive()
    assert trends(moved) == before
    assert codes(moved) == ["reference-trend"]

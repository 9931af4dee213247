"""Whether stations agree: En, an average of z with a known run length, and what an alarm says.

Sources, named by each value:
- "collected": the check values of the collected references (scipy 1.17, GUM arithmetic).
- "run length": the integral equation of Crowder 1987, solved in ``statistics/run_length.py``, which is held to published tables.
"""

import math
from decimal import Decimal
from random import Random

import pytest

from supervisor.cell.value import replace
from supervisor.statistics.run_length import ewma
from supervisor.verdict.agreement import (
    LIMIT,
    REACH,
    RUN_LENGTHS,
    WEIGHT,
    Agreement,
    Pair,
    after,
    differences_of,
    follow,
    marked,
    settled,
)
from supervisor.verdict.record import Evidence, Record
from tests.unit.verdict.test_merge import GOOD, all_three, measured, record_of, result

PAIR = Pair(part_type="pump-body", number="1", one="scan-1", other="touch-1")


def seen_by_both(
    scan: float, touch: float, u_scan: str = "0.001", u_touch: str = "0.001"
) -> Record:
    """A record in which characteristic 1 alone has two values, with these standard uncertainties."""
    record = record_of(all_three("accurate", GOOD))
    finding = record.findings[0]
    decided = finding.decided_by
    assert decided is not None

    def by(station: str, value: float, u: str) -> Evidence:
        return replace(decided, station=station, value=value, expanded_u=2 * Decimal(u))

    both = replace(
        finding,
        decided_by=by("touch-1", touch, u_touch),
        monitored_by=(by("scan-1", scan, u_scan),),
    )
    return replace(record, findings=(both,))


def watch(differences: list[float]) -> Agreement:
    """The standing after differences in standard uncertainties, u = sqrt(2) um."""
    u = 0.001 * math.sqrt(2)
    (standing,) = follow([seen_by_both(20.0 + z * u, 20.0) for z in differences])
    return standing


@pytest.mark.parametrize(
    ("one", "other", "u_one", "u_other", "en"),
    [
        # collected: a weighted pair and its En
        (10.002, 10.004, "0.001", "0.002", -0.447214),
        (10.0000, 10.0030, "0.001", "0.001", -1.060660),
        (25.0100, 25.0135, "0.0006", "0.0018", -0.92233),
    ],
)
def test_en_of_a_pair(one, other, u_one, u_other, en):
    ((pair, seen),) = differences_of(seen_by_both(one, other, u_one, u_other))

    assert pair == PAIR
    assert round(seen.en, 5) == round(en, 5)
    assert seen.z == pytest.approx(2 * seen.en)
    assert seen.difference == pytest.approx(one - other)


def test_one_large_difference_is_no_alarm_and_a_lasting_one_is():
    assert watch([0.0, 0.0, 6.0]).standing == "agrees"
    assert watch([3.0] * 4).standing == "agrees"
    # arithmetic: 3 (1 - 0.8^n) is beyond 2 from n = 5 on
    alarm = watch([3.0] * 5)
    assert (alarm.standing, alarm.count) == ("disagrees", 5)
    assert "check both stations for characteristic 1 of pump-body" in alarm.why


def test_an_alarm_lasts_until_somebody_has_settled_it():
    alarm = watch([3.0] * 5 + [0.0] * 20)
    assert alarm.standing == "disagrees"
    assert alarm.since_ms > 0

    quiet = settled(alarm)
    assert (quiet.standing, quiet.level, quiet.count, quiet.since_ms) == ("agrees", 0.0, 0, 0)
    assert after(quiet, PAIR, alarm.last).standing == "agrees"


def test_an_alarm_marks_both_stations():
    assert marked([watch([3.0] * 5), watch([0.0])]) == ("scan-1", "touch-1")
    assert marked([watch([0.0])]) == ()


def test_flawed_values_and_second_values_of_a_station_make_no_pair():
    record = record_of(
        all_three("accurate", GOOD), result("quick", measured("1", GOOD, quality="bad"))
    )
    assert [pair.number for pair, _ in differences_of(record)] == []
    twice = record_of(
        all_three("accurate", GOOD),
        replace(all_three("accurate", GOOD), result_id="2", run_id="R2"),
    )
    assert differences_of(twice) == ()


def test_a_monitor_that_may_not_decide_is_still_compared():
    record = record_of(all_three("accurate", GOOD), all_three("coarse", GOOD))
    assert {(pair.one, pair.other) for pair, _ in differences_of(record)} == {("ct-1", "touch-1")}


def test_the_stated_run_lengths_are_those_of_theory():
    for mean_z, parts in RUN_LENGTHS.items():
        assert round(ewma(mean_z, weight=WEIGHT, reach=REACH)) == parts
    assert ewma(0.0, weight=WEIGHT, reach=REACH) > 1e8


@pytest.mark.parametrize("mean_z", [2.0, 3.0])
def test_a_biased_station_is_found_within_the_run_length_of_theory(mean_z):
    """600 runs of seeded noise; the mean run length may lie four standard errors from the equation's."""
    noise = Random(20)
    lengths: list[int] = []
    for _ in range(600):
        standing: Agreement | None = None
        for _part in range(10_000):
            z = noise.gauss(mean_z, 1.0)
            standing = after(standing, PAIR, replace(_ANY, z=z))
            if standing.standing == "disagrees":
                break
        assert standing is not None
        lengths.append(standing.count)
    mean = sum(lengths) / len(lengths)
    spread = math.sqrt(sum((n - mean) ** 2 for n in lengths) / (len(lengths) - 1))
    theory = ewma(mean_z, weight=WEIGHT, reach=LIMIT / math.sqrt(WEIGHT / (2 - WEIGHT)))
    assert abs(mean - theory) < 4 * spread / math.sqrt(len(lengths))


_ANY = differences_of(seen_by_both(20.0, 20.0))[0][1]

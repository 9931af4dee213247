"""Whether a station moves against its reference part: the average, its base, and how long it takes until the alarm.

Sources, named by each value:
- "run length": the integral equation of Crowder 1987, solved in ``statistics/run_length.py``, which is held to published tables; averaged
  here over the chance of the base.
"""

import math
from functools import cache
from random import Random

import pytest

from simulators.models.measurement import BIAS_SHARE, NOISE_SHARE
from supervisor.statistics.distributions import normal_cdf
from supervisor.statistics.run_length import ewma, gauss_legendre
from supervisor.verdict.reference_trend import (
    BASE_RUNS,
    LIMIT,
    REACH,
    RUN_LENGTHS,
    WEIGHT,
    accepted,
    after,
    begun,
)

CERTIFICATE = "K-9"


def watch(values_z, trend=None, certificate=CERTIFICATE):
    """The trend after runs with these z, one a second."""
    trend = trend or begun("2", CERTIFICATE)
    for z in values_z:
        trend = after(trend, certificate, z / 2, 1_000 * (trend.count + 1))
    return trend


@cache
def expected_length(move: float, share: float = 1.0) -> float:
    """The mean run length after a move, if ``share`` of the uncertainty varies from run to run: over the normal chance of the base."""
    sd = 1 / math.sqrt(BASE_RUNS)
    low = 0.0 if move == 0 else -4.5 * sd  # without a move both sides are alike
    nodes, weights = gauss_legendre(low, 4.5 * sd, count=10)
    mean = math.fsum(
        weight
        * math.exp(-0.5 * (off / sd) ** 2)
        / (sd * math.sqrt(2 * math.pi))
        * ewma(move / share - off, weight=WEIGHT, reach=REACH / share)
        for off, weight in zip(nodes, weights, strict=True)
    )
    return 2 * mean if move == 0 else mean


def test_the_limit_is_three_standard_deviations_of_the_average():
    assert pytest.approx(3.0) == REACH
    # Roberts 1959: the standard deviation of the average of independent values is sqrt(w / (2 - w))
    assert pytest.approx(LIMIT) == 3.0 * math.sqrt(WEIGHT / (2 - WEIGHT))


def test_the_stated_run_lengths_are_those_of_theory():
    for move, runs in RUN_LENGTHS.items():
        assert round(expected_length(move)) == runs
    assert expected_length(0.0, share=0.5) > 1e8


def test_the_page_prints_the_stated_run_lengths(repository):
    page = (repository / "docs/explanation/station-trust.md").read_text(encoding="utf-8")
    printed = dict.fromkeys(("lasting move, in standard uncertainties", "runs until the alarm"))
    for line in page.splitlines():
        head, *cells = [cell.strip() for cell in line.strip("|").split("|")]
        if head in printed:
            printed[head] = [float(cell) for cell in cells]
    moves, runs = printed.values()
    assert dict(zip(moves, runs, strict=True)) == dict(RUN_LENGTHS)


@pytest.mark.parametrize("move", [1.0, 2.0])
def test_a_station_that_moves_is_told_within_the_run_length_of_theory(move):
    """600 stations with seeded noise; the mean run length may lie four standard errors from the equation's."""
    noise = Random(20)
    lengths = []
    for _ in range(600):
        trend = watch(noise.gauss(0.0, 1.0) for _ in range(BASE_RUNS))
        while trend.standing != "moves":
            trend = watch([noise.gauss(move, 1.0)], trend)
        lengths.append(trend.count - BASE_RUNS)
    mean = sum(lengths) / len(lengths)
    sd = math.sqrt(sum((each - mean) ** 2 for each in lengths) / (len(lengths) - 1))
    assert abs(mean - expected_length(move)) < 4 * sd / math.sqrt(len(lengths))


def test_a_station_that_is_honestly_off_does_not_move():
    """Off by 1.9 standard uncertainties for good, which a check with a limit of two finds each time."""
    trend = watch([1.9] * 500)
    assert (trend.standing, trend.base) == ("steady", pytest.approx(1.9))
    assert abs(trend.level) < 1e-12


def test_until_the_base_is_known_nothing_alarms():
    trend = watch([0.0] * (BASE_RUNS - 1))
    assert trend.standing == "base"
    assert trend.why == "9 of the 10 runs from which moves of characteristic 2 are counted"
    assert watch([9.0], trend).standing == "steady"


def test_a_slow_drift_is_told_long_before_a_check_would_miss():
    """0.05 standard uncertainties a run, no noise: the average follows (1 - w) / w = 4 runs behind, so 1.0 is passed at the 25th."""
    drift = [0.05 * run for run in range(1, 41)]
    trend = watch([0.0] * BASE_RUNS)
    for z in drift:
        trend = watch([z], trend)
        if trend.standing == "moves":
            break
    lag = (1 - WEIGHT) / WEIGHT
    assert z == pytest.approx(LIMIT + 0.05 * lag, abs=0.05)
    assert z < 2.0, "the limit of a check"
    assert trend.since_ms == 1_000 * trend.count
    assert trend.why.endswith("or had by more than 1.00")


def first_told(drift: float, draw: Random) -> str:
    """Whether the trend or a failed check comes first at a station like the simulators' (bias 0.6 rectangular, noise 0.8): two misses in a row fail."""
    bias = draw.uniform(-1, 1) * math.sqrt(3) * BIAS_SHARE
    trend = watch(bias + NOISE_SHARE * draw.gauss(0, 1) for _ in range(2 * BASE_RUNS))
    for check in range(1, 1_000):
        z = [bias + drift * check + NOISE_SHARE * draw.gauss(0, 1) for _ in range(2)]
        trend = watch(z[: 1 if abs(z[0]) <= 2 else 2], trend)
        if trend.standing == "moves":
            return "trend"
        if min(map(abs, z)) > 2:
            return "check"
    raise AssertionError("neither")


@pytest.mark.parametrize("drift", [0.02, 0.05, 0.2])
def test_the_trend_comes_first_in_eight_of_ten_drifting_stations(drift):
    """As docs/explanation/station-trust.md says; 1,000 stations, four standard errors are 0.05."""
    draw = Random(5)
    told = [first_told(drift, draw) for _ in range(1_000)]
    assert told.count("trend") / len(told) == pytest.approx(0.82, abs=0.05)


def test_an_alarm_lasts_until_somebody_accepts_it_and_then_moves_count_anew():
    alarm = watch([0.0] * BASE_RUNS + [3.0] * 3)
    assert alarm.standing == "moves"
    assert watch([0.0] * 30, alarm).standing == "moves"

    anew = accepted(alarm)
    assert (anew.standing, anew.count, anew.since_ms) == ("base", 0, 0)
    there = watch([3.0] * 60, anew)
    assert (there.standing, there.base) == ("steady", pytest.approx(3.0))
    assert watch([0.0] * 10, there).standing == "moves", "back is a move too"
    assert accepted(there) == there, "what does not move needs no answer"


def test_another_certificate_begins_anew():
    alarm = watch([0.0] * BASE_RUNS + [3.0] * 3)
    anew = watch([0.1], alarm, certificate="K-10")
    assert (anew.standing, anew.count, anew.certificate) == ("base", 1, "K-10")


def test_one_outlier_is_no_move_unless_it_is_gross():
    """Arithmetic: one value weighs a fifth, so the average passes one beyond five."""
    assert watch([0.0] * BASE_RUNS + [4.9]).standing == "steady"
    assert watch([0.0] * BASE_RUNS + [5.1]).standing == "moves"
    assert normal_cdf(-5.0) < 3e-7

import statistics

import pytest

from simulators.models.measurement import Gauge


def distances(physics, *, seed, runs):
    """Values of characteristic 2, which is 40 mm in truth, from repeated runs."""
    gauge = Gauge(physics, station="scan-1", gives="as drawn", seed=seed)
    return [gauge.measure("BODY-SKIN", f"R{run}", {"2": 40.0})[0].value for run in range(runs)]


def test_errors_of_many_stations_have_the_stated_standard_uncertainty(physics):
    # U = 0.012 mm with k = 2 in tests/unit/simulators/physics.json, so u = 0.006 mm
    errors = [
        value - 40.0 for seed in range(400) for value in distances(physics, seed=seed, runs=10)
    ]
    assert statistics.fmean(errors) == pytest.approx(0.0, abs=0.0008)
    assert statistics.pstdev(errors) == pytest.approx(0.006, rel=0.05)
    # 95 % of a normal error lie within U = 2u; bias is rectangular, so a little more do
    within = sum(abs(error) <= 0.012 for error in errors) / len(errors)
    assert 0.94 <= within <= 0.98


def test_a_station_has_a_bias_that_stays_and_a_noise_that_does_not(physics):
    values = distances(physics, seed=7, runs=3_000)
    assert statistics.stdev(values) == pytest.approx(0.8 * 0.006, rel=0.06)
    assert abs(statistics.fmean(values) - 40.0) <= 3**0.5 * 0.6 * 0.006 + 0.0003


def test_the_same_run_measures_the_same_in_every_process(physics):
    truth = {"2": 40.0, "3": 0.01, "5": 12.0}
    first = Gauge(physics, station="scan-1", gives="as drawn", seed=7).measure(
        "BODY-SKIN", "R1", truth
    )
    again = Gauge(physics, station="scan-1", gives="as drawn", seed=7).measure(
        "BODY-SKIN", "R1", truth
    )
    assert first == again
    assert first != Gauge(physics, station="scan-1", gives="as drawn", seed=7).measure(
        "BODY-SKIN", "R2", truth
    )


def test_a_station_that_gives_mm_converts_roughness(physics):
    gauge = Gauge(physics, station="touch-1", gives="mm", seed=7)
    drawn = Gauge(physics, station="touch-1", gives="as drawn", seed=7)
    truth = {"1": 25.01, "3": 0.01, "4": 0.8}
    converted = gauge.measure("BODY-BORES", "R1", truth)[2]
    assert (converted.number, converted.unit) == ("4", "mm")
    assert converted.value == pytest.approx(
        drawn.measure("BODY-BORES", "R1", truth)[2].value / 1000
    )


def test_what_the_part_does_not_have_is_bad_and_has_no_value(physics):
    reading = Gauge(physics, station="scan-1", gives="as drawn", seed=7).measure(
        "BODY-SKIN", "R1", {}
    )[0]
    assert (reading.value, reading.quality) == (None, "bad")


def test_the_pace_of_a_run_belongs_to_the_part_and_stays_near_the_declared_one(physics):
    gauge = Gauge(physics, station="scan-1", gives="as drawn", seed=7)
    paces = [gauge.pace("BODY-SKIN", str(serial)) for serial in range(1_000)]
    assert paces[0] == gauge.pace("BODY-SKIN", "0")
    assert statistics.fmean(paces) == pytest.approx(1.0, abs=0.004)
    assert 0.94 <= min(paces) < max(paces) <= 1.06

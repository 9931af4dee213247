"""Ten thousand parts of the simulators, whose truth no verdict knows: as many are judged wrongly as theory says.

The true bore comes from the simulators' process, made for a tolerance four times as wide, so that many parts lie near the limits; the values from
the simulated station with its lasting bias and its noise. Given truth t and bias b, a value falls into a zone with the probability
P((upper - t - b) / s) - P((lower - t - b) / s): a sum over all parts gives the expected count and its variance, exactly.
Four standard deviations are allowed, which a sound implementation exceeds once in 16,000 draws. The seeds are fixed.
"""

import math
from dataclasses import replace as changed

import pytest

from simulators.bench.parts import physics_of
from simulators.bench.scenarios import small_cell
from simulators.models.measurement import NOISE_SHARE, Gauge
from simulators.models.part import Parts
from supervisor.cell.value import replace
from supervisor.statistics.distributions import normal_cdf
from supervisor.verdict import MeasuredValue, StationResult, merge
from supervisor.verdict.conformity import zones
from tests.unit.verdict.test_merge import BORE, PART
from tests.unit.verdict.test_ten_thousand_parts import PLAN, RULES, U, table_of

PARTS = 10_000
SEED = 14253
WIDER = 4
"""The process is made for a tolerance so many times as wide."""


@pytest.fixture(scope="module")
def measured():
    """(truth, value) of each part, and the bias of the station."""
    (program,) = table_of(RULES["simple acceptance"]).programs
    cell = replace(small_cell(), part_types=(PLAN,), programs=(program,))
    physics = physics_of(cell, pallets=[], arrivals_ms=[], bad_share=0.0)
    gauge = Gauge(physics, station="touch-1", gives="as drawn", seed=SEED)
    (of_bore,) = physics.part_types
    (bore,) = of_bore.characteristics
    middle, half = (bore.lower + bore.upper) / 2, WIDER * (bore.upper - bore.lower) / 2
    made = changed(bore, lower=middle - half, upper=middle + half)
    shop = changed(physics, part_types=(changed(of_bore, characteristics=(made,)),))
    parts = Parts(shop, seed=SEED)
    found = []
    for number in range(PARTS):
        truth = parts.truth(PLAN.part_type, str(number))
        (reading,) = gauge.measure(program.name, f"R{number}", truth)
        found.append((truth["1"], reading.value))
    (probe,) = gauge._probes[program.name]
    return found, probe.bias


@pytest.mark.parametrize("name", ["ISO 14253-1:2017", "simple acceptance"])
def test_as_many_are_accepted_or_rejected_wrongly_as_the_truth_lets_expect(measured, name):
    found, bias = measured
    table = table_of(RULES[name])
    bounds = zones(BORE.lower, BORE.upper, "none", U, RULES[name].guard_factor)
    noise = NOISE_SHARE * float(U)

    def within(truth, lower, upper):
        centre = truth + bias
        return normal_cdf((float(upper) - centre) / noise) - normal_cdf(
            (float(lower) - centre) / noise
        )

    wrong = {"accepted": 0, "rejected": 0}
    chances = {"accepted": [], "rejected": []}
    for truth, value in found:
        result = StationResult(
            result_id="r",
            station="touch-1",
            run_id="R1",
            program="bore",
            measured_ms=1,
            values=(MeasuredValue(number="1", value=value, unit="mm", quality="good"),),
        )
        verdict = merge(PART, table, [result]).findings[0].verdict
        if float(BORE.lower) <= truth <= float(BORE.upper):
            wrong["rejected"] += verdict == "nonconforming"
            kept = within(truth, bounds.reject_lower, bounds.reject_upper)
            chances["rejected"].append(1.0 - kept)
        else:
            wrong["accepted"] += verdict == "conforming"
            chances["accepted"].append(within(truth, bounds.accept_lower, bounds.accept_upper))

    assert len(chances["accepted"]) > 1_000, "many parts are really nonconforming"
    for kind, counted in wrong.items():
        sd = math.sqrt(math.fsum(p * (1.0 - p) for p in chances[kind]))
        expected = math.fsum(chances[kind])
        assert abs(counted - expected) < 4.0 * sd
        assert name != "simple acceptance" or expected > 100

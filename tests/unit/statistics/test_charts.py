"""Charts, rules, indices and corrections against computed and published values of the trade."""

import math
from statistics import NormalDist

import pytest

from supervisor.statistics import adjustment, capability, charts, conformance, gauge, run_length
from supervisor.statistics.agreement import Measurement, correlated_mean, difference_u
from supervisor.statistics.capability import Spread
from supervisor.statistics.charts import Chart, signals
from supervisor.statistics.conformance import Limits
from supervisor.statistics.linear import SingularError, least_squares, solve
from supervisor.statistics.moments import moments
from supervisor.statistics.uncertainty import Component, combine

NORMAL = NormalDist()
STANDARD = Chart(centre=0.0, sigma=1.0, lower=-3.0, upper=3.0)

# Factors of control charts as NIST/SEMATECH e-Handbook 6.3.2.1 and the handbooks print them; six digits by quadrature.
FACTORS = {  # n: A2, A3, D3, D4, B3, B4
    2: (1.87997, 2.65868, 0, 3.26653, 0, 3.26653),
    3: (1.02333, 1.95441, 0, 2.57459, 0, 2.56817),
    5: (0.57682, 1.42730, 0, 2.11450, 0, 2.08900),
    7: (0.41928, 1.18192, 0.07571, 1.92429, 0.11769, 1.88231),
    10: (0.30826, 0.97535, 0.22302, 1.77698, 0.28371, 1.71629),
}


@pytest.mark.parametrize("size", FACTORS)
def test_limits_of_mean_range_and_deviation_have_the_printed_factors(size):
    base = [[math.sin(3.0 * n + k) for k in range(size)] for n in range(20)]
    mean_range = moments([max(g) - min(g) for g in base]).mean
    mean_sd = moments([moments(g).sd for g in base]).mean
    by_range, of_range = charts.mean_by_range(base)
    by_sd, of_sd = charts.mean_by_deviation(base)

    found = (
        (by_range.upper - by_range.centre) / mean_range,
        (by_sd.upper - by_sd.centre) / mean_sd,
        of_range.lower / mean_range,
        of_range.upper / mean_range,
        of_sd.lower / mean_sd,
        of_sd.upper / mean_sd,
    )

    assert found == pytest.approx(FACTORS[size], abs=2e-5)


def test_individuals_have_the_factor_2_66():
    chart = charts.individuals([1.0, 2.0, 1.0, 2.0])
    assert (chart.centre, chart.upper - chart.centre) == pytest.approx((1.5, 2.6587), abs=1e-4)


def test_subgroups_of_several_sizes_have_no_chart():
    with pytest.raises(ValueError, match=r"subgroups of \[2, 3\] values: expected one size"):
        charts.mean_by_range([[1.0, 2.0], [1.0, 2.0, 3.0]])


@pytest.mark.parametrize(
    ("rules", "values", "fired"),
    [
        ("limits only", [0, 3.1], [("one beyond 3 sigma", 1)]),
        ("limits only", [0, 3.0, -3.0], []),
        ("western electric", [0.1] * 7, []),
        ("western electric", [0.1] * 8, [("8 on one side", 7)]),
        ("nelson", [0.1] * 8, []),
        ("nelson", [0.1, 0.2] * 5, [("9 on one side", 8), ("9 on one side", 9)]),
        ("western electric", [2.1, 0, 2.1], [("2 of 3 beyond 2 sigma", 2)]),
        ("western electric", [2.1, 0, -2.1], []),
        ("western electric", [2.1, 2.1], [("2 of 3 beyond 2 sigma", 1)]),
        ("western electric", [2.1, 2.1, 0], [("2 of 3 beyond 2 sigma", 1)]),
        ("western electric", [1.1, 1.1, -0.1, 1.1, 1.1], [("4 of 5 beyond 1 sigma", 4)]),
        ("nelson", [-0.2, -0.1, 0, 0.1, 0.2, 0.3], [("6 rising or falling", 5)]),
        ("nelson", [-0.2, -0.1, 0, 0.1, 0.2, 0.2], []),
        ("iso 7870-2", [0.1] * 7, [("7 on one side", 6)]),
        ("nelson", [0.5, -0.5] * 7, [("14 alternating", 13)]),
        ("nelson", ([0.5, 0.4, -0.5] * 5), [("15 within 1 sigma", 14)]),
        ("nelson", [1.5, -1.4, -1.5, 1.4] * 2, [("8 beyond 1 sigma", 7)]),
    ],
)
def test_a_rule_fires_at_the_value_that_completes_it(rules, values, fired):
    assert [(each.rule, each.at) for each in signals(values, STANDARD, rules)] == fired


def test_a_signal_looks_as_far_back_as_it_says():
    (found,) = signals([0, 0, 2.1, 2.1], STANDARD, "western electric")
    assert (found.at, found.count) == (3, 3)


@pytest.mark.parametrize(
    ("shift", "length"),  # computed with scipy 1.17.1; 370.398 is printed everywhere
    [(0, 370.398), (0.5, 155.22), (1, 43.895), (1.5, 14.968), (2, 6.303), (3, 2.000)],
)
def test_run_lengths_of_three_sigma(shift, length):
    assert run_length.shewhart(shift) == pytest.approx(length, rel=1e-4)


@pytest.mark.parametrize(
    ("scheme", "lengths"),
    [  # Lucas and Saccucci 1990, from memory: 500, 31.3, 10.3, 4.36 and 500, 41.8, 10.5, 3.74; digits by R spc 0.6.7
        ((0.1, 2.814), (499.580, 31.297, 10.331, 4.362)),
        ((0.2, 2.962), (499.735, 41.764, 10.542, 3.743)),
    ],
)
def test_more_run_lengths_of_an_ewma(scheme, lengths):
    weight, reach = scheme
    found = [run_length.ewma(shift, weight=weight, reach=reach) for shift in (0, 0.5, 1, 2)]
    assert found == pytest.approx(lengths, abs=1e-3)


def test_the_one_sided_cusum_of_brook_and_evans():
    found = [run_length.cusum_one_sided(s, allowance=0.5, limit=3) for s in (0, 1.5)]
    assert found == pytest.approx([117.596, 3.749], abs=1e-3)  # Brook and Evans 1972: 117.59, 3.75


def test_an_ewma_signals_a_shift_and_a_cusum_both_ways():
    ewma = charts.Ewma(target=0.0, sigma=1.0, weight=0.2, reach=2.962)
    cusum = charts.Cusum(target=0.0, allowance=0.5, limit=4.0)
    assert ewma.first_signal([0.0] * 20) is None
    assert ewma.first_signal([1.5] * 20) == ewma.first_signal([-1.5] * 20) == 4
    assert cusum.first_signal([1.5] * 20) == cusum.first_signal([-1.5] * 20) == 4


@pytest.mark.parametrize(
    ("cpk", "ppm"),  # computed with scipy 1.17.1
    [(1, 2699.8), (1.33, 66.07), (4 / 3, 63.34), (5 / 3, 0.5733), (2, 0.001973)],
)
def test_parts_beyond_the_limits(cpk, ppm):
    limits = Limits(lower=-3 * cpk, upper=3 * cpk)
    assert capability.beyond_ppm(0, 1, limits) == pytest.approx(ppm, rel=1e-3)


def test_six_sigma_has_3_4_parts_beyond():
    assert capability.beyond_ppm(1.5, 1, Limits(lower=-6, upper=6)) == pytest.approx(
        3.3977, abs=1e-4
    )


def test_confidence_of_an_index():
    # Bissell's approximation and the exact chi-square interval at Cpk = Cp = 1.33, n = 50, computed with scipy 1.17.1
    reach = 1.959964 * capability.bissell_se(1.33, 50)
    assert (1.33 - reach, 1.33 + reach) == pytest.approx((1.0509, 1.6091), abs=1e-4)
    assert capability.whole_interval(1.33, 50) == pytest.approx((1.0673, 1.5922), abs=1e-4)


@pytest.mark.parametrize(
    ("spread", "limits", "indices"),  # quantiles and indices computed with scipy 1.17.1
    [
        ((0.472369, 1, 2.116988), Limits(lower=0.3, upper=2.5), (1.33770, 1.32669)),  # lognormal
        ((0.001692, 0.674490, 3.205133), Limits(upper=4, zero_below=True), (None, 1.31410)),  # form
        ((0.036755, 0.832555, 2.570535), Limits(upper=3.5, zero_below=True), (None, 1.53480)),
    ],
)
def test_indices_of_what_is_not_normal(spread, limits, indices):
    low, middle, high = spread
    whole, least = capability.indices(Spread(low=low, middle=middle, high=high), limits)
    assert least == pytest.approx(indices[1], abs=1e-5)
    assert whole == (None if indices[0] is None else pytest.approx(indices[0], abs=1e-5))


def test_an_index_carries_its_count_and_bound():
    found = capability.index(10.0, 1.0, 50, Limits(lower=6, upper=14), name="performance")
    assert (found.whole, found.least, found.count) == pytest.approx((4 / 3, 4 / 3, 50))
    assert found.least_bound < found.least
    assert found.name == "performance"


def test_quantiles_of_values_are_those_of_a_normal_process_if_they_are_normal():
    for count, tolerance in ((2001, 5e-3), (101, 0.02), (41, 0.05)):
        values = [NORMAL.inv_cdf((n + 0.5) / count) for n in range(count)]
        found = capability.empirical_spread(values)
        expected = pytest.approx((-3, 0, 3), abs=tolerance)
        assert (found.low, found.middle, found.high) == expected


def test_an_index_without_limit_is_refused():
    with pytest.raises(ValueError, match="needs a limit"):
        capability.indices(capability.normal_spread(0, 1), Limits())
    with pytest.raises(ValueError, match="both limits"):
        capability.target_index(0, 1, Limits(upper=1), 0)


def test_global_risks_of_a_process():
    # Process with 95 % inside +-1, measured 4 : 1 without guard band; computed with scipy 1.17.1 after JCGM 106 9.5
    limits = Limits(lower=-1, upper=1)
    found = conformance.risks((0, 1 / 1.959964), 1 / 8, limits, limits)
    assert (found.false_accept, found.false_reject) == pytest.approx((0.008583, 0.015537), abs=1e-6)


@pytest.mark.parametrize(("dof", "factor"), [(3, 2.3534), (5, 2.0150), (10, 1.8125), (30, 1.6973)])
def test_few_degrees_of_freedom_widen_the_guard_band(dof, factor):
    assert conformance.guard_factor(0.95, dof=dof) == pytest.approx(factor, abs=1e-4)


@pytest.mark.parametrize(
    ("width", "factor"), [(3.92, 1.95394), (4, 1.79621), (5, 1.64877), (6, 1.64492)]
)
def test_both_tails_count_where_the_tolerance_is_narrow(width, factor):
    assert conformance.guard_factor(0.95, width_per_u=width) == pytest.approx(factor, abs=1e-4)


def test_a_type_one_study_differs_by_its_school():
    # T 0.060, s 0.00110, bias 0.0009: Cg 1.81818, Cgk 1.54545 with six standard deviations (arithmetic)
    half = 0.00110 * math.sqrt(
        49 / 50
    )  # 25 values each side of the mean by `half` have s = 0.00110
    values = [10.0009 + side * half for side in (-1, 1) for _ in range(25)]
    wide = gauge.type_one(values, 10.0, 0.060)
    narrow = gauge.type_one(values, 10.0, 0.060, width_sd=4)
    assert (wide.cg, wide.cgk) == pytest.approx((1.81818, 1.54545), abs=1e-5)
    assert (narrow.cg, narrow.cgk) == pytest.approx((2.72727, 2.31818), abs=1e-5)
    assert wide.bias_significant


def test_a_study_of_equal_values_is_refused():
    with pytest.raises(ValueError, match="resolution too coarse"):
        gauge.type_one([1.0, 1.0, 1.0], 1.0, 0.1)


def test_a_study_by_range_uses_the_handbook_constants():
    # K1(3) 0.5908, K2(3) 0.5231, K3(10) 0.3146: factors printed on a worksheet of the automotive handbook
    repeats = [[0.0, 0.0, 1.0], [0.0, 0.0, 1.0], [2.0, 2.0, 3.0]]
    values = [[[x + part for x in cell] for cell in repeats] for part in range(10)]
    found = gauge.by_range(values)
    assert found.repeatability == pytest.approx(0.5908, abs=1e-4)
    assert found.part == pytest.approx(9 * 0.3146, abs=1e-3)
    reproducibility = math.sqrt((2 * 0.5231) ** 2 - 0.5908**2 / 30)
    assert found.reproducibility == pytest.approx(reproducibility, abs=1e-3)


def test_a_study_without_operators_uses_the_constants_of_ranges():
    # mean range 1 of three: 1/d2 = 0.5908 (K1(3) of the same worksheet); ten means 9 apart at 0.3146 each
    values = [[0.0 + part, 0.5 + part, 1.0 + part] for part in range(10)]
    found = gauge.within_parts_by_range(values)
    assert found.repeatability == pytest.approx(0.5908, abs=1e-4)
    assert found.part == pytest.approx(9 * 0.3146, abs=1e-3)
    assert found.reproducibility == 0.0


def test_a_study_without_operators_needs_two_of_each():
    for values in ([[1.0, 2.0]], [[1.0], [2.0]], [[1.0, 2.0], [1.0]]):
        with pytest.raises(ValueError, match="two of each"):
            gauge.within_parts(values)


def test_an_incomplete_study_is_refused():
    with pytest.raises(ValueError, match="expected the same of each part"):
        gauge.by_anova([[[1.0, 2.0], [1.0]], [[1.0, 2.0], [1.0, 2.0]]])
    with pytest.raises(ValueError, match="two of each"):
        gauge.by_anova([[[1.0, 2.0], [1.0, 2.0]]])


def test_a_study_that_is_not_pooled_keeps_its_interaction():
    values = [
        [[1.0, 1.1], [5.0, 5.1]],
        [[5.0, 5.1], [1.0, 1.1]],
        [[3.0, 3.1], [3.0, 3.1]],
    ]
    found = gauge.by_anova(values)
    assert not found.interaction_pooled
    assert found.interaction > 1.0


def test_the_tolerance_share_of_a_gauge():
    study = gauge.by_anova([[[1.0, 1.1], [1.0, 1.1]], [[2.0, 2.1], [2.0, 2.1]]])
    assert study.tolerance_percent(1.0) == pytest.approx(600 * study.gauge)


def test_the_gain_that_dead_time_allows():
    found = [adjustment.gain_limit(d) for d in (0, 1, 3, 5, 8)]
    assert found == pytest.approx([2.0, 1.0, 0.445042, 0.284630, 0.184537], abs=1e-6)


def test_a_gain_above_the_limit_swings_and_one_below_does_not():
    def last(gain, dead_time):
        offsets = [1.0] * (dead_time + 1)
        for _ in range(4000):
            offsets.append(offsets[-1] - gain * offsets[-1 - dead_time])
        return max(abs(each) for each in offsets[-20:])

    for dead_time in (1, 3, 5):
        limit = adjustment.gain_limit(dead_time)
        assert last(0.98 * limit, dead_time) < 1e-3
        assert last(1.02 * limit, dead_time) > 1e3


def test_set_up_shares():
    assert [adjustment.set_up_share(n) for n in (1, 2, 4)] == [1, 0.5, 0.25]
    # Grubbs' extended rule with a ratio of 0.5 (arithmetic)
    found = [adjustment.set_up_share(n, 0.5) for n in (1, 2, 3, 4)]
    assert found == pytest.approx([0.66667, 0.4, 0.28571, 0.22222], abs=1e-5)


@pytest.mark.parametrize(("k", "probability"), [(1.645, 0.10000), (2, 0.0455), (3, 0.0027)])
def test_false_corrections_of_a_deadband(k, probability):
    assert adjustment.false_correction(k) == pytest.approx(probability, abs=5e-5)


def test_a_deadband_is_the_widest_of_its_reasons():
    assert adjustment.deadband(4.0, 4, 1.0, 0.5) == 4.0
    assert adjustment.deadband(4.0, 100, 1.0, 0.5) == 1.0
    assert adjustment.deadband(4.0, 100, 0.1, 1.5) == 1.5


def test_several_characteristics_on_one_tool():
    # J, d and u as computed with numpy, metrology.md 5.5
    fit = least_squares([[1, 0], [1, 1], [0, 1]], [-10, -18, -6], [1, 2, 1])
    assert fit.x == pytest.approx((-10.3333, -6.3333), abs=1e-4)
    assert [-r for r in fit.residuals] == pytest.approx([-0.3333, 1.3333, -0.3333], abs=1e-4)
    assert fit.covariance[0] == pytest.approx((0.83333, -0.16667), abs=1e-5)


def test_equations_without_an_answer_are_refused():
    with pytest.raises(SingularError, match="depends on the others"):
        solve([[1.0, 2.0], [2.0, 4.0]], [1.0, 2.0])


def test_the_correlated_mean_stands_alone_where_the_poorer_would_weigh_nothing():
    better, poorer = Measurement(value=1.0, u=1.0), Measurement(value=2.0, u=2.0)
    found = correlated_mean(better, poorer, 0.25)
    assert 1.0 < found.value < 1.2
    assert found.u < 1.0
    assert correlated_mean(poorer, better, 0.25) == found
    with pytest.raises(ValueError, match="leaves the poorer measurement no weight"):
        correlated_mean(better, poorer, 0.5)


def test_one_measurement_is_not_two():
    one = Measurement(value=1.0, u=1.0)
    with pytest.raises(ValueError, match="not two measurements"):
        difference_u(one, one, 1.0)


def test_correlations_that_cannot_be_are_refused():
    parts = [Component(sensitivity=1, u=1)] * 3
    with pytest.raises(ValueError, match="expected -1 to 1"):
        combine(parts, {(0, 1): 1.5})
    with pytest.raises(ValueError, match="cannot hold at the same time"):
        combine(parts, {(0, 1): -1.0, (0, 2): -1.0, (1, 2): -1.0})

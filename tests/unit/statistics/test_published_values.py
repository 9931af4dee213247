"""Every published value that was collected for this room, each with its source beside it in ``published.json``."""

import json
import math
import re
from pathlib import Path

import pytest

from supervisor.cell.iso286 import size_limits
from supervisor.statistics import (
    adjustment,
    agreement,
    capability,
    charts,
    conformance,
    distributions,
    gauge,
    moments,
    run_length,
    thermal,
    uncertainty,
)
from supervisor.statistics.agreement import Measurement
from supervisor.statistics.conformance import Limits
from supervisor.statistics.uncertainty import Component

HERE = Path(__file__).parent
PUBLISHED = {each["id"]: each for each in json.loads((HERE / "published.json").read_text())}
CERTIFIED = re.compile(r"(?:\s)(ybar|s|r\(1\)): +(-?[\d.]+)")
DATA = re.compile(r"^\s*Data: Y\s*\n-+\n(.*)", re.MULTILINE | re.DOTALL)


def expected(name):
    return PUBLISHED[name]["expected"]


def given(name):
    return PUBLISHED[name]["input"]


def close(found, name, *, key=None, tol=None):
    wanted = expected(name) if key is None else expected(name)[key]
    tol = PUBLISHED[name]["tol"] if tol is None else tol
    assert found == pytest.approx(wanted, abs=tol, rel=0), name


def strd(name):
    text = (HERE / "nist_strd" / f"{name}.dat").read_text()
    values = [float(each) for each in DATA.search(text)[1].split()]
    return values, {key: float(number) for key, number in CERTIFIED.findall(text)}


def test_nothing_that_was_collected_is_left_out():
    used = set(re.findall(r'"([A-Z]\d+)"', Path(__file__).read_text()))
    assert used == set(PUBLISHED)


def test_the_probability_of_conformance_between_two_limits():
    limits = Limits(lower=12.5, upper=16.3)
    close(conformance.probability_conforming(13.6, 1.8, limits), "C1", key="pc")
    close(distributions.normal_cdf((13.6 - 16.3) / 1.8), "C1", key="p_above")
    close(distributions.normal_cdf((12.5 - 13.6) / 1.8), "C1", key="p_below")


def test_the_probability_of_conformance_with_one_limit():
    close(conformance.probability_conforming(-5.47, 0.05, Limits(upper=-5.40)), "C2", key="pc")
    close(conformance.probability_conforming(509.7, 8.6, Limits(lower=490)), "C3", key="pc")


def test_guard_factors():
    close([conformance.guard_factor(p) for p in (0.80, 0.90, 0.95, 0.99, 0.999)], "C4")
    close(conformance.guard_factor(0.95, width_per_u=4), "C7")
    assert conformance.guard_factor(0.95, width_per_u=3.91) is None  # metrology.md: 3.919928
    assert conformance.guard_factor(0.95, width_per_u=3.93) is not None


def test_zones_of_a_fit():
    low, high, u, guard = 20.0, 20.021, 0.0015, 1.65
    close([low + guard * u, high - guard * u], "C5", key="conformity")
    close(low - guard * u, "C5", key="nonconf_below")
    close(high + guard * u, "C5", key="nonconf_above")


def test_the_false_accept_of_a_guard_band_in_expanded_uncertainties():
    at_the_bound = [1 - distributions.normal_cdf(2 * r) for r in (0, 0.5, 0.83, 1, 1.5)]
    close(at_the_bound, "C6")


def test_a_natural_limit_cuts_the_distribution_off():
    plain = conformance.probability_conforming(0.5, 0.5, Limits(upper=1.0))
    cut = conformance.probability_conforming(0.5, 0.5, Limits(upper=1.0, zero_below=True))
    close([plain, cut], "C8")


def test_gum_example_h1():
    # JCGM 100 H.1; inputs as in the source named there, in nanometres.
    length_nm, alpha, rectangular = 50.000623e6, 11.5e-6, uncertainty.RECTANGULAR
    comparator = uncertainty.combine(
        [
            Component(sensitivity=1, u=5.8, dof=24),
            Component(sensitivity=1, u=3.9, dof=5),
            Component(sensitivity=1, u=6.7, dof=8),
        ]
    )
    found = uncertainty.combine(
        [
            Component(sensitivity=1, u=25, dof=18),
            Component(sensitivity=1, u=comparator.u, dof=25.6),
            Component(sensitivity=-length_nm * -0.1, u=rectangular * 1e-6, dof=50),
            Component(sensitivity=-length_nm * alpha, u=rectangular * 0.05, dof=2),
        ]
    )
    tol_u, tol_dof, tol_expanded, _ = PUBLISHED["G1"]["tol"]
    close(found.u, "G1", key="uc_nm", tol=tol_u)
    close(found.dof, "G1", key="nu", tol=tol_dof)
    close(found.coverage_factor(0.99) * 32, "G1", key="U99_nm", tol=tol_expanded)
    assert (length_nm + 215) / 1e6 == expected("G1")["l_mm"]


def test_gum_example_h2_needs_its_correlations():
    text = given("G2")
    v, i, phi = (json.loads(part) for part in re.findall(r"\[[^\]]+\]", text))
    means = [moments.moments(series) for series in (v, [each * 1e-3 for each in i], phi)]
    us = [each.sd / math.sqrt(each.count) for each in means]
    series = (v, [each * 1e-3 for each in i], phi)

    def r(a, b):
        rest = [[x - means[k].mean for x in series[k]] for k in (a, b)]
        return math.fsum(x * y for x, y in zip(*rest, strict=True)) / math.sqrt(
            math.fsum(x * x for x in rest[0]) * math.fsum(y * y for y in rest[1])
        )

    correlation = {pair: r(*pair) for pair in ((0, 1), (0, 2), (1, 2))}
    volt, ampere, angle = (each.mean for each in means)
    z = volt / ampere
    sensitivities = {
        "R": (math.cos(angle) / ampere, -z * math.cos(angle) / ampere, -z * math.sin(angle)),
        "X": (math.sin(angle) / ampere, -z * math.sin(angle) / ampere, z * math.cos(angle)),
        "Z": (1 / ampere, -z / ampere, 0.0),
    }
    values = {"R": z * math.cos(angle), "X": z * math.sin(angle), "Z": z}
    tol_value, tol_u = PUBLISHED["G2"]["tol"]
    for name, factors in sensitivities.items():
        components = [Component(sensitivity=c, u=u) for c, u in zip(factors, us, strict=True)]
        found = uncertainty.combine(components, correlation)
        close(values[name], "G2", key=name, tol=tol_value)
        close(found.u, "G2", key=f"u{name}", tol=tol_u)
        assert found.dof is None
    alone = uncertainty.combine(
        [Component(sensitivity=c, u=u) for c, u in zip(sensitivities["R"], us, strict=True)]
    )
    assert alone.u == pytest.approx(0.1945, abs=5e-5)  # computed, metrology.md section 2


def test_gum_example_h3_a_calibration_line():
    from supervisor.statistics.linear import least_squares  # noqa: PLC0415 - used here only

    t, b = (
        json.loads(re.sub(r"(?<![\d])\.", "0.", part))
        for part in re.findall(r"\[[^\]]+\]", given("G3"))
    )
    design = [[1.0, each - 20.0] for each in t]
    first = least_squares(design, b, [1.0] * len(b))
    s = math.sqrt(math.fsum(each**2 for each in first.residuals) / (len(b) - 2))
    fit = least_squares(design, b, [s] * len(b))
    us = [math.sqrt(fit.covariance[k][k]) for k in (0, 1)]
    tol = PUBLISHED["G3"]["tol"][0]
    close(fit.x[0], "G3", key="y1", tol=tol)
    close(fit.x[1], "G3", key="y2", tol=5e-6)
    close(us[0], "G3", key="s1", tol=tol)
    close(us[1], "G3", key="s2", tol=5e-6)
    r = fit.covariance[0][1] / (us[0] * us[1])
    at_30 = uncertainty.combine(
        [Component(sensitivity=1, u=us[0]), Component(sensitivity=10, u=us[1])], {(0, 1): r}
    )
    close(fit.x[0] + 10 * fit.x[1], "G3", key="b30", tol=tol)
    close(at_30.u, "G3", key="u", tol=tol)


def test_two_stations_that_agree():
    one, other = Measurement(value=10.002, u=0.001), Measurement(value=10.004, u=0.002)
    mean = agreement.weighted_mean([one, other])
    close(mean.value, "M1", key="mean")
    close(mean.u, "M1", key="u")
    close(mean.chi_square, "M1", key="chi2")
    close(mean.birge, "M1", key="RB")
    close(agreement.normalised_error(one, other), "M1", key="En_k2")


def test_two_stations_that_do_not():
    one, other = Measurement(value=10.0, u=0.001), Measurement(value=10.003, u=0.001)
    mean = agreement.weighted_mean([one, other])
    close(mean.chi_square, "M2", key="chi2")
    close(mean.p, "M2", key="p")
    close(mean.birge, "M2", key="RB")
    close(mean.u, "M2", key="u_ext")
    close(agreement.normalised_error(one, other), "M2", key="En")


def test_three_values_of_which_one_stands_apart():
    mean = agreement.weighted_mean([Measurement(value=x, u=0.1) for x in (5.0, 5.1, 5.6)])
    close(mean.value, "M3", key="mean")
    close(mean.u_internal, "M3", key="u_int")
    close(mean.chi_square, "M3", key="chi2")
    close(mean.birge, "M3", key="RB")
    close(mean.u, "M3", key="u_ext")


def test_the_gravitational_constant_of_codata_2010():
    found = re.findall(r"(\d\.\d+)\((\d+)\)", given("M4"))
    values = [
        Measurement(value=float(x), u=float(u) * 10 ** -len(x.partition(".")[2])) for x, u in found
    ]
    assert len(values) == 11
    close(agreement.weighted_mean(values).birge, "M4", key="RB")


def test_differences_of_two_flow_meters():
    pairs = list(zip(given("M5")["wright"], given("M5")["mini"], strict=True))
    found = agreement.differences(pairs)
    close(found.bias, "M5", key="bias")
    close(found.sd, "M5", key="sd")
    close([found.low, found.high], "M5", key="loa_2s")
    assert not found.significant


def test_a_gauge_study_by_anova():
    found = gauge.by_anova(given("R1")["part_op_trial"])
    tol, tol_percent = PUBLISHED["R1"]["tol"]
    assert found.interaction_pooled
    close(found.interaction_p, "R1", key="p_int", tol=tol)
    close(found.repeatability**2, "R1", key="v_rep", tol=tol)
    close(found.reproducibility**2, "R1", key="v_op", tol=tol)
    close(found.part**2, "R1", key="v_part", tol=tol)
    close(found.gauge_percent, "R1", key="pct_sv_grr", tol=tol_percent)
    assert found.distinct_categories == expected("R1")["ndc"]


@pytest.mark.parametrize(
    ("name", "study"), [("R2", (36.00667, 0.21202, 15, 36)), ("R3", (99.55, 0.542115, 10, 100))]
)
def test_a_mean_against_its_reference(name, study):
    found = gauge.bias(*study)
    close(found.t, name, key="t")
    close([found.low, found.high], name, key="ci_avg")


def test_a_bias_over_the_range():
    found = gauge.linearity([7, 9, 11, 13, 15], [0.49, 0.16, 0.02, -0.28, -0.61])
    close(found[0], "R4", key="slope")
    close(found[1], "R4", key="intercept")


def test_the_capability_of_measuring_systems_and_processes():
    system = gauge.system_capability(0.060, 0.00225)
    process = gauge.process_capability(0.060, 0.0045)
    close([system[0], process[0]], "R5", key="Q")
    close(system[1], "R5", key="C_MS", tol=1e-6)
    close(process[1], "R5", key="C_MP", tol=1e-6)


def test_the_constants_of_ranges():
    close([charts.d2(n) for n in range(2, 11)], "S1")


@pytest.mark.parametrize(("name", "weight", "reach"), [("S2", 0.5, 3.071), ("S3", 0.03, 2.437)])
def test_run_lengths_of_an_ewma(name, weight, reach):
    found = [run_length.ewma(shift, weight=weight, reach=reach) for shift in (0, 0.5, 1, 2)]
    close(found, name, tol=0.001)


def test_run_lengths_of_crowder():
    close([run_length.ewma(shift, weight=0.5, reach=2) for shift in (0, 0.5, 1)], "S7")


@pytest.mark.parametrize(("name", "head_start"), [("S4", 0.0), ("S5", 2.0)])
def test_run_lengths_of_a_cusum(name, head_start):
    found = [
        run_length.cusum(shift, allowance=0.5, limit=4, head_start=head_start)
        for shift in (0, 0.5, 1, 2)
    ]
    close(found, name)


def test_the_run_length_of_a_one_sided_cusum():
    close(run_length.cusum_one_sided(2.5, allowance=0.25, limit=8), "S6")


def test_an_ewma_of_the_handbook():
    chart = charts.Ewma(
        target=given("S8")["target"], sigma=given("S8")["sigma"], weight=0.3, reach=3
    )
    close(chart.follow(given("S8")["data"])[-1], "S8", key="last")
    close(chart.target + chart.limit, "S8", key="ucl")
    close(chart.target - chart.limit, "S8", key="lcl")
    assert chart.first_signal(given("S8")["data"]) is None


def test_a_cusum_of_the_handbook():
    study = given("S9")
    chart = charts.Cusum(target=study["target"], allowance=study["k"], limit=study["h"])
    assert chart.first_signal(study["data"]) + 1 == expected("S9")["first_signal"]


def test_indices_of_the_handbook():
    limits = Limits(lower=8, upper=20)
    whole, least = capability.indices(capability.normal_spread(16, 2), limits)
    close(whole, "S10", key="Cp")
    close(least, "S10", key="Cpk")
    close(capability.target_index(16, 2, limits, 14), "S10", key="Cpm_T14")


def test_what_correcting_costs():
    close([adjustment.inflation(gain) for gain in (0.1, 0.2, 0.3, 0.5, 1)], "A1")
    found = [adjustment.bounded(limit) for limit in (1, 2, 3, 5)]
    close([each.interval for each in found], "A2")
    # metrology.md 5.5, computed there from the same integral equation
    assert [each.added for each in found] == pytest.approx(
        [0.19060, 0.85998, 1.87792, 4.92222], abs=2e-5
    )


@pytest.mark.parametrize(
    ("name", "tol"),
    [
        *((name, 1e-12) for name in ("Lew", "Lottery", "Mavro", "Michelso", "NumAcc1", "NumAcc2")),
        ("PiDigits", 1e-12),
        ("NumAcc3", 1e-7),  # "N2": rounding of the input alone costs 3.5e-10
        ("NumAcc4", 1e-7),
    ],
)
def test_the_certified_values_of_nist(name, tol):
    values, certified = strd(name)
    found = moments.moments(values)
    assert found.mean == pytest.approx(certified["ybar"], rel=1e-13)
    assert found.sd == pytest.approx(certified["s"], rel=tol)
    assert moments.lag_1(values) == pytest.approx(certified["r(1)"], rel=tol)


def test_the_certified_values_are_those_of_the_collection():
    _, certified = strd("Michelso")
    assert [certified["ybar"], certified["s"], certified["r(1)"]] == list(expected("N1").values())
    assert strd("NumAcc3")[1]["s"] == strd("NumAcc4")[1]["s"] == expected("N2")["sd"]


def test_a_warm_part_is_longer():
    close(thermal.expansion(100_000, 11.5e-6, 23), "T1", key="dL_um", tol=0.0002)


def test_limits_of_fits():
    for code, (upper, lower) in expected("I1").items():
        limits = size_limits(f"25 {code}")
        assert [float(limits.upper) - 25, float(limits.lower) - 25] == pytest.approx(
            [upper / 1000, lower / 1000]
        )


def test_an_operating_characteristic():
    close([distributions.binomial_cdf(3, 52, p) for p in (0.01, 0.03, 0.05, 0.10)], "Q1")

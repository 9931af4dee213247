"""The decision rule against values from outside.

Sources, named by each value:
- "arithmetic": limits of 20 H7 (ISO 286: +21/0 um) plus and minus 1.65 (or 2) standard uncertainties, done by hand.
- "normal distribution": conformance probability p = F((TU - y) / u) - F((TL - y) / u), the formula of JCGM 106:2012, 7.4, and
  ISO 14253-1:2017's probability limit of 95 %; both clauses from memory. Figures computed with scipy 1.17 and again here with erfc.
"""

from decimal import Decimal
from math import erfc, nextafter, sqrt

import pytest

from supervisor.verdict import Zones, judge, standard_uncertainty, zones

U_MM = Decimal("0.0015")
FACTOR = Decimal("1.65")
LOWER, UPPER = Decimal("20.000"), Decimal("20.021")
H7 = zones(LOWER, UPPER, "none", U_MM, FACTOR)


def verdict_of(measured: float, bounds: Zones) -> str:
    return judge(measured, bounds, "mm").verdict


def probability(y: float, lower: float, upper: float, u: float) -> float:
    """Conformance probability of a value y with a normal distribution."""

    def below(z: float) -> float:
        return 0.5 * erfc(-z / sqrt(2))

    return below((upper - y) / u) - below((lower - y) / u)


def test_the_zones_of_20_h7_with_1_65_standard_uncertainties():
    # arithmetic
    assert (
        Zones(
            accept_lower=Decimal("20.002475"),
            accept_upper=Decimal("20.018525"),
            reject_lower=Decimal("19.997525"),
            reject_upper=Decimal("20.023475"),
        )
        == H7
    )


def test_the_zones_of_20_h7_with_the_older_guard_band_of_two_standard_uncertainties():
    # arithmetic; editions of ISO 14253-1 before 2017 used the expanded uncertainty with k = 2 (from memory)
    bounds = zones(LOWER, UPPER, "none", U_MM, Decimal(2))
    assert (bounds.accept_lower, bounds.accept_upper) == (Decimal("20.0030"), Decimal("20.0180"))


@pytest.mark.parametrize(
    ("measured", "p", "verdict"),
    [
        # normal distribution: four published figures of our own calculation, and the verdict that 95 % demands
        (20.0010, 0.7475, "undecided"),
        (20.0186, 0.9452, "undecided"),
        (20.0209, 0.5266, "undecided"),
        (20.0235, 0.0478, "nonconforming"),
        # computed here only
        (20.0185, 0.9522, "conforming"),
        (20.0105, 1.0000, "conforming"),
        (19.9975, 0.0478, "nonconforming"),
        (19.9976, 0.0548, "undecided"),
    ],
)  # fmt: skip
def test_the_verdict_agrees_with_the_conformance_probability(measured, p, verdict):
    assert probability(measured, 20.0, 20.021, 0.0015) == pytest.approx(p, abs=5e-5)
    assert verdict_of(measured, H7) == verdict


def test_at_the_bounds_the_probability_is_95_percent():
    # normal distribution; 1.65 is the rounded quantile 1.644854, so slightly more than 95 %
    for bound in (20.002475, 20.018525):
        assert 0.95 < probability(bound, 20.0, 20.021, 0.0015) < 0.951


@pytest.mark.parametrize(
    ("bound", "on_it", "before", "beyond"),
    [
        (20.018525, "conforming", "conforming", "undecided"),
        (20.023475, "undecided", "undecided", "nonconforming"),
        (-20.002475, "conforming", "conforming", "undecided"),
        (-19.997525, "undecided", "undecided", "nonconforming"),
    ],
)  # fmt: skip
def test_a_value_on_a_bound_is_on_it_and_the_next_float_is_not(bound, on_it, before, beyond):
    """Lower bounds are written negative, so that "beyond" is one float further from the middle on either side."""
    middle, outwards = 20.0105, float("inf") if bound > 0 else float("-inf")
    bound = abs(bound)
    assert verdict_of(bound, H7) == on_it
    assert verdict_of(nextafter(bound, middle), H7) == before
    assert verdict_of(nextafter(bound, outwards), H7) == beyond


@pytest.mark.parametrize("limit", ["20.021", "0.3", "1.1", "25.021", "7.7"])
def test_a_value_exactly_on_a_limit_conforms_under_simple_acceptance(limit):
    """Nominal plus deviation in floats would miss some of these, e.g. 0.1 + 0.2 > 0.3."""
    bounds = zones(None, Decimal(limit), "none", U_MM, Decimal(0))
    assert verdict_of(float(limit), bounds) == "conforming"
    assert verdict_of(nextafter(float(limit), float("inf")), bounds) == "nonconforming"


def test_under_simple_acceptance_every_value_is_decided():
    bounds = zones(LOWER, UPPER, "none", U_MM, Decimal(0))
    assert [verdict_of(y, bounds) for y in (19.9999, 20.0, 20.021, 20.0211)] == [
        "nonconforming",
        "conforming",
        "conforming",
        "nonconforming",
    ]


def test_a_one_sided_limit_leaves_the_other_side_open():
    at_least = zones(Decimal(490), None, "none", Decimal("8.6"), FACTOR)
    assert (at_least.accept_upper, at_least.reject_upper) == (None, None)
    # arithmetic: 490 + 1.65 x 8.6 = 504.19 and 490 - 1.65 x 8.6 = 475.81
    assert [verdict_of(y, at_least) for y in (504.19, 504.18, 475.81, 475.80, 1e9)] == [
        "conforming",
        "undecided",
        "undecided",
        "nonconforming",
        "conforming",
    ]


@pytest.mark.parametrize("lower", [None, Decimal(0), Decimal("-0.001")])
def test_a_natural_limit_zero_gets_no_guard_band(lower):
    flatness = zones(lower, Decimal("0.010"), "zero", Decimal("0.001"), FACTOR)
    assert (flatness.accept_lower, flatness.reject_lower) == (None, None)
    assert verdict_of(0.0, flatness) == verdict_of(0.0003, flatness) == "conforming"
    assert verdict_of(0.0084, flatness) == "undecided"


def test_a_lower_limit_above_the_natural_limit_is_a_requirement_like_any_other():
    roughness = zones(Decimal("0.4"), Decimal("1.6"), "zero", Decimal("0.04"), FACTOR)
    assert roughness.accept_lower == Decimal("0.466")
    assert verdict_of(0.3, roughness) == "nonconforming"


def test_with_a_tolerance_narrower_than_two_guard_bands_nothing_conforms():
    narrow = zones(LOWER, UPPER, "none", Decimal("0.0065"), FACTOR)
    assert narrow.nothing_conforms
    inside = judge(20.0105, narrow, "mm")
    assert inside.verdict == "undecided"
    assert "too narrow for this uncertainty" in inside.why
    assert verdict_of(20.0318, narrow) == "nonconforming"
    assert verdict_of(19.9892, narrow) == "nonconforming"


def test_a_tolerance_of_exactly_two_guard_bands_leaves_one_value_that_conforms():
    point = zones(Decimal("19.9934"), Decimal("20.0066"), "none", Decimal("0.004"), FACTOR)
    assert not point.nothing_conforms
    assert [verdict_of(y, point) for y in (19.9999, 20.0, 20.0001)] == [
        "undecided",
        "conforming",
        "undecided",
    ]


def test_without_limits_everything_conforms():
    assert verdict_of(-1e300, zones(None, None, "none", U_MM, FACTOR)) == "conforming"


@pytest.mark.parametrize(
    ("measured", "why"),
    [
        (20.0105, "20.0105 mm is in the conformity zone, 20.002475 to 20.018525"),
        (
            20.02,
            "20.02 mm is in the uncertainty zone, outside the conformity zone 20.002475 to 20.018525",
        ),
        (20.03, "20.03 mm is in the nonconformity zone, above 20.023475"),
        (20.010512345678, "20.010512 mm is in the conformity zone, 20.002475 to 20.018525"),
        (
            20.018525000001,
            "20.018525000001 mm is in the uncertainty zone, outside the conformity zone 20.002475 to 20.018525",
        ),
        (1e-05, "0.00001 mm is in the nonconformity zone, below 19.997525"),
    ],
)
def test_a_verdict_says_why(measured, why):
    assert judge(measured, H7, "mm").why == why


@pytest.mark.parametrize(
    ("lower", "upper", "span"),
    [("1", None, "from 1.001"), (None, "1", "up to 0.999"), (None, None, "which has no bounds")],
)
def test_the_reason_names_the_bounds_that_there_are(lower, upper, span):
    limits = [None if limit is None else Decimal(limit) for limit in (lower, upper)]
    bounds = zones(*limits, "none", Decimal("0.001"), Decimal(1))
    measured = 1.5 if lower else 0.5
    assert judge(measured, bounds, "mm").why == f"{measured} mm is in the conformity zone, {span}"


def test_a_standard_uncertainty_is_exact_where_it_can_be_and_rounded_up_elsewhere():
    assert standard_uncertainty(Decimal("0.003"), Decimal(2)) == Decimal("0.0015")
    assert standard_uncertainty(Decimal(1), Decimal(3)) == Decimal("0.333333333334")

"""Uncertainties against GTC (Measurement Standards Laboratory of New Zealand) and studies against statsmodels, over random inputs.

Both are second opinions in tests only: they came to their numbers by other code and other people.
"""

import math
import warnings

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import stats

from supervisor.statistics import capability, gauge
from supervisor.statistics.agreement import Measurement, correlated_mean, weighted_mean
from supervisor.statistics.linear import least_squares
from supervisor.statistics.uncertainty import Component, combine

with warnings.catch_warnings():  # what others deprecate among themselves is none of ours
    warnings.simplefilter("ignore")
    import GTC
    import statsmodels.api as sm
    from statsmodels.stats.diagnostic import normal_ad

pytestmark = pytest.mark.property

sensitivities = st.floats(-50, 50).filter(lambda c: abs(c) > 1e-3)
standard_us = st.floats(1e-4, 10)
inputs = st.lists(
    st.tuples(sensitivities, standard_us, st.integers(1, 100)), min_size=1, max_size=6
)


@given(inputs)
def test_combined_uncertainty_and_its_degrees_of_freedom_are_those_of_gtc(parts):
    found = combine([Component(sensitivity=c, u=u, dof=dof) for c, u, dof in parts])
    summed = sum(c * GTC.ureal(1.0, u, dof) for c, u, dof in parts)
    assert found.u == pytest.approx(summed.u, rel=1e-12)
    assert found.dof == pytest.approx(summed.df, rel=1e-9)


@given(sensitivities, standard_us, sensitivities, standard_us, st.floats(-0.99, 0.99))
def test_a_correlation_counts_as_in_gtc(one, u_one, other, u_other, r):
    found = combine(
        [Component(sensitivity=one, u=u_one), Component(sensitivity=other, u=u_other)],
        {(0, 1): r},
    )
    x = GTC.ureal(1.0, u_one, independent=False)
    y = GTC.ureal(2.0, u_other, independent=False)
    GTC.set_correlation(r, x, y)
    assert found.u == pytest.approx((one * x + other * y).u, rel=1e-7)
    assert found.dof is None


values = st.lists(st.tuples(st.floats(-30, 30), standard_us), min_size=2, max_size=6)


@given(values)
def test_the_internal_uncertainty_of_a_weighted_mean_is_that_of_gtc(pairs):
    found = weighted_mean([Measurement(value=x, u=u) for x, u in pairs])
    weights = [1 / u**2 for _, u in pairs]
    mean = sum(w * GTC.ureal(x, u) for w, (x, u) in zip(weights, pairs, strict=True)) / math.fsum(
        weights
    )
    assert found.value == pytest.approx(mean.x, rel=1e-9, abs=1e-9)
    assert found.u_internal == pytest.approx(mean.u, rel=1e-9)


@given(st.floats(-9, 9), st.floats(-9, 9), standard_us, st.floats(1.05, 5), st.floats(-0.9, 0.9))
def test_the_mean_of_a_correlated_pair_is_that_of_generalised_least_squares(x, y, u, poorer, share):
    """By statsmodels; the correlation stays below the ratio of the uncertainties, where both still count."""
    r = share / poorer if share > 0 else share
    found = correlated_mean(
        Measurement(value=x, u=u), Measurement(value=y, u=u * poorer), correlation=r
    )
    covariance = np.array([[1.0, r * poorer], [r * poorer, poorer**2]]) * u**2
    fit = sm.GLS(np.array([x, y]), np.ones((2, 1)), sigma=covariance).fit()
    assert found.value == pytest.approx(fit.params[0], rel=1e-7, abs=1e-9)
    assert found.u == pytest.approx(math.sqrt(fit.normalized_cov_params[0, 0]), rel=1e-7)


rows = st.lists(
    st.tuples(st.floats(-5, 5), st.floats(-20, 20), st.floats(0.1, 3)), min_size=4, max_size=12
)


@given(rows)
def test_weighted_least_squares_are_those_of_statsmodels(lines):
    at = [x for x, _, _ in lines]
    if max(at) - min(at) < 0.5:  # no line lies in one place
        return
    found = least_squares([[x, 1.0] for x in at], [y for _, y, _ in lines], [s for *_, s in lines])
    design = np.array([[x, 1.0] for x in at])
    weights = np.array([1 / s**2 for *_, s in lines])
    fit = sm.WLS(np.array([y for _, y, _ in lines]), design, weights=weights).fit()
    assert found.x == pytest.approx(tuple(fit.params), rel=1e-6, abs=1e-7)
    for ours, theirs in zip(found.covariance, fit.normalized_cov_params, strict=True):
        assert ours == pytest.approx(tuple(theirs), rel=1e-6, abs=1e-9)


shapes = st.tuples(st.integers(2, 4), st.integers(2, 3), st.integers(2, 3))
studies = shapes.flatmap(
    lambda shape: st.lists(
        st.integers(-500, 500), min_size=math.prod(shape), max_size=math.prod(shape), unique=True
    ).map(lambda flat: np.array(flat, dtype=float).reshape(shape))
)


def unexplained(study, *factors):
    """(sum of squares that a model with a level for each value of each factor leaves, its degrees of freedom), by statsmodels."""
    where = np.array(list(np.ndindex(study.shape)))
    keys = [[tuple(each) for each in where[:, list(factor)]] for factor in factors]
    columns = [
        [key == level for key in known] for known in keys for level in sorted(set(known))[1:]
    ]
    design = np.column_stack(
        [np.ones(study.size), *np.array(columns, dtype=float).reshape(-1, study.size)]
    )
    fit = sm.OLS(study.ravel(), design).fit()
    return fit.ssr, fit.df_resid


@given(studies)
def test_a_crossed_study_has_the_mean_squares_of_statsmodels(study):
    """Components from the mean squares of nested models, without pooling (the handbook's formulas, from memory)."""
    parts, loadings, repeats = study.shape
    nothing, only_part, additive, cells = (
        unexplained(study),
        unexplained(study, (0,)),
        unexplained(study, (0,), (1,)),
        unexplained(study, (0, 1)),
    )

    def mean_square(without, having):
        return (without[0] - having[0]) / (without[1] - having[1])

    of_part, of_loading = mean_square(nothing, only_part), mean_square(only_part, additive)
    of_both, error = mean_square(additive, cells), cells[0] / cells[1]
    p = stats.f.sf(of_both / error, additive[1] - cells[1], cells[1])
    found = gauge.by_anova(study.tolist(), pool_above_p=1.0)
    assert found.interaction_p == pytest.approx(p, rel=1e-6, abs=1e-9)
    assert found.repeatability**2 == pytest.approx(error, rel=1e-8)
    interaction = max(0.0, (of_both - error) / repeats)
    loading = max(0.0, (of_loading - of_both) / (parts * repeats))
    part = max(0.0, (of_part - of_both) / (loadings * repeats))
    assert found.interaction**2 == pytest.approx(interaction, rel=1e-6, abs=1e-6)
    assert found.reproducibility**2 == pytest.approx(loading + interaction, rel=1e-6, abs=1e-6)
    assert found.part**2 == pytest.approx(part, rel=1e-6, abs=1e-6)


@given(st.lists(st.floats(-50, 50), min_size=8, max_size=60, unique=True))
def test_the_distance_from_normal_is_that_of_statsmodels(values):
    assume(np.std(values) > 1e-3)
    count = len(values)
    statistic, p = normal_ad(np.array(values))
    adjusted = capability.anderson_darling(values)
    assert adjusted == pytest.approx(statistic * (1 + 0.75 / count + 2.25 / count**2), rel=1e-6)
    assume(abs(adjusted - capability.NOT_NORMAL_FROM) > 0.01)
    assert (adjusted > capability.NOT_NORMAL_FROM) == (p < 0.01)

"""Our distributions and studies against scipy, over random arguments."""

import math
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from supervisor.statistics import distributions, gauge
from supervisor.statistics.agreement import Measurement, weighted_mean
from supervisor.statistics.conformance import Limits, probability_conforming

pytestmark = pytest.mark.property

probabilities = st.floats(1e-9, 1 - 1e-9)
dofs = st.floats(1, 500)
around = st.floats(-30, 30)


def same(found, wanted, rel=1e-8, tiny=1e-13):
    assert found == pytest.approx(float(wanted), rel=rel, abs=tiny)


@given(around, dofs)
def test_tails_of_normal_and_student(z, dof):
    same(distributions.normal_cdf(z), stats.norm.cdf(z), tiny=0)
    same(distributions.student_cdf(z, dof), stats.t.cdf(z, dof))


@given(st.floats(1e-3, 2000), dofs, dofs)
def test_tails_of_chi_square_and_f(x, dof, other):
    same(distributions.chi_square_cdf(x, dof), stats.chi2.cdf(x, dof))
    same(distributions.chi_square_tail(x, dof), stats.chi2.sf(x, dof))
    same(distributions.f_tail(x, dof, other), stats.f.sf(x, dof, other))


@given(probabilities, dofs, dofs)
def test_quantiles(p, dof, other):
    same(distributions.normal_quantile(p), stats.norm.ppf(p), rel=1e-7, tiny=1e-9)
    same(distributions.student_cdf(distributions.student_quantile(p, dof), dof), p, rel=1e-7)
    same(distributions.chi_square_quantile(p, dof), stats.chi2.ppf(p, dof), rel=1e-6)
    same(distributions.f_tail(distributions.f_quantile(p, dof, other), dof, other), 1 - p, rel=1e-6)


@given(st.integers(0, 60), st.integers(1, 200), probabilities)
def test_binomial(successes, trials, p):
    same(
        distributions.binomial_cdf(min(successes, trials), trials, p),
        stats.binom.cdf(successes, trials, p),
    )


@given(around, st.floats(0.01, 10), st.floats(0.1, 20))
def test_a_conformance_probability_is_one_and_all_of_it(measured, u, width):
    inside = probability_conforming(measured, u, Limits(lower=0, upper=width))
    below = probability_conforming(measured, u, Limits(upper=0))
    above = probability_conforming(measured, u, Limits(lower=width))
    assert 0 <= inside <= 1
    assert inside + below + above == pytest.approx(1)


values = st.lists(st.tuples(around, st.floats(0.01, 10)), min_size=2, max_size=8)


@given(values)
def test_a_weighted_mean_never_shrinks_what_spreads(pairs):
    found = weighted_mean([Measurement(value=x, u=u) for x, u in pairs])
    assert min(x for x, _ in pairs) - 1e-9 <= found.value <= max(x for x, _ in pairs) + 1e-9
    assert found.u >= found.u_internal
    same(found.p, stats.chi2.sf(found.chi_square, len(pairs) - 1))


studies = st.tuples(st.integers(2, 5), st.integers(2, 4), st.integers(2, 4)).flatmap(
    lambda shape: st.lists(
        st.lists(
            st.lists(st.floats(0, 10), min_size=shape[2], max_size=shape[2]),
            min_size=shape[1],
            max_size=shape[1],
        ),
        min_size=shape[0],
        max_size=shape[0],
    )
)


@given(studies)
def test_a_gauge_study_splits_all_variation_and_none_twice(study):
    found = gauge.by_anova(study, pool_above_p=0.25)
    assert found.gauge**2 + found.part**2 == pytest.approx(found.total**2)
    assert found.repeatability**2 + found.reproducibility**2 == pytest.approx(found.gauge**2)
    assert not math.isnan(found.gauge_percent)
    moved = gauge.by_anova([[[x + 1e4 for x in cell] for cell in part] for part in study])
    assert moved.total == pytest.approx(found.total, rel=1e-4, abs=1e-4)


@given(
    st.lists(st.floats(0, 10), min_size=4, max_size=4),
    st.lists(st.floats(0, 10), min_size=4, max_size=4),
)
def test_components_of_one_loading_twice_agree_with_a_one_way_analysis(one, other):
    # Two identical loadings: nothing can be reproducibility.
    study = [[one, one], [other, other]]
    found = gauge.by_anova(study, pool_above_p=0)
    assert found.reproducibility == pytest.approx(0, abs=1e-6)


@given(
    st.integers(2, 8).flatmap(
        lambda repeats: st.lists(
            st.lists(st.integers(-500, 500), min_size=repeats, max_size=repeats, unique=True),
            min_size=2,
            max_size=8,
        )
    )
)
def test_a_study_without_operators_splits_variance_as_one_way_anova_does(parts):
    values = [[float(x) for x in part] for part in parts]
    found = gauge.within_parts(values)

    pooled = sum(statistics.variance(part) for part in parts) / len(parts)
    same(found.repeatability**2, pooled)
    f = float(stats.f_oneway(*values).statistic)
    if f > 1.0:  # a negative component counts as zero, and tells no F
        same(1.0 + len(values[0]) * found.part**2 / pooled, f, rel=1e-7)
    else:
        assert found.part == 0.0

"""Guard bands of uncertainties from few values, and the probability beside a verdict.

Sources, named by each value:
- "t table": one-sided 95 % quantiles of Student's distribution, as any table prints them (here the collected values, scipy 1.17).
- "JCGM 106": the example of JCGM 106:2012 7.4 (inputs as quoted in the collected references, value computed with scipy 1.17).
- "arithmetic": done by hand.
"""

from decimal import Decimal

import pytest

from supervisor.cell.model import Characteristic
from supervisor.cell.value import replace
from supervisor.verdict.conformity import conformance_probability, factor_for

BORE = Characteristic(
    number="1",
    name="bore",
    kind="diameter",
    nominal=Decimal(14),
    lower=Decimal("12.5"),
    upper=Decimal("16.3"),
    unit="mm",
    datum="",
    need="mandatory",
    natural_limit="none",
    required_u=Decimal(4),
)
FORM = replace(BORE, nominal=Decimal(0), lower=None, upper=Decimal(1), natural_limit="zero")


@pytest.mark.parametrize(
    ("dof", "factor"), [(3, "2.3534"), (5, "2.0151"), (10, "1.8125"), (30, "1.6973")]
)
def test_a_normal_quantile_becomes_the_quantile_of_student(dof, factor):
    # t table: 2.3534, 2.0150, 1.8125, 1.6973 for 95 %, rounded up here at the fourth digit
    assert factor_for(Decimal("1.6448536"), dof) == Decimal(factor)


def test_the_default_factor_keeps_its_own_probability():
    # 1.65 belongs to 95.05 %, a little more than 95 %: with ten degrees of freedom the factor lies a little above 1.8125 (t table)
    assert Decimal("1.8125") < factor_for(Decimal("1.65"), 10) < Decimal("1.8200")


def test_a_well_known_uncertainty_and_simple_acceptance_keep_their_factor():
    assert factor_for(Decimal("1.65"), None) == Decimal("1.65")
    assert factor_for(Decimal(0), 3) == 0


def test_the_factor_falls_with_the_degrees_of_freedom_and_never_below_that_of_the_rule():
    factors = [factor_for(Decimal("1.65"), dof) for dof in (1, 2, 3, 5, 10, 30, 100, 100_000)]
    assert factors == sorted(factors, reverse=True)
    assert factors[-1] >= Decimal("1.65")


def test_the_probability_of_a_two_sided_requirement():
    # JCGM 106: y 13.6, u 1.8, limits 12.5 to 16.3 -> 0.662630
    assert conformance_probability(13.6, BORE, Decimal("1.8"), None) == 0.66263


def test_the_probability_of_a_requirement_that_cannot_be_below_zero():
    # collected values, scipy 1.17: y 0.5, u 0.5, limit 1 -> 0.811427 cut off at zero (0.841345 if it were not)
    assert conformance_probability(0.5, FORM, Decimal("0.5"), None) == 0.811427


def test_few_degrees_of_freedom_lower_the_probability():
    # collected values, scipy 1.17: at 1.645 u from the limit 0.9345 with ten degrees of freedom instead of 0.95
    one_sided = replace(BORE, lower=None)
    y = 16.3 - 1.645 * 1.8
    assert round(conformance_probability(y, one_sided, Decimal("1.8"), 10), 4) == 0.9345
    assert round(conformance_probability(y, one_sided, Decimal("1.8"), None), 4) == 0.95

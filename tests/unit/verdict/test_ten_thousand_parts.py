"""Ten thousand virtual parts, measured and judged: do the rules err as often as theory says?

The truth of each part is known here and nowhere in the code under test. Parts come from a normal process, values from the truth with
normal noise of the declared standard uncertainty; the verdicts are those of ``merge``. Theory is the double integral of JCGM 106:2012
9.5 (``statistics/conformance.risks``, held to published values in its own tests): joint probabilities, not conditional ones.

Sampling error: a rate from n parts has the standard deviation sqrt(p (1 - p) / n); four of them are allowed, which a sound
implementation exceeds once in 16,000 draws. The seeds are fixed, so the test does not flicker.
"""

import math
from decimal import Decimal
from random import Random

import pytest

from supervisor.cell.model import Coverage, DecisionRule, PartType, Program
from supervisor.cell.value import replace
from supervisor.statistics.conformance import Limits, Risks, risks
from supervisor.verdict import Finding, MeasuredValue, PlanTable, StationResult, merge
from supervisor.verdict.conformity import zones
from tests.unit.verdict.test_merge import BODY, BORE, PART

PARTS = 10_000
U = Decimal("0.0015")
LOWER, UPPER = 20.000, 20.021
PROCESS = (20.0125, 0.0050)
"""Mean and standard deviation in mm: off the middle, about 6 % nonconforming, so that both errors are frequent enough to count."""
PLAN: PartType = replace(BODY, plan=(BORE,))
AGREED = {"agreed_by": "customer and works", "agreed_on": "2025-10-01"}
RULES = {
    "ISO 14253-1:2017": DecisionRule(rule="ISO 14253-1:2017", guard_factor=Decimal("1.65")),
    "simple acceptance": DecisionRule(rule="Simple", guard_factor=Decimal(0), **AGREED),
    "U with k = 2": DecisionRule(rule="ISO 14253-1:2013", guard_factor=Decimal(2), **AGREED),
    "narrow": DecisionRule(rule="Half of U", guard_factor=Decimal(1), **AGREED),
}


PRINTED = {
    "ISO 14253-1:2017": "ISO 14253-1:2017, 1.65 u",
    "simple acceptance": "simple acceptance",
    "U with k = 2": "U with k = 2",
    "narrow": "guard band of 1 u",
}
"""The rules as the page of evidence calls them."""


@pytest.fixture(scope="module")
def page(repository) -> str:
    return (repository / "docs/explanation/how-verdicts-are-shown.md").read_text(encoding="utf-8")


def table_of(rule: DecisionRule) -> PlanTable:
    program = Program(
        program="bore",
        station="touch-1",
        part_type=PLAN.part_type,
        name="BORE",
        number=1,
        revision="1",
        covers=(Coverage(number="1", expanded_u=2 * U, k=Decimal(2)),),
        part_free_ms=1,
        result_ms=1,
    )
    return PlanTable(PLAN, (program,), rule)


def finding_on(table: PlanTable, value: float) -> Finding:
    result = StationResult(
        result_id="r",
        station="touch-1",
        run_id="R1",
        program="bore",
        measured_ms=1,
        values=(MeasuredValue(number="1", value=value, unit="mm", quality="good"),),
    )
    return merge(PART, table, [result]).findings[0]


def theory(rule: DecisionRule, zone: str) -> Risks:
    bounds = zones(BORE.lower, BORE.upper, "none", U, rule.guard_factor)
    lower, upper = (
        (bounds.accept_lower, bounds.accept_upper)
        if zone == "accept"
        else (bounds.reject_lower, bounds.reject_upper)
    )
    assert lower is not None
    assert upper is not None
    kept = Limits(lower=float(lower), upper=float(upper))
    return risks(PROCESS, float(U), Limits(lower=LOWER, upper=UPPER), kept)


def agrees(counted: int, probability: float) -> bool:
    sd = math.sqrt(probability * (1.0 - probability) / PARTS)
    return abs(counted / PARTS - probability) < 4.0 * sd


@pytest.mark.parametrize("name", sorted(RULES))
def test_false_accepts_and_false_rejects_are_as_frequent_as_theory_says(page, name):
    table, draw = table_of(RULES[name]), Random(14253)
    accepted_bad = rejected_good = probable = 0
    expected = 0.0
    for _ in range(PARTS):
        truth = draw.gauss(*PROCESS)
        finding = finding_on(table, draw.gauss(truth, float(U)))
        good = LOWER <= truth <= UPPER
        accepted_bad += finding.verdict == "conforming" and not good
        rejected_good += finding.verdict == "nonconforming" and good
        assert finding.conformance_probability is not None
        if finding.verdict == "conforming":
            probable += 1
            expected += finding.conformance_probability

    row = next(line for line in page.splitlines() if line.startswith(f"| {PRINTED[name]} |"))
    assert [cell.strip() for cell in row.split("|")[2:6:2]] == [
        str(accepted_bad),
        str(rejected_good),
    ], "docs/explanation/how-verdicts-are-shown.md"
    assert agrees(accepted_bad, theory(RULES[name], "accept").false_accept)
    assert agrees(rejected_good, theory(RULES[name], "reject").false_reject)
    assert expected / probable > 0.9  # what is accepted is mostly good, and the records say so


def test_the_rules_stand_in_the_order_of_their_guard_bands():
    accepts = {name: theory(rule, "accept").false_accept for name, rule in RULES.items()}
    assert sorted(accepts, key=lambda name: accepts[name], reverse=True) == [
        "simple acceptance",
        "narrow",
        "ISO 14253-1:2017",
        "U with k = 2",
    ]


def test_the_probability_beside_a_verdict_is_the_share_of_good_parts_where_nothing_was_known_before():
    """A process much wider than the tolerance tells nothing before: then the probability is right part by part (JCGM 106 7.2.2)."""
    table, draw = table_of(RULES["simple acceptance"]), Random(106)
    good, stated, variance = 0, 0.0, 0.0
    for _ in range(PARTS):
        truth = draw.uniform(UPPER - 0.010, UPPER + 0.010)
        value = draw.gauss(truth, float(U))
        if abs(value - UPPER) < 0.004:  # away from the ends of the uniform process
            probability = finding_on(table, value).conformance_probability
            assert probability is not None
            good += truth <= UPPER
            stated += probability
            variance += probability * (1.0 - probability)
    assert abs(good - stated) < 4.0 * math.sqrt(variance)

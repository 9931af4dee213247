"""Parts that were measured warm: brought to 20 degrees where the plan says how, never twice, and less sure from then on."""

from decimal import Decimal
from math import hypot

import pytest

from supervisor.cell.model import Expansion
from supervisor.cell.value import replace
from supervisor.verdict import PlanTable, merge, still_open
from supervisor.verdict.warmth import warmth_of
from tests.unit.verdict.test_merge import BODY, PART, PROGRAMS, RULE, measured, result

ALUMINIUM = Expansion(
    per_k=Decimal("0.0000238"), u_per_k=Decimal("0.000002"), temperature_u_k=Decimal("0.2")
)
TABLE = PlanTable(replace(BODY, expansion=ALUMINIUM), tuple(PROGRAMS.values()), RULE)
BORE = TABLE.part_type.plan[0]


def warm(program="accurate", value=20.0105, part_c=24.0, compensated="no"):
    plain = result(program, measured("1", value))
    return replace(plain, part_c=part_c, compensated=compensated)


def finding_of(**wishes):
    return merge(PART, TABLE, [warm(**wishes)]).findings[0]


@pytest.mark.parametrize(
    ("length", "expansion", "part_c", "amount_um"),
    # L alpha (t - 20), arithmetic: 100 mm steel at 21 and 23, 250 mm at 18.5, 50 mm aluminium at 22.5
    [
        (100.0, "0.0000115", 21.0, -1.1500),
        (100.0, "0.0000115", 23.0, -3.4500),
        (250.0, "0.0000115", 18.5, 4.3125),
        (50.0, "0.0000238", 22.5, -2.9750),
    ],
)
def test_the_amount_has_the_size_and_sign_of_the_published_formula(
    length, expansion, part_c, amount_um
):
    declared = replace(ALUMINIUM, per_k=Decimal(expansion))
    found = warmth_of(BORE, declared, warm(part_c=part_c), length)
    assert found is not None
    assert float(found.amount) * 1000 == pytest.approx(amount_um, rel=1e-3)


def test_its_uncertainty_has_that_of_the_coefficient_and_that_of_the_temperature():
    # 200 mm aluminium, 24 degrees, u of alpha 2e-6, of the temperature 0.2 K: 1.600 and 0.952 micrometres, together 1.862 (arithmetic)
    found = warmth_of(BORE, ALUMINIUM, warm(), 200.0)
    assert found is not None
    assert float(found.u) * 1000 == pytest.approx(hypot(1.600, 0.952), abs=5e-4)


def test_the_record_has_the_corrected_value_the_raw_one_and_the_correction_by_name():
    evidence = finding_of().decided_by
    assert evidence is not None
    (correction,) = evidence.corrections
    assert correction.kind == "temperature"
    assert correction.name == "from 24 to 20 °C, 23.8e-6/K"
    # 20.0105 x 23.8e-6 x 4 = 0.001905 mm (arithmetic)
    assert float(correction.amount) == pytest.approx(-0.0019050, abs=1e-7)
    assert evidence.raw == 20.0105
    assert evidence.value == pytest.approx(20.0105 - 0.0019050, abs=1e-7)
    assert (evidence.part_c, evidence.compensated) == (24.0, "no")


def test_the_value_is_less_sure_and_its_zone_smaller():
    plain = merge(PART, PlanTable(BODY, tuple(PROGRAMS.values()), RULE), [warm()]).findings[0]
    corrected = finding_of()
    assert plain.decided_by is not None
    assert corrected.decided_by is not None
    (correction,) = corrected.decided_by.corrections
    wanted = hypot(float(plain.decided_by.standard_u), float(correction.u))
    assert float(corrected.decided_by.standard_u) == pytest.approx(wanted, rel=1e-7)
    assert corrected.accept_upper < plain.accept_upper
    assert corrected.accept_lower > plain.accept_lower


@pytest.mark.parametrize("compensated", ["yes", "unknown"])
def test_a_station_that_compensated_or_does_not_say_is_never_corrected_again(compensated):
    evidence = finding_of(compensated=compensated).decided_by
    assert evidence is not None
    assert (evidence.value, evidence.corrections) == (20.0105, ())


def test_without_a_temperature_or_a_declared_expansion_nothing_is_corrected():
    cold = finding_of(part_c=None).decided_by
    assert cold is not None
    assert cold.corrections == ()
    undeclared = merge(PART, PlanTable(BODY, tuple(PROGRAMS.values()), RULE), [warm()])
    assert undeclared.findings[0].decided_by.corrections == ()


def test_at_twenty_degrees_the_value_stays_and_only_the_thermometer_is_doubted():
    evidence = finding_of(part_c=20.0).decided_by
    assert evidence is not None
    (correction,) = evidence.corrections
    assert correction.amount == 0
    assert evidence.value == 20.0105
    # 20.0105 x 23.8e-6 x 0.2 = 0.00009525 mm (arithmetic)
    assert float(correction.u) == pytest.approx(0.00009525, rel=1e-3)


def test_angles_and_what_cannot_be_negative_do_not_expand():
    for changed in (replace(BORE, unit="deg"), replace(BORE, natural_limit="zero")):
        assert warmth_of(changed, ALUMINIUM, warm(), 20.0) is None


def test_a_part_so_hot_that_nobody_is_sure_is_not_decided_by_it_and_asking_comes_to_an_end():
    hot = [replace(warm(part_c=80.0), result_id=f"x{n}", run_id=f"R{n}") for n in range(2)]
    table = PlanTable(replace(BODY, expansion=ALUMINIUM), (PROGRAMS["accurate"],), RULE)

    finding = merge(PART, table, hot).findings[0]

    assert finding.verdict != "conforming"
    assert [each for each in still_open(table, hot, ()) if each.number == "1"] == []


def test_a_good_value_of_a_warm_part_is_not_asked_of_the_same_program_again():
    """Its uncertainty grew above what the program states; the rank of programs is that of the declaration."""
    undecided = warm(value=20.0185)
    left = [each for each in still_open(TABLE, [undecided], ()) if each.number == "1"]
    assert all("accurate" not in each.programs for each in left)

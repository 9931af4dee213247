"""Reasons as they are read: a value to the place of its uncertainty's second digit, never so that the sentence contradicts its verdict."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from supervisor.cell.value import replace
from supervisor.report.account import accounts
from supervisor.report.figures import corrected, part_reason, raw_value, reason, zones_applied
from supervisor.verdict.conformity import judge, rounded_reason, zones
from supervisor.verdict.record import Bonus, Correction

LIMIT_MM = Decimal("0.1")


def bounds_up_to(limit=LIMIT_MM, *, u="0.002", factor="0"):
    return zones(None, limit, "zero", Decimal(u), Decimal(factor))


@pytest.mark.parametrize(
    ("measured", "factor", "told"),
    [
        (0.025867286, "0", "0.0259 mm is in the conformity zone, up to 0.1000"),
        (0.10004, "0", "0.10004 mm is in the nonconformity zone, above 0.10000"),
        (0.1000000004, "0", "0.1000000004 mm is in the nonconformity zone, above 0.1000000000"),
        (0.1, "0", "0.1000 mm is in the conformity zone, up to 0.1000"),
        (0.12, "0", "0.1200 mm is in the nonconformity zone, above 0.1000"),
        (0.09671, "1.65", "0.09671 mm is in the uncertainty zone, outside the conformity zone up to 0.09670"),
        (-0.00000001, "0", "0.0000 mm is in the conformity zone, up to 0.1000"),
    ],
)  # fmt: skip
def test_a_value_near_a_bound_is_told_with_as_many_places_as_show_its_side(measured, factor, told):
    """U = 0.004 mm: the second digit is the fourth place (JCGM 100:2008, 7.2.6, as in figures.py)."""
    assert rounded_reason(measured, bounds_up_to(factor=factor), "mm", 4) == told


def side(sentence):
    """The verdict that a reader comes to who compares the figures of the sentence; "" where they contradict its words."""
    number, _, said = sentence.partition(" mm is in the ")
    value, (zone, _, words) = Decimal(number), said.partition(" zone")
    figures = [Decimal(word) for word in words.split() if word[-1].isdigit()]
    if zone == "nonconformity":
        beyond = value > figures[0] if "above" in words else value < figures[0]
        return "nonconforming" if beyond else ""
    within = figures[0] <= value <= figures[1]
    if zone == "conformity":
        return "conforming" if within else ""
    return "" if within else "undecided"


@given(
    measured=st.floats(-2, 2), upper=st.decimals("0.5", "1", places=4),
    u=st.decimals("0.0001", "0.1", places=6), places=st.integers(0, 6),
)  # fmt: skip
def test_whoever_compares_the_figures_comes_to_the_same_verdict(measured, upper, u, places):
    bounds = zones(-upper, upper, "none", u, Decimal("1.65"))
    near = float(bounds.accept_upper) + measured * 1e-7
    for each in (measured, near):
        told = rounded_reason(each, bounds, "mm", places)
        assert side(told) == judge(each, bounds, "mm").verdict


def test_any_finite_number_can_be_told():
    for measured in (1.7e308, -1.7e308, 5e-324):
        assert rounded_reason(measured, bounds_up_to(), "mm", 4)


def test_every_reason_of_a_shift_is_told_with_the_places_of_its_uncertainty(records):
    told = [
        (reason(finding), finding)
        for record in records
        for finding in record.findings
        if finding.decided_by is not None and "no value could" not in finding.why
    ]
    assert len(told) > 50
    assert all(zones_applied(f).accept_upper == f.accept_upper for _, f in told)
    longer = [said for said, finding in told if len(said) > len(finding.why) + 6]
    assert not longer
    value = next(said for said, f in told if f.unit == "mm" and f.decided_by.value > 1)
    assert len(value.split(" ")[0].partition(".")[2]) <= 5


def test_a_part_is_told_the_reason_of_its_characteristic_as_that_is_read(rejected):
    worst = next(f for f in rejected.findings if f.why in rejected.why)
    assert reason(worst) != worst.why
    assert reason(worst) in part_reason(rejected)
    assert part_reason(rejected).startswith(f"characteristic {worst.number}, {worst.name}, ")
    (not_proven, *_) = [a.lines for a in accounts(rejected) if "not proven" in a.title]
    assert any(reason(worst) in line for line in not_proven)


def test_the_record_keeps_the_whole_sentence(records):
    """What is journalled and signed does not depend on how it is read, so a journal of before decides the same."""
    for finding in (each for record in records for each in record.findings):
        by = finding.decided_by
        if by is not None:
            assert finding.why.startswith(judge(by.value, zones_applied(finding), by.unit).why)


def test_a_sentence_in_other_words_stays_as_it_was_kept(rejected):
    older = replace(rejected.findings[0], why="20.010512345678 mm is inside")
    assert reason(older) == older.why


def test_the_bonus_of_a_sentence_has_the_places_of_its_value(rejected):
    plain = next(f for f in rejected.findings if f.upper is not None and f.decided_by is not None)
    amount = Decimal("0.009682068069188")
    bonus = Bonus(number="4", station="scan-1", run_id="R7", actual=24.0, amount=amount)
    by = replace(plain.decided_by, value=0.01, expanded_u=Decimal("0.004"))
    bounds = zones(None, LIMIT_MM + amount, "zero", Decimal("0.002"), Decimal("1.65"))
    kept = f"{judge(0.01, bounds, 'mm').why}; {amount} mm of it by the size 4, which scan-1 gave (run R7)"
    with_bonus = replace(
        plain, decided_by=by, bonus=bonus, unit="mm", lower=None, upper=LIMIT_MM,
        accept_lower=None, accept_upper=bounds.accept_upper, why=kept,
    )  # fmt: skip
    assert reason(with_bonus) == (
        "0.0100 mm is in the conformity zone, up to 0.1064; 0.0097 mm of it by the size 4, which scan-1 gave (run R7)"
    )


def test_a_correction_is_told_to_the_second_digit_of_its_uncertainty(rejected):
    warm = Correction(
        kind="temperature",
        name="part at 23.4 °C",
        amount=Decimal("-0.00197831254"),
        u=Decimal("0.000146271"),
    )
    assert corrected(warm, "mm") == "part at 23.4 °C -0.00198 mm (u = 0.00015 mm)"
    declared = Correction(
        kind="offset", name="touch-1 to reference", amount=Decimal("-0.0012"), u=Decimal("0.0004")
    )
    assert corrected(declared, "mm") == "touch-1 to reference -0.0012 mm (u = 0.0004 mm)"
    by = replace(rejected.findings[0].decided_by, raw=62.021234567891, expanded_u=Decimal("0.004"))
    assert raw_value(by) == "62.0212"
    assert raw_value(replace(by, raw=None)) == ""
    assert raw_value(replace(by, raw=-0.00001)) == "0"
    assert corrected(replace(warm, amount=Decimal("-0.000001")), "mm").startswith(
        "part at 23.4 °C +0.00000 mm"
    )

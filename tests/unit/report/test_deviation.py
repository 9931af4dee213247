"""Where a value stands in the picture of its characteristic."""

from decimal import Decimal
from xml.etree import ElementTree as ET

import pytest

from supervisor.cell.value import replace
from supervisor.report.deviation import ONE_SIDED_SHARE, picture
from supervisor.report.svg import svg
from supervisor.verdict.record import Evidence, Finding

BY = Evidence(
    value=20.0105,
    unit="mm",
    quality="good",
    expanded_u=Decimal("0.002"),
    k=Decimal(2),
    station="touch-1",
    program="body",
    program_revision="7",
    run_id="R1",
    result_id="touch-1/R1",
    measured_ms=0,
)
BORE = Finding(
    number="1",
    name="bore",
    kind="diameter",
    unit="mm",
    nominal=Decimal(20),
    lower=Decimal("20.000"),
    upper=Decimal("20.021"),
    accept_lower=Decimal("20.00165"),
    accept_upper=Decimal("20.01935"),
    need="mandatory",
    verdict="conforming",
    why="it is in the conformity zone",
    decided_by=BY,
    monitored_by=(replace(BY, value=20.0),),
)
FLATNESS = replace(
    BORE,
    kind="flatness",
    nominal=Decimal(0),
    lower=None,
    upper=Decimal("0.02"),
    accept_lower=None,
    accept_upper=Decimal("0.018"),
)
WALL = replace(
    BORE, nominal=Decimal("2.2"), lower=Decimal("1.9"), upper=None, accept_upper=None,
    accept_lower=Decimal("1.91"), decided_by=replace(BY, value=2.2), monitored_by=(),
)  # fmt: skip


def test_the_tolerance_takes_three_fifths_and_its_middle_is_in_the_middle():
    found = picture(BORE)
    assert (found.lower, found.upper) == pytest.approx((0.2, 0.8))
    assert found.decided.at == pytest.approx(0.5)
    assert found.decided.high - found.decided.low == pytest.approx(0.6 * 0.004 / 0.021)
    assert found.monitors[0].at == pytest.approx(0.2)
    assert found.lower < found.sure_from < found.sure_to < found.upper


def test_a_form_begins_at_zero():
    found = picture(replace(FLATNESS, decided_by=replace(BY, value=0.0)))
    assert (found.lower, found.upper) == (None, ONE_SIDED_SHARE)
    assert (found.decided.at, found.decided.low) == (0.0, 0.0)


@pytest.mark.parametrize(("value", "side", "at"), [(19.9, "left", 0.0), (21.0, "right", 1.0)])
def test_a_value_far_off_stands_at_the_edge_and_says_so(value, side, at):
    found = picture(replace(BORE, decided_by=replace(BY, value=value)))
    assert (found.decided.beyond, found.decided.at) == (side, at)


def test_without_a_limit_there_is_no_picture():
    assert picture(replace(BORE, lower=None, upper=None)) is None
    assert svg(None, "nothing") == ""


def test_one_limit_leaves_the_nominal_in_the_middle_of_what_is_allowed():
    found = picture(WALL)
    assert (found.lower, found.upper) == (pytest.approx(1 - ONE_SIDED_SHARE), None)
    assert found.decided.at == pytest.approx((1 + found.lower) / 2)
    assert found.lower < found.sure_from < found.decided.at

    below = replace(WALL, lower=None, upper=Decimal("2.5"), accept_upper=Decimal("2.49"))
    found = picture(replace(below, accept_lower=None))
    assert (found.lower, found.upper) == (None, pytest.approx(ONE_SIDED_SHARE))
    assert found.decided.at == pytest.approx(found.upper / 2), "a size is not drawn from zero"


def test_a_nominal_that_is_the_limit_is_drawn_in_uncertainties():
    by = replace(BY, value=1.905)
    found = picture(replace(WALL, nominal=Decimal("1.9"), decided_by=by))
    assert found.decided.high - found.decided.low == pytest.approx(0.075 * 2)
    assert found.lower < found.decided.at < 1.0
    assert picture(replace(WALL, nominal=Decimal("1.9"), decided_by=None)) is None


def test_without_a_value_the_limits_still_show():
    found = picture(replace(BORE, decided_by=None, monitored_by=(replace(BY, value=None),)))
    assert found.decided is None
    assert found.monitors == ()
    assert found.upper is not None


def test_a_drawing_is_well_formed_and_takes_words_as_words():
    drawn = ET.fromstring(svg(picture(BORE), 'x < 5 & "y"'))
    assert drawn[0].text == 'x < 5 & "y"'
    kinds = [each.get("class") for each in drawn[1:]]
    assert kinds.count("limit") == 2
    assert kinds.count("zone") == 1
    assert [k for k in kinds if k in ("decided", "monitor")][-1] == "decided"  # on top
    assert "style" not in svg(picture(BORE), "")


def test_an_empty_conformity_zone_is_not_drawn():
    narrow = replace(BORE, accept_lower=Decimal("20.015"), accept_upper=Decimal("20.006"))
    assert 'class="zone"' not in svg(picture(narrow), "")

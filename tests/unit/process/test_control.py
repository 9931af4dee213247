"""Control charts over records: limits from the base period, rules after it, capability only where it is stable."""

import math

import pytest

from supervisor.cell.value import replace
from supervisor.process.control import control_chart
from supervisor.process.series import one_per_part
from supervisor.report.chart import chart_svg
from tests.unit.process.shop import BORE, SD, Shop, body


def chart_of(shop, characteristic=BORE):
    return control_chart(shop.part_type, characteristic, one_per_part(shop.records))


def test_a_stable_process_has_a_capability_with_its_bound():
    shop = Shop(seed=3)
    shop.make(124)
    chart = chart_of(shop)
    assert (chart.stable, chart.signals) == ("yes", ())
    index = chart.capability
    assert (index.name, index.how, index.count) == ("capability", "normal", 120)
    # T = 20 standard deviations of the process, measured with an uncertainty of a quarter of one: 20 / (6 sqrt(1 + 1/16))
    assert index.whole == pytest.approx(3.23, rel=0.2)
    assert index.least_bound < index.least <= index.whole


def test_after_a_shift_it_is_performance_and_rules_and_average_say_where():
    shop = Shop(seed=3)
    shop.make(64)
    shop.shift = 2 * SD
    shop.make(60)
    chart = chart_of(shop)
    assert (chart.stable, chart.capability.name) == ("no", "performance")
    assert min(s.at for s in chart.signals) >= 60
    assert 60 <= chart.ewma_signal <= 70


def test_limits_come_from_the_base_period_alone():
    shop = Shop(seed=3)
    shop.make(40)
    before = chart_of(shop).chart
    shop.shift = 5 * SD
    shop.make(20)
    assert chart_of(shop).chart == before


def test_too_few_values_have_neither_limits_nor_index_and_say_so():
    shop = Shop()
    shop.make(20)
    chart = chart_of(shop)
    assert (chart.chart, chart.capability, chart.stable) == (None, None, "not known")
    assert "there are 16 of the 25 values" in chart.why


def test_what_cannot_be_negative_has_an_index_by_quantiles_without_a_bound():
    form = replace(BORE, natural_limit="zero", lower=None, answers=(), target=None)
    shop = Shop(seed=3)
    shop.make(124)
    chart = control_chart(body(), form, one_per_part(shop.records))
    assert (chart.capability.how, chart.capability.least_bound) == ("quantiles", None)


def test_what_is_skewed_has_an_index_by_quantiles_that_sees_its_long_tail():
    shop = Shop(seed=3)
    shop.make(304)
    chart = chart_of(shop)
    values = [point.value for point in chart.points]
    middle, highest = sum(values) / len(values), max(values)
    by_serial = {
        p.serial: middle + SD * math.expm1(1.2 * (p.value - middle) / SD) for p in chart.points
    }  # lognormal
    shop.records = [skewed(r, by_serial.get(r.serial, middle)) for r in shop.records]
    index = chart_of(shop).capability
    assert (index.how, index.least_bound) == ("quantiles", None)
    assert index.least < chart.capability.least / 2
    assert max(by_serial.values()) > highest


def skewed(record, number):
    finding = record.findings[0]
    by = replace(finding.decided_by, value=number)
    return replace(record, findings=(replace(finding, decided_by=by), *record.findings[1:]))


def test_the_picture_tells_signals_by_shape_and_lines_by_dashes():
    shop = Shop(seed=3)
    shop.make(64)
    shop.shift = 6 * SD
    shop.make(10)
    picture = str(chart_svg(chart_of(shop)))
    assert picture.count("<rect") == len({s.at for s in chart_of(shop).signals})
    assert picture.count("<circle") == len(chart_of(shop).points)
    assert 'stroke-dasharray="7 5"' in picture
    assert "upper limit 62.02" in picture
    assert str(chart_svg(control_chart(body(), BORE, ()))) == ""


def test_a_serial_number_cannot_bring_markup_into_the_picture():
    shop = Shop(seed=3)
    shop.make(40)
    shop.records = [
        replace(r, serial="<script>") if n == 3 else r for n, r in enumerate(shop.records)
    ]
    assert "<script>" not in str(chart_svg(chart_of(shop)))

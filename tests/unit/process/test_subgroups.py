"""Charts of subgroups and cumulative sums over records: what they find, where their limits come from."""

from statistics import fmean, stdev

import pytest

from supervisor.cell.value import replace
from supervisor.process.control import CUSUM_ALLOWANCE, CUSUM_LIMIT, Grouping, control_chart
from supervisor.process.series import one_per_part
from supervisor.process.subgroups import subgroups
from supervisor.report.chart import chart_svg, cusum_svg, subgroups_svg
from supervisor.statistics import run_length
from tests.unit.process.shop import BORE, SD, Shop

FIVE = Grouping(size=5, by="range")


def chart_of(shop, grouping=FIVE):
    return control_chart(
        shop.part_type, BORE, one_per_part(shop.records), "western electric", grouping
    )


@pytest.fixture(scope="module")
def stable():
    """A process that stays where it is: 204 made, the newest 4 still queued."""
    shop = Shop(seed=3)
    shop.make(204)
    return shop


@pytest.mark.parametrize(
    ("size", "by", "factor"),
    # A2 and A3 for n = 2 and 5, NIST/SEMATECH e-Handbook 6.3.2.1 and ISO 7870-2 (from memory), three digits
    [(2, "range", 1.880), (5, "range", 0.577), (2, "deviation", 2.659), (5, "deviation", 1.427)],
)
def test_means_have_the_printed_factors_times_the_mean_spread_of_the_first_twenty(
    stable, size, by, factor
):
    chart = chart_of(stable, Grouping(size=size, by=by))
    values = [point.value for point in chart.points]
    base = [values[at : at + size] for at in range(0, 20 * size, size)]
    spread = fmean(max(g) - min(g) if by == "range" else stdev(g) for g in base)
    found = chart.subgroups
    assert found.means.centre == pytest.approx(fmean(map(fmean, base)))
    assert found.means.upper - found.means.centre == pytest.approx(factor * spread, rel=5e-4)
    assert found.spreads.centre == pytest.approx(spread)


def test_the_upper_limit_of_ranges_is_the_printed_factor_times_their_mean(stable):
    found = chart_of(stable).subgroups
    # D4 = 2.114 and D3 = 0 for n = 5, same source
    assert found.spreads.upper == pytest.approx(2.114 * found.spreads.centre, rel=5e-4)
    assert found.spreads.lower == 0.0


def test_every_part_is_in_one_subgroup_in_the_order_of_making_and_the_rest_waits(stable):
    points = chart_of(stable).points[:198]
    found = subgroups(points, 5, "range", "western electric")
    assert [s for g in found.groups for s in g.serials] == [p.serial for p in points[:195]]
    assert found.waiting == 3


def test_a_shift_of_one_and_a_half_standard_deviations_is_found_by_means_and_sums_soon():
    shop = Shop(seed=3)
    shop.make(104)
    shop.shift = 1.5 * SD
    shop.make(60)
    chart = chart_of(shop)
    before = [s.at for s in chart.subgroups.signals if s.at < 20]
    after = [s.at for s in chart.subgroups.signals if s.at >= 20]
    assert len(before) <= 1  # about one in 90 subgroups of a stable process
    assert after[0] <= 23
    assert 100 <= chart.cusum_signal <= 112
    upper, lower = chart.cusum[-1]
    assert upper > chart.cusum_limit > lower


def test_a_spread_that_grows_is_found_by_ranges_and_deviations():
    for by in ("range", "deviation"):
        shop = Shop(seed=3)
        shop.make(104)
        points = chart_of(shop).points
        middle = fmean(p.value for p in points)
        wide = [replace(p, value=middle + 4 * (p.value - middle)) for p in points[:10]]
        found = subgroups([*points, *wide], 5, by, "limits only")
        assert {s.at for s in found.spread_signals} & {20, 21}, by
        assert not [s for s in found.spread_signals if s.at < 20]


def test_the_false_alarms_of_the_sums_are_those_of_theory():
    # Lucas and Crosier 1982, table 1 (from memory): k = 0.5, h = 5: 465 without a shift, 10.4 with one of 1
    found = [
        run_length.cusum(shift, allowance=CUSUM_ALLOWANCE, limit=CUSUM_LIMIT) for shift in (0, 1)
    ]
    assert found == [pytest.approx(465, abs=1), pytest.approx(10.4, abs=0.05)]


def test_too_few_subgroups_have_no_limits_and_say_so():
    shop = Shop(seed=3)
    shop.make(64)
    found = chart_of(shop).subgroups
    assert (found.means, found.spreads, found.signals) == (None, None, ())
    assert found.why == "there are 12 of the 20 subgroups that limits need"


def test_pictures_are_drawn_of_means_spreads_and_sums_with_a_square_where_a_rule_fired():
    shop = Shop(seed=3)
    shop.make(124)
    shop.shift = 4 * SD
    shop.make(20)
    chart = chart_of(shop)
    means = str(subgroups_svg(chart, "means"))
    assert means.count("<circle") == len(chart.subgroups.groups)
    assert means.count("<rect") == len({s.at for s in chart.subgroups.signals}) > 0
    assert str(subgroups_svg(chart, "spreads")).count("<circle") == len(chart.subgroups.groups)
    assert str(cusum_svg(chart)).count("<polyline") == 2
    assert str(cusum_svg(chart)).count("<rect") == 1
    assert str(subgroups_svg(chart_of(shop, None), "means")) == ""
    assert str(chart_svg(chart)) == str(chart_svg(chart_of(shop, None)))

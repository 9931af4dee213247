"""The small picture of a reference value's checks: where its points lie, and that it reads without colour."""

from xml.etree import ElementTree as ET

from supervisor.report.trend_svg import HEIGHT, RUNS_MAX, WIDTH, TrendPoint, trend_svg


def points(*ens):
    return [TrendPoint(en=en, outcome="good" if abs(en) <= 1 else "missed") for en in ens]


def drawn(*ens):
    return ET.fromstring(trend_svg(points(*ens), "x"))


def test_found_is_a_dot_and_missed_a_diamond_on_the_right_side_of_the_lines():
    picture = drawn(0.0, 0.5, -0.5, 1.2)
    upper, zero, lower = (float(each.get("y1")) for each in picture.findall("line"))
    assert upper < zero < lower
    found = [float(each.get("cy")) for each in picture.findall("circle")]
    assert found[0] == zero
    assert upper < found[1] < zero < found[2] < lower
    (missed,) = picture.findall("polygon")
    tops = [float(each.split(",")[1]) for each in missed.get("points").split()]
    assert sum(tops) / 4 < upper


def test_the_newest_runs_stand_on_the_right_and_only_so_many():
    xs = [float(each.get("cx")) for each in drawn(*[0.1] * (RUNS_MAX + 9)).findall("circle")]
    assert len(xs) == RUNS_MAX
    assert xs == sorted(xs)
    (alone,) = drawn(0.1).findall("circle")
    assert float(alone.get("cx")) == xs[-1]


def test_what_lies_far_off_stands_at_the_edge():
    (mark,) = drawn(40.0).findall("polygon")
    for corner in mark.get("points").split():
        x, y = map(float, corner.split(","))
        assert 0 <= x <= WIDTH
        assert 0 <= y <= HEIGHT


def test_nothing_is_drawn_of_nothing_and_a_title_is_words():
    assert trend_svg([], "x") == ""
    assert ET.fromstring(trend_svg(points(0.1), "<b>&"))[0].text == "<b>&"

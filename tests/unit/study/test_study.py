"""A study: the same in any number of processes, plausible, and shown whole."""

import html.parser
import json
import re
from dataclasses import replace as changed
from io import StringIO

import pytest
from rich.console import Console

from simulators.bench.scenarios import small_cell
from simulators.bench.study.charts import breakable
from simulators.bench.study.estimate import estimate
from simulators.bench.study.page import page
from simulators.bench.study.play import play
from simulators.bench.study.run import Study, study
from simulators.bench.study.text import headline, show
from simulators.bench.study.wishes import Wishes, variants
from supervisor.cell.value import replace

ONLY_RINGS = {"cam-ring": 1.0, "port-plate": 0.0, "pump-body": 0.0}


def studied(*what_if: str, processes: int = 1, **wishes: object) -> Study:
    asked = Wishes(cell=small_cell(), **{"hours": 1.5, "mix": ONLY_RINGS, **wishes})
    return study(variants(asked, list(what_if)), (1, 2, 3), processes, lambda _done, _all: None)


@pytest.fixture(scope="module")
def doubled() -> Study:
    return studied("stations.touch-1=2", "stations.touch-1.failures=2")


def test_the_interval_is_students():
    """t(0.975; 4) = 2.776 (NIST/SEMATECH e-Handbook, table 1.3.6.7.2; from memory)."""
    found = estimate([1.0, 2.0, 3.0, 4.0, 5.0])
    assert found.mean == 3.0
    assert found.half_width == pytest.approx(2.776 * 2.5**0.5 / 5**0.5, rel=2e-4)
    assert estimate([7.0]).half_width is None


def test_an_interval_is_never_told_as_plus_or_minus_nothing():
    """Two shifts with 29 parts each were told as "14.5 ± 0.0", three that differ by seconds as "33 ± 0" minutes."""
    assert estimate([14.5, 14.5]).text(1) == "14.5"
    assert estimate([0.1 + 0.2, 0.3]).text(1) == "0.3"
    assert estimate([32.9, 33.0, 33.1]).text(0) == "33 ± 0.2"
    assert estimate([0.0310, 0.0311, 0.0312]).text(1, factor=100) == "3.1 ± 0.02"
    assert estimate([14.0, 15.0]).text(1) == "14.5 ± 6.4"


def test_few_seeds_are_told_as_few(doubled):
    few, enough = (changed(doubled, seeds=tuple(range(1, count))) for count in (3, 6))
    assert "2 seeds, which tell little of chance: more with --seeds; ± is" in told(few)
    assert "5 seeds; ± is 95 % confidence." in told(enough)


def told(found: Study, width: int = 110) -> str:
    console = Console(width=width, file=StringIO())
    show(console, found)
    return console.file.getvalue()


@pytest.mark.parametrize("width", [80, 110])
def test_no_number_of_a_change_is_broken_in_two(doubled, width):
    """ "stations.touch-1.repair=3" stood above "0"."""
    name = "stations.touch-1.failures=0.25 stations.touch-1.repair=30 rack.places=8"
    named = changed(doubled.findings[1], name=name)
    text = told(changed(doubled, findings=(doubled.findings[0], named)), width)
    table = text[text.index("What a change") :].splitlines()
    column = [line.split("│")[1].rstrip() for line in table if line.startswith("│")]
    lines = column[column.index("as declared") + 1 :]
    for value in ("=0.25", "=30", "=8"):
        assert sum(f"{value} " in f"{line} " for line in lines) == 1
    assert "".join(lines).replace(" ", "") == name.replace(" ", "")
    assert all(len(line) <= width for line in table)


def test_the_station_with_the_most_work_sets_the_throughput(doubled):
    """Each ring takes touch-1 240 s, a change of pallets by swap 7 s and the parking of its axes at least."""
    declared = doubled.findings[0]
    assert declared.busiest == "touch-1"
    assert 0.9 * 3_600 / 247 < declared.throughput_per_h.mean < 3_600 / 247


def test_a_second_station_at_the_bottleneck_nearly_doubles_it(doubled):
    gain = doubled.findings[1].gain
    assert gain is not None
    assert 0.7 < gain.mean <= 1.05
    assert gain.certain()


def test_faults_cost_throughput_and_show_as_held(doubled):
    declared, _, failing = doubled.findings
    held = {each.station: each.shares["held"] for each in failing.stations}
    assert held["touch-1"] > 0.1
    assert held["scan-1"] == 0.0
    assert failing.throughput_per_h.mean < declared.throughput_per_h.mean


def test_shares_of_every_station_add_up(doubled):
    for finding in doubled.findings:
        for station in finding.stations:
            assert sum(station.shares.values()) == pytest.approx(1.0)
        assert sum(finding.handler.values()) == pytest.approx(1.0)


def test_a_given_number_of_pallets_ends_the_shift_when_all_are_done():
    figures = play(Wishes(cell=small_cell(), hours=8.0, pallets=5), 3)
    assert figures.parts_out == figures.parts_in == 5
    assert figures.looked_ms < 3_600_000


def test_a_part_counts_as_come_in_before_anything_is_done_with_it():
    """A rack of pallets that had just come in was one part in the figures: the one with a finished run."""
    figures = play(Wishes(cell=small_cell(), hours=0.05, mix=ONLY_RINGS), 3)
    rack = sum(place.kind == "rack" for place in small_cell().places)
    assert figures.parts_in >= rack > len(figures.work.parts)


def test_where_pallets_wait_is_said_as_the_cell_is_declared(doubled):
    def fed(*kinds: str) -> Study:
        out = [p for p in small_cell().places if p.kind == "outfeed"]
        come_in = [p for p in small_cell().places if p.kind == "rack"]
        come_in = [replace(p, kind=kind) for p, kind in zip(come_in, kinds, strict=False)]
        cell = replace(small_cell(), places=(*come_in, *out))
        asked = Wishes(cell=cell, hours=0.25, mix=ONLY_RINGS)
        return study(variants(asked, []), (1,), 1, lambda _done, _all: None)

    for found, room, waits in (
        (doubled, "rack", "in the rack"),
        (fed("infeed", "infeed"), "infeed", "at the infeed"),
        (fed("infeed", "rack"), "infeed", "at the infeed and in the rack"),
    ):
        shown = page(found)
        assert found.supply == f"pallets are brought whenever the {room} has room"
        assert f" {waits.capitalize()} " in headline(found)[-1]
        assert f"<h2>Pallets waiting {waits}</h2>" in shown
        assert f"Pallets waiting {waits} over time" in shown


def test_arrivals_that_are_slow_leave_stations_waiting_for_pallets():
    slow = studied(every_s=1_200.0).findings[0]
    touch = next(each for each in slow.stations if each.station == "touch-1")
    assert touch.shares["waiting for pallet"] > 0.6
    assert slow.gap is not None
    assert slow.gap_as_they_came is not None
    assert slow.gap.mean > 1.0  # most of the time nothing was there to measure ...
    assert slow.gap_as_they_came.mean < 0.1  # ... which is not for want of routing


def test_more_processes_change_no_figure():
    alone = studied("handler.jaws=1", hours=0.5)
    assert studied("handler.jaws=1", hours=0.5, processes=2) == alone
    json.dumps(alone.as_json(), allow_nan=False)


class _Reader(html.parser.HTMLParser):
    """What a page would fetch or run."""

    def __init__(self) -> None:
        super().__init__()
        self.fetched: list[str] = []
        self.titles = 0

    def handle_starttag(self, tag, attrs):
        names = dict(attrs)
        if tag in ("script", "link", "img", "iframe", "object") or "src" in names:
            self.fetched.append(tag)
        self.fetched += [name for name in names if name.startswith("on") or name.endswith("href")]
        self.titles += tag == "title"


def test_the_page_fetches_nothing_runs_nothing_and_escapes_names(doubled):
    named = changed(doubled, title="<script>rings</script> & plates")
    text = page(named)
    reader = _Reader()
    reader.feed(text)
    assert reader.fetched == []
    assert reader.titles > 3
    assert "&lt;script&gt;rings&lt;/script&gt; &amp; plates" in text
    for finding in doubled.findings:
        assert finding.name in text.replace("<wbr>", "")


def test_every_chart_is_drawn_for_a_sheet_and_for_a_telephone(doubled):
    """The one for a sheet, shrunk to a telephone, had letters of five pixels."""
    text = page(doubled)
    wide, narrow = (
        re.findall(rf'<svg class="{kind}" viewBox="0 0 (\d+) .*?</svg>', text, re.DOTALL)
        for kind in ("wide", "narrow")
    )
    assert len(wide) == len(narrow) == 3
    assert {int(width) for width in narrow} == {380}
    for drawing in re.findall(r'<svg class="narrow".*?</svg>', text, re.DOTALL):
        places = [float(x) for x in re.findall(r'<text x="([-\d.]+)"', drawing)]
        assert all(0 <= x <= 380 for x in places)


def test_a_column_breaks_the_name_of_a_variant_between_words():
    assert breakable("stations.touch-1.failures=0.25 due.a<b=1") == (
        "stations.<wbr>touch-1.<wbr>failures<wbr>=0.25 due.<wbr>a&lt;b<wbr>=1"
    )

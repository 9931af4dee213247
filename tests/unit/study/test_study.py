"""A study: the same in any number of processes, plausible, and shown whole."""

import html.parser
import json
from dataclasses import replace as changed

import pytest

from simulators.bench.scenarios import small_cell
from simulators.bench.study.estimate import estimate
from simulators.bench.study.page import page
from simulators.bench.study.play import play
from simulators.bench.study.run import Study, study
from simulators.bench.study.text import headline
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
        assert finding.name in text

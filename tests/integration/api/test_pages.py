"""The pages as a browser gets them: whole without script, nothing from elsewhere, nothing unescaped."""

import re
from html.parser import HTMLParser

import httpx
import pytest

from supervisor.api.link_view import UNKNOWN
from supervisor.api.service import create_service
from supervisor.cell.value import replace
from supervisor.core.events import StationObserved
from supervisor.shell.ports import Published
from supervisor.web.pages import add_pages
from supervisor.web.rendering import Templates, measured

MARKUP = '<img src=x onerror="alert(1)">'


class Outline(HTMLParser):
    """What a page loads, and every tag and attribute that it has."""

    def __init__(self, html):
        super().__init__()
        self.tags, self.loads, self.attributes = [], [], []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [name for name, _ in attrs]
        self.loads += [value for name, value in attrs if name in ("src", "href") and tag != "a"]


async def page(cell, address="/"):
    answer = await cell.client.get(address)
    assert answer.status_code == 200, answer.text
    return answer


PAGES = ["/", "/docs"]


@pytest.mark.parametrize("address", PAGES)
async def test_a_page_loads_nothing_from_elsewhere_and_runs_nothing_inline(cell, address):
    answer = await page(cell, address)
    outline = Outline(answer.text)
    assert all(load.startswith("/static/") for load in outline.loads)
    assert outline.tags.count("script") == sum(load.endswith(".js") for load in outline.loads)
    assert "style" not in outline.tags
    assert "style" not in outline.attributes
    assert not [name for name in outline.attributes if name.startswith("on")]
    policy = answer.headers["content-security-policy"]
    assert policy.split("; ")[0] == "default-src 'self'"
    assert "unsafe" not in policy


@pytest.mark.parametrize(
    "address",
    ["/static/pointsman.css", "/static/pointsman.js", "/static/pointsman.svg", "/favicon.ico"],
)
async def test_what_a_page_loads_is_there(cell, address):
    await page(cell, address)


async def test_the_page_shows_stations_places_pallets_and_records_without_script(connected):
    html = (await page(connected)).text
    for station in connected.past.cell.stations:
        assert f'id="station-{station.station}"' in html
    for place in connected.past.cell.places:
        assert f'id="place-{place.place}"' in html
    for pallet in connected.state().pallets:
        assert pallet in html
    for serial in connected.past.serials:
        assert f"/parts/{serial}?part_type=" in html
    assert re.search(r'id="as-of">\d\d:\d\d:\d\d<', html)
    assert 'id="speed"' not in html


def test_the_page_says_when_its_clock_is_not_the_one_on_the_wall():
    content = {"title": "", "boot": "", "picture": "", "as_of": "12:00:00"}
    shown = Templates().render("cell.html", **content, speed=60.0)
    assert "simulated, 60 × real time" in shown


async def test_a_hold_shows_with_a_button_for_each_answer(cell):
    hold = await cell.hold("scan-1")
    html = (await page(cell)).text
    assert f'data-post="/api/v1/holds/{hold}/release"' in html
    assert "{&#34;answer&#34;: &#34;clear&#34;}" in html


async def test_what_a_station_says_is_shown_as_text(cell):
    """A station's run id is foreign text; a person reads it in the hold."""
    before = cell.state().stations["scan-1"]
    seen = StationObserved(
        station="scan-1", source_ms=before.source_ms + 1, boot="2", link="up", mode="automatic",
        door="closed", nest="occupied", work="running", run_id=MARKUP, serial="", program=MARKUP,
        counter=1, gate=MARKUP,
    )  # fmt: skip
    await cell.tell(seen)
    html = (await page(cell)).text
    assert "onerror=&#34;alert(1)&#34;" in html
    assert "img" not in Outline(html).tags


async def test_a_pallet_with_markup_for_a_name_is_shown_as_text(connected):
    state = connected.state()
    name, pallet = next(iter(state.pallets.items()))
    odd = replace(pallet, pallet=MARKUP, serial=MARKUP, batch=MARKUP)
    pallets = {**{n: p for n, p in state.pallets.items() if n != name}, MARKUP: odd}
    published = connected.lookout.published
    head = replace(published.head, seq=published.head.seq + 1)
    connected.lookout.publish(
        Published(state=replace(state, pallets=pallets), head=head, entries=(), choices=())
    )
    html = (await page(connected)).text
    assert "&lt;img src=x" in html
    assert "img" not in Outline(html).tags


async def test_the_page_of_a_part_begins_with_its_verdict(cell):
    serial = cell.past.serials[0]
    html = (await page(cell, f"/parts/{serial}")).text
    verdict = cell.store.records.latest(serial).record.verdict
    assert html.index(f">{verdict}<") < html.index("<table")
    outline = Outline(html)
    assert outline.tags.count("tr") == 1 + len(cell.store.records.latest(serial).record.findings)


async def test_the_page_of_a_part_has_a_picture_for_each_characteristic_with_limits(cell):
    serial = cell.past.serials[0]
    html = (await page(cell, f"/parts/{serial}")).text
    findings = cell.store.records.latest(serial).record.findings
    assert html.count('<svg class="deviation"') == len(
        [f for f in findings if (f.lower, f.upper) != (None, None)]
    )
    assert f"/api/v1/parts/{serial}/sheet" in html


async def test_a_measured_value_is_shown_to_the_place_of_its_uncertainty(cell):
    """Two digits of U, the value to the same place: JCGM 100:2008, 7.2.6."""
    serial = cell.past.serials[0]
    record = (await cell.client.get(f"/api/v1/parts/{serial}")).json()
    html = (await page(cell, f"/parts/{serial}")).text
    wanted = [shown for shown in map(expected, record["findings"]) if shown]
    assert wanted
    assert [shown for shown in wanted if f">{shown} ± " not in html] == []
    assert measured(None) == "–"


def expected(finding):
    evidence = finding["decided_by"]
    if evidence is None or evidence["value"] is None:
        return ""
    places = {0.0012: 4, 0.0018: 4, 0.01: 3, 0.012: 3, 0.06: 3}.get(evidence["expanded_u"])
    return "" if places is None else f"{evidence['value']:.{places}f}"


async def test_a_part_without_a_record_gets_a_page_that_says_so(cell):
    answer = await cell.client.get("/parts/absent")
    assert answer.status_code == 404
    assert answer.headers["content-type"].startswith("text/html")
    assert "there is no record of part absent" in answer.text


async def test_the_reference_lists_every_operation(cell):
    html = (await page(cell, "/docs")).text
    document = (await cell.client.get("/api/v1/openapi.json")).json()
    for path, methods in document["paths"].items():
        for method in methods:
            assert f"<code>{method.upper()} {path}</code>" in html


async def test_before_the_first_state_the_page_says_that_it_starts(cell):
    app = cell.client._transport.app
    app.state.sources.lookout._published = None
    html = (await page(cell)).text
    assert "starting" in html
    answer = await cell.client.get("/api/v1/cell")
    assert (answer.status_code, answer.json()["code"]) == (503, 34)


async def test_how_a_station_is_connected_stands_on_the_page(cell):
    words = "not signed and not encrypted"
    links = dict.fromkeys(
        cell.sources.links(), UNKNOWN.model_copy(update={"security": words, "link": "up"})
    )
    app = create_service(replace(cell.sources, links=lambda: links), reach="this machine")
    add_pages(app)
    transport = httpx.ASGITransport(app)
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
        shown = (await client.get("/")).text
    assert shown.count(f"connection {words}") >= 4

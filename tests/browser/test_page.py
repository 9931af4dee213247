"""A person at the page: it lives, it says when it does not, it takes an answer, and it talks to nobody else.

Rules of this file: a real process, a real browser. Any message in the browser's console and any request elsewhere is a failure.
"""

import json
import os
import signal
import subprocess
import sys
import threading
import urllib.request
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import expect, sync_playwright

from simulators.bench.parts import pallets_for, physics_of
from simulators.bench.trial import START_MS, finish
from simulators.bench.world import World
from supervisor.cell.canonical import cell_to_json
from supervisor.cell.load import load_cell
from supervisor.stations.walk_protocol import Observation, Protocol, Step, Subject, as_html
from supervisor.store import open_store

pytestmark = [pytest.mark.browser, pytest.mark.timeout(180)]

START_S_MAX = 90
PARTS = 6
SMALL_TELEPHONE_PX = 360
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]


CELL = "deploy/cells/vane-pumps"


@contextmanager
def serving(repository, folder):
    """A supervisor of the example cell on the journal in a folder, its machines switched off: (process, address)."""
    command = [sys.executable, "-m", "supervisor", "serve", str(repository / CELL)]
    command += ["--database", str(folder / "cell.db"), "--port", "0", "--json"]
    with (folder / "log.txt").open("w") as log:
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=log, text=True)
    too_long = threading.Timer(START_S_MAX, process.kill)
    too_long.start()
    try:
        said = json.loads(process.stdout.readline() or "{}")
        too_long.cancel()
        yield process, said["url"]
    finally:
        too_long.cancel()
        process.kill()
        process.communicate()


@pytest.fixture(scope="module")
def served(repository, tmp_path_factory):
    """A supervisor of the example cell whose machines are all switched off: (process, address)."""
    with serving(repository, tmp_path_factory.mktemp("served")) as found:
        yield found


@pytest.fixture(scope="module")
def page_of_a_part(repository, tmp_path_factory):
    """The address of a record that has something to say, in a cell with a past from the bench's modelled machines."""
    folder = tmp_path_factory.mktemp("past")
    cell = load_cell(repository / CELL).cell
    physics = physics_of(
        cell, pallets=pallets_for(cell, PARTS, 7), arrivals_ms=[0] * PARTS, bad_share=0.5
    )
    world = World(cell, physics, seed=7, start_ms=START_MS)
    finish(world, parts=PARTS)
    with open_store(f"{folder}/cell.db", durability="process-safe") as store:
        store.declarations.keep(cell.digest, cell_to_json(cell))
        store.journal.append(tuple(world.journal.entries))
    rejected = next(each for each in world.records if each.verdict == "nonconforming")
    with serving(repository, folder) as (_, address):
        yield f"{address}parts/{rejected.serial}"


@pytest.fixture(scope="module")
def browser(chromium: Path):
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=str(chromium), args=ARGUMENTS)
        yield opened
        opened.close()


@pytest.fixture
def page(browser, served):
    """The cell's page; afterwards nothing may have been said in the console or asked elsewhere."""
    _, address = served
    said, asked = [], []
    opened = browser.new_page(viewport={"width": 1600, "height": 1000})
    opened.on("console", lambda message: said.append(message.text))
    opened.on("pageerror", lambda error: said.append(str(error)))
    opened.on("request", lambda request: asked.append(request.url))
    opened.goto(address)
    yield opened
    opened.close()
    assert said == []
    assert [url for url in asked if not url.startswith(address)] == []


def post(address, path, body, key):
    headers = {"Content-Type": "application/json", "Idempotency-Key": key}
    request = urllib.request.Request(
        f"{address}{path}", data=json.dumps(body).encode(), headers=headers, method="POST"
    )
    with urllib.request.urlopen(request, timeout=10) as answer:
        return json.load(answer)


def want(address):
    with urllib.request.urlopen(f"{address}api/v1/cell", timeout=10) as answer:
        return json.load(answer)["want"]


def test_the_page_shows_every_station_with_symbol_and_word(page):
    for station in ("scan-1", "touch-1", "ct-1"):
        tile = page.locator(f"#station-{station}")
        expect(tile.locator(".state .word")).to_have_text("not connected")
        expect(tile.locator(".state .symbol")).to_have_text("✖")


def test_what_happens_shows_without_a_reload(page, served):
    _, address = served
    expect(page.locator("#mode-pause")).to_be_visible()
    post(address, "api/v1/cell/mode", {"mode": "pause", "by": "test"}, "live-1")
    expect(page.locator("#mode-run")).to_be_visible(timeout=3_000)
    post(address, "api/v1/cell/mode", {"mode": "run", "by": "test"}, "live-2")
    expect(page.locator("#mode-pause")).to_be_visible(timeout=3_000)


@pytest.mark.parametrize("path", ["", "process", "process/pump-body/3", "docs"])
def test_no_page_is_wider_than_a_telephone(page, served, path):
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto(served[1] + path)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


@pytest.mark.parametrize("table", ["shift", "pallets", "records"])
def test_what_the_cell_says_is_read_on_a_telephone_without_moving_a_table_sideways(page, table):
    page.set_viewport_size({"width": 390, "height": 844})
    seen = page.locator(f"#{table} .scroll")
    expect(seen).to_be_visible()
    assert seen.evaluate("each => each.scrollWidth - each.clientWidth") <= 0


@pytest.mark.parametrize("width", [390, SMALL_TELEPHONE_PX])
def test_on_a_telephone_places_without_a_pallet_stand_two_in_a_row_and_hold_their_words(
    page, width
):
    page.set_viewport_size({"width": width, "height": 844})
    rack = page.locator("#places .slots").first
    expect(rack).to_be_visible()
    lefts = rack.locator("li").evaluate_all(
        "each => each.map(e => Math.round(e.getBoundingClientRect().left))"
    )
    assert len(set(lefts)) == 2
    assert lefts[0] < lefts[1]
    spilt = page.locator("#places li").evaluate_all(
        "each => each.filter(e => e.scrollWidth > e.clientWidth).map(e => e.innerText)"
    )
    assert spilt == []


def test_the_record_of_a_part_is_read_on_a_small_telephone_without_moving_its_table_sideways(
    browser, page_of_a_part
):
    opened = browser.new_page(viewport={"width": SMALL_TELEPHONE_PX, "height": 780})
    opened.goto(page_of_a_part)
    table = opened.get_by_role("region", name="Characteristics")
    expect(table.locator("tbody tr").first).to_be_visible()
    assert table.evaluate("each => each.scrollWidth - each.clientWidth") <= 0
    assert opened.evaluate("document.documentElement.scrollWidth") <= SMALL_TELEPHONE_PX
    cut_off = table.evaluate(
        "each => [...each.querySelectorAll('td')].filter((e) => e.getBoundingClientRect().right > innerWidth).length"
    )
    assert cut_off == 0
    row = table.locator("tbody tr").first
    for name in ("No.", "Lower", "Upper", "Decided by"):
        cell = row.locator(f"td[data-name='{name}']")
        assert name in cell.evaluate("e => getComputedStyle(e, '::before').content")
    value = row.locator("td[data-unit]")
    assert "mm" in value.evaluate("e => getComputedStyle(e, '::after').content")
    opened.close()


def test_the_way_of_a_part_is_read_without_moving_its_table_and_with_each_time_in_one_line(
    browser, page_of_a_part
):
    """A time stood in four lines at a desk; on a telephone five of eight columns were out of sight."""
    way = page_of_a_part + "/way"
    for width in (1440, SMALL_TELEPHONE_PX):
        opened = browser.new_page(viewport={"width": width, "height": 900})
        opened.goto(way)
        table = opened.get_by_role("region", name="Steps")
        time = table.locator("tbody td").first
        expect(time).to_be_visible()
        assert table.evaluate("each => each.scrollWidth - each.clientWidth") <= 0
        line = time.evaluate("e => parseFloat(getComputedStyle(e).lineHeight)")
        assert time.evaluate("e => e.getBoundingClientRect().height") < 2 * line
        opened.close()


def test_an_acceptance_protocol_is_read_on_a_telephone_beside_the_station(browser):
    """Without a viewport a telephone lays it out for a desk, and shows letters of five pixels."""
    subject = Subject(
        cell="vane-pumps", revision="9f" * 32, station="scan-1", title="Optical scanner", url="opc.tcp://10.1.0.21:4840", profile="machine-vision",
        security="encrypted with a current policy", program="CR_CONTOUR, revision 7", boot="2025-11-25T09:00:00Z", supervisor="0.1.0",
        by="M. Weaver", how="with a person",
    )  # fmt: skip
    seen = Observation(at="2025-11-25T09:00:00.125Z", after_s=0.125, what="publishing interval granted", seen="urn:pointsman:" + "x" * 60)  # fmt: skip
    step = Step(
        name="connect", title="Start with an empty nest", expected="A start is refused.", verdict="passed", why="A long remark about it",
        began="2025-11-25T09:00:00Z", lasted_s=1.0, observations=(seen,),
    )  # fmt: skip
    made = Protocol(subject=subject, began=step.began, ended=step.began, steps=(step,))
    telephone = browser.new_context(
        viewport={"width": SMALL_TELEPHONE_PX, "height": 780}, is_mobile=True
    )
    opened = telephone.new_page()
    opened.set_content(as_html(made))
    assert opened.evaluate("innerWidth") == SMALL_TELEPHONE_PX
    assert opened.evaluate("document.documentElement.scrollWidth") <= SMALL_TELEPHONE_PX
    telephone.close()


def test_the_time_of_the_values_moves(page):
    shown = page.locator("#as-of")
    first = shown.inner_text()
    expect(shown).not_to_have_text(first, timeout=5_000)


def test_an_answer_needs_a_name_and_two_presses(page, served):
    _, address = served
    page.locator("#mode-pause").click()
    expect(page.locator("#said")).to_contain_text("Write your name first")
    expect(page.locator("#by")).to_be_focused()
    page.locator("#by").fill("M. Weaver")
    page.locator("#mode-pause").click()
    expect(page.locator("#mode-pause")).to_have_text("Press again: ■ Pause")
    assert want(address) == "run"
    page.locator("#mode-pause").click()
    expect(page.locator("#said")).to_contain_text("Taken at")
    expect(page.locator("#mode-run")).to_be_visible()
    assert want(address) == "pause"
    post(address, "api/v1/cell/mode", {"mode": "run", "by": "test"}, "name-1")


def test_the_page_is_used_by_keyboard(page, served):
    """From the top: skip link, brand, name, then the cell's button; Enter twice sends."""
    _, address = served
    page.locator("#by").focus()
    page.keyboard.type("M. Weaver")
    page.keyboard.press("Tab")
    expect(page.locator("#mode-pause")).to_be_focused()
    page.keyboard.press("Enter")
    page.keyboard.press("Enter")
    expect(page.locator("#mode-run")).to_be_visible()
    assert want(address) == "pause"
    post(address, "api/v1/cell/mode", {"mode": "run", "by": "test"}, "keys-1")


def test_a_name_that_is_typed_stays_while_the_page_lives(page, served):
    _, address = served
    page.locator("#by").fill("M. We")
    post(address, "api/v1/cell/mode", {"mode": "pause", "by": "test"}, "typed-1")
    expect(page.locator("#mode-run")).to_be_visible()
    expect(page.locator("#by")).to_have_value("M. We")
    expect(page.locator("#by")).to_be_focused()
    post(address, "api/v1/cell/mode", {"mode": "run", "by": "test"}, "typed-2")
    expect(page.locator("#mode-pause")).to_be_visible()


def test_silence_is_said_and_ends_by_itself(page, served):
    """A supervisor that stands still (not dead: the connection is open) must not look alive."""
    process, _ = served
    stale = page.locator("#stale")
    expect(stale).to_be_hidden()
    as_of = page.locator("#as-of").inner_text()
    os.kill(process.pid, signal.SIGSTOP)
    try:
        expect(stale).to_be_visible(timeout=6_000)
        expect(stale).to_contain_text("No news from the supervisor: all values are as of")
        expect(page.locator("#as-of")).to_be_visible()
    finally:
        os.kill(process.pid, signal.SIGCONT)
    expect(stale).to_be_hidden(timeout=6_000)
    expect(page.locator("#as-of")).not_to_have_text(as_of)


@pytest.mark.parametrize("width", [390, 1280, 1920])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_page_fits_and_its_text_is_large_enough(browser, served, width, scheme):
    """No sideways scrolling at any width; 16 px at least, and the state of a station readable from three metres (30 px)."""
    _, address = served
    opened = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
    opened.goto(address)
    assert opened.evaluate("document.documentElement.scrollWidth") <= width
    smallest = opened.evaluate(
        "Math.min(...[...document.body.querySelectorAll('*')]"
        ".filter((e) => e.checkVisibility() && e.innerText)"
        ".map((e) => parseFloat(getComputedStyle(e).fontSize)))"
    )
    assert smallest >= 16
    state = "getComputedStyle(document.querySelector('.tile .state')).fontSize"
    assert opened.evaluate(f"parseFloat({state})") >= 30
    buttons = opened.evaluate(
        "[...document.querySelectorAll('button, input')].map((e) => e.getBoundingClientRect().height)"
    )
    assert min(buttons) >= 44
    opened.close()


def test_the_reference_page_is_quiet_too(page, served):
    _, address = served
    page.goto(f"{address}docs")
    expect(page.locator("h1")).to_have_text("Interface")
    page.locator("summary").first.click()
    expect(page.locator("details[open] pre").first).to_be_visible()

"""Shift figures over REST: the same as the fold of the journal gives."""

import asyncio
import json
import subprocess
import sys

import pytest

from supervisor.api.schema import instant
from supervisor.api.shift_desk import SHIFT_MS, ShiftDesk, end_of_shift
from supervisor.api.shift_view import shift_view
from supervisor.cell.canonical import cell_to_json
from supervisor.core.decide import Core
from supervisor.shell.fold import Fold
from supervisor.shift.fold import ShiftFold
from supervisor.store import open_store
from supervisor.web.rendering import Templates
from supervisor.web.screen import Screen

BEGUN_MS = 1_764_000_000_000


def states(past):
    core = Core(past.cell)
    fold = Fold(lambda _: core)
    for entry in past.entries:
        fold.take(entry.event, entry.at_ms)
        yield fold.state, entry.at_ms


async def test_the_interface_tells_where_the_time_went_since_the_process_began(cell):
    view = (await cell.client.get("/api/v1/shift")).json()
    assert view["shift"] == "running"
    for station in view["stations"]:
        spent = {each["cause"]: each["time_s"] for each in station["spent"]}
        assert len(spent) == 9
    assert len({sum(e["time_s"] for e in s["spent"]) for s in view["stations"]}) == 1
    last = await cell.client.get("/api/v1/shift/last")
    assert last.status_code == 404
    assert "no shift has ended" in last.json()["detail"]


async def test_the_page_shows_the_shift(cell):
    async with asyncio.timeout(20):
        while "held 100%" not in await _row(cell, "touch-1"):  # noqa: ASYNC110 - a page has no event; no machine is connected here
            await asyncio.sleep(0.05)


@pytest.mark.parametrize("parts", [0, 1])
async def test_how_far_from_best_is_shown_once_a_part_is_out(cell, past, parts):
    desk = ShiftDesk(past.cell)
    for state, at_ms in states(past):
        desk.take(state, at_ms)
        figures = desk.bounded(desk.running(at_ms))
        if figures.bound and figures.parts_out == parts:
            break
    assert figures.gap() is not None
    picture = await Screen(cell.sources, Templates(), desk).picture()
    section = picture.html.partition('<section id="shift"')[2].partition("</section>")[0]
    assert f"<b>{parts}</b> part" in section
    assert ("The finished work took" in section, "Most work has" in section) == (parts > 0,) * 2


async def _row(cell, station: str) -> str:
    page = (await cell.client.get("/")).text
    section = page.partition('<section id="shift"')[2].partition("</section>")[0]
    return section.partition(f'id="shift-{station}"')[2].partition("</tr>")[0]


def test_the_desk_gives_what_the_fold_of_the_same_journal_gives(past):
    """One definition for study, journal and live cell."""
    desk, fold = ShiftDesk(past.cell), ShiftFold(past.cell)
    for state, at_ms in states(past):
        desk.take(state, at_ms)
        fold.take(state, at_ms)
    now_ms = past.entries[-1].at_ms + 5_000
    live = desk.running(now_ms)
    assert live is not None
    assert live.parts_out + len(live.work.parts) > 0
    assert desk.bounded(live) == fold.figures(now_ms)


def test_a_shift_ends_at_its_hour_and_the_next_begins_with_what_stands(past):
    """The past is moved so that a shift ends in its middle."""
    middle_ms = BEGUN_MS + 12 * 60_000
    by_ms = end_of_shift(middle_ms) - middle_ms
    desk, whole = ShiftDesk(past.cell), ShiftFold(past.cell)
    for state, at_ms in states(past):
        desk.take(state, at_ms + by_ms)
        whole.take(state, at_ms + by_ms)
    now_ms = past.entries[-1].at_ms + by_ms
    last, running = desk.last(now_ms), desk.running(now_ms)
    assert last is not None
    assert running is not None
    assert last.to_ms == running.from_ms == middle_ms + by_ms
    for before, after, both in zip(
        last.stations, running.stations, whole.looked(now_ms).stations, strict=True
    ):
        for cause, spent_ms in both.spent_ms.items():
            assert before.spent_ms[cause] + after.spent_ms[cause] == spent_ms


def test_shifts_in_which_nothing_was_seen_leave_one_quiet_shift(past):
    desk = ShiftDesk(past.cell)
    for state, at_ms in states(past):
        desk.take(state, at_ms)
    later_ms = past.entries[-1].at_ms + 1_000 * SHIFT_MS
    last = desk.last(later_ms)
    assert last is not None
    assert last.looked_ms == SHIFT_MS
    assert last.to_ms == end_of_shift(later_ms) - SHIFT_MS


def test_a_defect_in_the_figures_costs_no_step(past, caplog):
    desk = ShiftDesk(past.cell)
    first, second = list(states(past))[-2:]
    desk.take(*first)
    desk.take(object(), first[1] + 1)
    desk.take(*second)  # here the defect is met: what stood before was no state
    desk.take(second[0], second[1] + 10)
    assert "begin anew" in caplog.text
    assert desk.running(second[1] + 20) is not None


@pytest.fixture(scope="module")
def kept(past, tmp_path_factory):
    """A database with the past in it."""
    database = tmp_path_factory.mktemp("kept") / "cell.db"
    with open_store(str(database), durability="process-safe") as store:
        store.declarations.keep(past.cell.digest, cell_to_json(past.cell))
        store.journal.append(past.entries)
    return str(database)


def shift(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "supervisor", "shift", *arguments],
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.system
def test_the_command_line_tells_the_same_of_a_kept_journal(past, kept):
    desk = ShiftDesk(past.cell)
    for state, at_ms in states(past):
        desk.take(state, at_ms)
    figures = desk.running(past.entries[-1].at_ms)
    answer = shift(kept, "--json")
    assert (answer.returncode, answer.stderr) == (0, "")
    told = json.loads(answer.stdout)
    assert told == {**shift_view(desk.bounded(figures), "asked").model_dump()}
    assert "Bottleneck" in shift(kept).stdout


@pytest.mark.system
def test_the_command_line_looks_between_two_moments(kept):
    since, until = instant(BEGUN_MS + 600_000), instant(BEGUN_MS + 1_200_000)
    told = json.loads(shift(kept, "--from", since, "--to", until, "--json").stdout)
    assert (told["begun_at"], told["until"]) == (since, until)
    for station in told["stations"]:
        assert sum(each["time_s"] for each in station["spent"]) == pytest.approx(600.0)
    assert shift(kept, "--from", "yesterday").returncode == 2
    assert shift(kept, "--to", "2001-01-01T00:00:00Z").returncode == 1


@pytest.mark.system
def test_the_command_line_says_what_is_wrong_with_its_times_and_its_journal(kept, tmp_path):
    since, until = instant(BEGUN_MS + 600_000), instant(BEGUN_MS + 1_200_000)
    turned = shift(kept, "--from", until, "--to", since)
    assert (turned.returncode, turned.stdout) == (2, "")
    assert f"--to {since}, is before the beginning, --from {until}" in turned.stderr
    text = tmp_path / "notes.txt"
    text.write_text("no database at all, and longer than the first bytes of one")
    other = shift(str(text))
    assert (other.returncode, other.stdout) == (2, "")
    assert f"{text} is no SQLite database" in other.stderr

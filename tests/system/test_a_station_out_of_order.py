"""One station switched off, in manual mode, or with its door stuck: the rest of the cell works on and says what waits for what."""

import subprocess
import sys
from collections.abc import Callable
from typing import Any

import pytest

from tests.system.conftest import RunningCell

pytestmark = [pytest.mark.system, pytest.mark.timeout(240)]

CellMaker = Callable[..., RunningCell]
WRONG_WORDS = {
    ("ct-9", "Manual", "true"): "expected one of ct-1, handler, scan-1, touch-1, found ct-9",
    ("ct-1", "Handbrake", "true"): "expected one of AbortRun, BadQuality, DoorJam",
    ("ct-1", "Manual", "perhaps"): "expected a Boolean, found perhaps",
}
BY_TYPE = {"scan-1": "cam-ring", "ct-1": "port-plate"}


def decided(answer: dict[str, Any], *, count: int, part_type: str = "") -> bool:
    """Whether so many records (of a part type) are there."""
    lines = [line for line in answer["records"] if part_type in ("", line["part_type"])]
    return len(lines) >= count


def waiting(answer: list[dict[str, Any]], station: str) -> list[str]:
    """The reasons that pallets give for being where they are, as far as they name a station."""
    return [pallet["why_here"] for pallet in answer if station in pallet["why_here"]]


def at_the_panel(cell: RunningCell, *words: str) -> subprocess.CompletedProcess[str]:
    """Throw a switch as the tutorial does."""
    command = [sys.executable, "-m", "simulators.servers.by_hand", cell.live.watch.address, *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


def test_pallets_wait_with_a_reason_for_a_station_in_manual_mode_while_others_finish(
    a_cell: CellMaker,
) -> None:
    cell = a_cell(pallets=6)
    cell.set_mode(
        "pause"
    )  # a person takes seconds for a word, in which this cell would have done its work
    for words, said in WRONG_WORDS.items():
        answer = at_the_panel(cell, *words)
        assert (answer.returncode, answer.stdout) == (2, "")
        assert said in answer.stderr
    assert at_the_panel(cell, "ct-1", "Manual", "true").returncode == 0
    cell.wait("ct-1 in manual", lambda s: s["mode"] == "manual", at="/stations/ct-1")
    cell.set_mode("run")
    cell.wait("cam rings and pump bodies decided", lambda r: decided(r, count=4), at="/records")
    waits = cell.wait("a reason naming ct-1", lambda p: bool(waiting(p, "ct-1")), at="/pallets")
    assert any("manual" in text for text in waiting(waits, "ct-1"))
    assert at_the_panel(cell, "ct-1", "Manual", "false").returncode == 0
    cell.finish()
    assert cell.report().all_well()


def test_a_stuck_door_holds_its_station_until_a_person_answers(a_cell: CellMaker) -> None:
    cell = a_cell(pallets=4)
    cell.live.throw("scan-1", "DoorJam", True)
    holds = cell.wait(
        "a door hold", lambda h: any(x["code"] == "door-stuck" for x in h), at="/holds"
    )
    hold = next(x for x in holds if x["code"] == "door-stuck")
    assert hold["subject"] == "scan-1"
    assert "try again" in hold["answers"]
    cell.wait(
        "port plates decided meanwhile",
        lambda r: decided(r, count=1, part_type="port-plate"),
        at="/records",
    )
    cell.live.throw("scan-1", "DoorJam", False)
    cell.live.post(
        f"/api/v1/holds/{hold['hold']}/release", {"answer": "try again", "by": "test", "place": ""}
    )
    cell.finish()
    assert cell.report().all_well()


@pytest.mark.hazard(17)
def test_a_station_that_is_switched_off_and_restarted_loses_nothing(a_cell: CellMaker) -> None:
    cell = a_cell(pallets=6)
    cell.wait("a run at touch-1", lambda s: s["work"] == "running", at="/stations/touch-1")
    cell.live.kill("touch-1")
    cell.wait("touch-1 is gone", lambda s: s["link"] == "down", at="/stations/touch-1")
    cell.wait("scan-1 works on", lambda s: s["usage"]["runs"] >= 1, at="/stations/scan-1")
    cell.live.start("touch-1", shift=3)
    cell.wait("touch-1 is back", lambda s: s["link"] == "up", at="/stations/touch-1")
    cell.finish()
    report = cell.report()
    assert report.all_well(), report

"""``pointsman study`` as a person calls it."""

import json
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
CELL = "deploy/cells/vane-pumps"


def pointsman(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "supervisor", "study", *arguments],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )


def test_the_example_cell_is_studied_as_json_and_as_a_page(tmp_path):
    html = tmp_path / "study.html"
    done = pointsman(
        CELL, "--hours", "0.5", "--seeds", "2", "--json", "--html", str(html),
        "--what-if", "stations.touch-1=2", "--processes", "2",
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    found = json.loads(done.stdout)
    assert [each["name"] for each in found["variants"]] == ["as declared", "stations.touch-1=2"]
    assert found["variants"][0]["throughput_per_h"]["mean"] > 5
    assert html.read_text().startswith("<!doctype html>")


def test_the_text_names_bottleneck_and_bound():
    done = pointsman(CELL, "--hours", "0.5", "--seeds", "1", "--processes", "1")
    assert done.returncode == 0
    assert "Bottleneck" in done.stdout
    assert "lower bound" in done.stdout


def test_what_is_wrong_ends_with_two_and_nothing_on_standard_output(tmp_path):
    for arguments in (
        (str(tmp_path / "nowhere"),),
        (CELL, "--what-if", "stations.oven-1=2"),
        (CELL, "--hours", "-1"),
        (CELL, "--hours", "0.05", "--seeds", "1", "--html", str(tmp_path / "no" / "folder.html")),
    ):
        done = pointsman(*arguments)
        assert (done.returncode, done.stdout) == (2, ""), arguments
        assert "Traceback" not in done.stderr
        assert done.stderr


def test_a_shift_too_short_to_finish_a_part_says_no():
    done = pointsman(CELL, "--hours", "0.05", "--seeds", "1", "--processes", "1")
    assert done.returncode == 1
    assert "--hours" in done.stderr

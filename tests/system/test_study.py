"""``pointsman study`` as a person calls it."""

import json
import os
import select
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import pytest

from tests.system.conftest import AS_AT_A_USER

ROOT = Path(__file__).parents[2]
CELL = "deploy/cells/vane-pumps"


def pointsman(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "supervisor", "study", *arguments],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        env=AS_AT_A_USER,
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


def test_a_page_that_cannot_be_written_is_noticed_before_any_shift_is_run(tmp_path):
    """So many long shifts would take hours; the same command with a path that can be written leaves what was there until it is done."""
    long = (CELL, "--hours", "300", "--seeds", "1000", "--processes", "1")
    for file in (tmp_path / "no" / "folder.html", tmp_path):
        done = pointsman(*long, "--html", str(file))
        assert (done.returncode, done.stdout) == (2, ""), done.stderr
        assert done.stderr.startswith(f"--html {file} cannot be written: ")
    there, new = tmp_path / "there.html", tmp_path / "new.html"
    there.write_text("of yesterday")
    for file in (there, new):
        assert (
            pointsman(CELL, "--what-if", "stations.oven-1=2", "--html", str(file)).returncode == 2
        )
    assert (there.read_text(), new.exists()) == ("of yesterday", False)


@pytest.mark.parametrize("ending", [signal.SIGTERM, signal.SIGINT])
def test_whoever_ends_a_study_waits_for_no_shift_and_leaves_no_process_behind(ending):
    """After Ctrl-C all shifts were run to their end, after `kill` processes waited for work for ever. Who has the pipe open for writing is still there."""
    reading, writing = os.pipe()
    with subprocess.Popen(
        [sys.executable, "-m", "simulators.bench.study", CELL, "--hours", "300", "--processes", "2"],
        cwd=ROOT, stdout=writing, stderr=subprocess.PIPE, env=AS_AT_A_USER, start_new_session=True,
    ) as studying:  # fmt: skip
        os.close(writing)
        limit = time.monotonic() + 40
        while at_work_under(studying.pid) < 2:
            assert studying.poll() is None
            assert time.monotonic() < limit
            time.sleep(0.1)
        if ending == signal.SIGINT:  # a terminal sends it to all
            os.killpg(studying.pid, ending)
        else:
            studying.send_signal(ending)
        try:
            _, said = studying.communicate(timeout=20)
        finally:
            studying.kill()
    assert studying.returncode == 1
    assert said.startswith(b"ended before all shifts were done\n")
    with os.fdopen(reading, "rb") as left:
        ready, _, _ = select.select([left], [], [], 10)
        assert ready
        assert left.read() == b""


def at_work_under(pid: int) -> int:
    """How many processes that it began have computed for more than two seconds: they have imported all, and play."""
    at_work = 0
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):  # it has ended meanwhile
            # proc(5), behind the name: state, parent, and from the twelfth on the ticks in user and in kernel mode
            words = stat.read_text().rpartition(")")[2].split()
            ticks = int(words[11]) + int(words[12])
            at_work += int(words[1]) == pid and ticks > 2 * os.sysconf("SC_CLK_TCK")
    return at_work


def test_a_shift_too_short_to_finish_a_part_says_no():
    done = pointsman(CELL, "--hours", "0.05", "--seeds", "1", "--processes", "1")
    assert done.returncode == 1
    assert "--hours" in done.stderr


@pytest.mark.parametrize("program", ["pump-body-scan", "cam-ring-scan"])
def test_a_gauge_study_of_the_usual_size_is_carried_out_where_look_ahead_decides(program):
    """Ten parts: enough that the way which look-ahead keeps begins with one of those that are not up next."""
    done = pointsman("gauge", CELL, "--program", program, "--json")
    told = json.loads(done.stdout)
    assert (told["end"], told["done"], done.stderr) == ("complete", 90, "")


def test_a_gauge_study_is_carried_out_and_told_as_text_and_json():
    asked = (
        "gauge",
        CELL,
        "--program",
        "pump-body-scan",
        "--parts",
        "2",
        "--loadings",
        "2",
        "--repeats",
        "2",
    )
    done = pointsman(*asked)
    assert "complete: everything that was ordered has been measured (8 of 8 runs)" in done.stdout
    told = json.loads(pointsman(*asked, "--json").stdout)
    assert (told["end"], told["done"]) == ("complete", 8)
    poor = any(each["rating"] == "not capable" for each in told["characteristics"])
    assert done.returncode == (1 if poor else 0)


def test_a_gauge_study_that_cannot_be_says_why_and_ends_with_two():
    for arguments, said in (
        (("--program", "none"), "expected one of"),
        (("--program", "pump-body-scan", "--parts", "40"), "the rack has 12 places"),
        (("--program", "pump-body-scan", "--pallet", "x"), "go with --at"),
        (("--program", "pump-body-scan", "--at", "http://127.0.0.1:9"), "--pallet"),
        (
            (
                "--program",
                "pump-body-scan",
                "--at",
                "http://127.0.0.1:9",
                "--pallet",
                "x",
                "--by",
                "M",
            ),
            "Is it running there?",
        ),
    ):
        done = pointsman("gauge", CELL, *arguments)
        assert (done.returncode, done.stdout) == (2, ""), arguments
        assert said in done.stderr

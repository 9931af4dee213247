"""`pointsman walk` against a simulated station, without a person: every step, and a protocol to sign."""

import json
import socket
import subprocess
import sys
import time

import pytest

from simulators.bench.run import process
from simulators.bench.staging import Wishes, prepare

pytestmark = [pytest.mark.system, pytest.mark.timeout(240)]

SPEED = 60.0
STARTS_S_MAX = 60.0


def listening(port):
    begun = time.monotonic()
    while time.monotonic() - begun < STARTS_S_MAX:
        try:
            socket.create_connection(("127.0.0.1", port)).close()
        except OSError:
            time.sleep(0.1)
        else:
            return
    pytest.fail(f"nobody listens at {port}")


def walk(*arguments):
    command = [sys.executable, "-m", "supervisor", "walk", *arguments, "--json"]
    return subprocess.run(command, capture_output=True, text=True, timeout=200, check=False)


@pytest.fixture(scope="module")
def stage(tmp_path_factory, repository):
    """The example cell's machines, and the folder of their run."""
    cell, folder = repository / "deploy" / "cells" / "vane-pumps", tmp_path_factory.mktemp("walk")
    made = prepare(Wishes(cell=cell, pallets=6, seed=7, speed=SPEED), folder / "run")
    simulators = ["simulators.servers", "cell", "--plan", str(made.plan), "--with-parent"]
    with process(simulators, made.folder / "simulators.log"):
        for _, port in made.ways.values():
            listening(port)
        yield made


@pytest.mark.parametrize(
    ("station", "work"),
    [
        ("scan-1", "prepared"),  # machine vision: told by events, no order acknowledges a result
        ("touch-1", "idle"),  # job control: no order prepares a program
    ],
)
def test_a_simulated_station_passes_every_step_and_the_protocol_says_so(
    stage, station, work, tmp_path
):
    at_station = f"-m simulators.servers.at_station --station {station} --plan"
    made = walk(
        str(stage.cell_folder),
        station,
        "--unattended",
        *("--act", f"{sys.executable} {at_station} {stage.plan}"),
        *("--speed", str(SPEED), "--out", str(tmp_path / "out"), "--by", "M. Weaver"),
    )
    assert made.returncode == 0, made.stdout[-3000:] + made.stderr[-3000:]
    said = json.loads(made.stdout)
    assert said["verdict"] == "passed"
    assert [step["name"] for step in said["steps"] if step["verdict"] != "passed"] == []
    refused = next(step for step in said["steps"] if step["name"] == "refuse-open")
    seen = {each["what"]: each["seen"] for each in refused["observations"]}
    assert seen["before the order"] == f"mode automatic, door open, nest occupied, work {work}"
    assert "running" not in str(refused["observations"])
    page, text = sorted((tmp_path / "out").iterdir())
    assert json.loads(text.read_text()) == said
    assert "M. Weaver" in page.read_text()


def test_without_a_person_only_this_machine_is_walked(tmp_path, repository):
    small = repository / "tests" / "unit" / "cell" / "small-cell"
    made = walk(str(small), "scan-1", "--unattended", "--out", str(tmp_path))
    assert made.returncode == 2
    assert "without a person only simulated machines are walked" in made.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_station_that_is_not_declared_is_said_with_those_that_are(tmp_path, repository):
    small = repository / "tests" / "unit" / "cell" / "small-cell"
    made = walk(str(small), "scan-9", "--out", str(tmp_path))
    assert (made.returncode, made.stdout) == (2, "")
    assert "expected one of scan-1, touch-1, found scan-9" in made.stderr

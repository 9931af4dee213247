"""Servers started one by one, and what is said when they cannot start."""

import json
import signal
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.integration
PHYSICS = Path(__file__).parents[2] / "unit" / "simulators" / "physics.json"
COMMAND = [sys.executable, "-m", "simulators.servers"]


def failed(*arguments):
    done = subprocess.run(
        [*COMMAND, *arguments], capture_output=True, text=True, timeout=50, check=False
    )
    assert (done.returncode, done.stdout) == (2, "")
    return done.stderr


def test_a_single_server_makes_its_floor_serves_and_ends_cleanly(tmp_path):
    floor = tmp_path / "floor"
    options = [
        "--station",
        "scan-1",
        "--speed",
        "60",
        "--floor",
        str(floor),
        "--physics",
        str(PHYSICS),
    ]
    with subprocess.Popen(
        [*COMMAND, "scan", *options], stdout=subprocess.PIPE, stdin=subprocess.DEVNULL
    ) as process:
        ready = json.loads(process.stdout.readline())
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=20)
    assert (ready["ready"], process.returncode) == ("scan-1", 0)
    assert floor.exists()


def test_a_wrong_physics_file_is_named_with_file_and_field(tmp_path):
    physics = json.loads(PHYSICS.read_text())
    physics["handler"]["jaws"] = 3
    wrong = tmp_path / "physics.json"
    wrong.write_text(json.dumps(physics))
    options = ["--station", "scan-1", "--floor", str(tmp_path / "floor"), "--physics", str(wrong)]
    text = failed("scan", *options)
    assert f"{wrong}: " in text
    assert "$.handler.jaws" in text


def test_a_station_that_the_physics_file_does_not_have_is_named(tmp_path):
    options = ["--station", "scan-9", "--floor", str(tmp_path / "floor"), "--physics", str(PHYSICS)]
    assert "expected one of scan-1, found 'scan-9'" in failed("scan", *options)


def test_a_wrong_plan_is_named_with_file_and_field(tmp_path):
    plan = tmp_path / "plan.json"
    plan.write_text(
        '{"physics": "p", "floor": "f", "speed": 60, "seed": 7, "servers": [{"kind": "oven"}]}'
    )
    text = failed("cell", "--plan", str(plan))
    assert f"{plan}: " in text
    assert "$.servers[0].kind" in text

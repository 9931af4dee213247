"""The whole simulated cell over real sockets: simulators and supervisor as processes, checked against the simulators' truth."""

import json
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from simulators.bench.ports import free_ports
from tests.system.conftest import AS_AT_A_USER

pytestmark = [pytest.mark.system, pytest.mark.timeout(300)]

PALLETS = 12


def bench(*arguments: str) -> subprocess.CompletedProcess[str]:
    """``pointsman bench`` as a user runs it."""
    return subprocess.run(
        [sys.executable, "-m", "supervisor", "bench", *arguments],
        capture_output=True,
        text=True,
        timeout=280,
        check=False,
        env=AS_AT_A_USER,
    )


@pytest.fixture(scope="module")
def report() -> dict[str, Any]:
    """One run of the example cell; everything below looks at it."""
    ended = bench("--pallets", str(PALLETS), "--seed", "7", "--speed", "120", "--json")
    assert ended.returncode == 0, ended.stdout[-3000:] + ended.stderr[-3000:]
    return json.loads(ended.stdout)


def test_every_part_gets_one_record_with_a_verdict(report: dict[str, Any]) -> None:
    serials = [part["serial"] for part in report["parts"]]
    assert len(serials) == len(set(serials)) == PALLETS
    assert {part["part_type"] for part in report["parts"]} == {
        "cam-ring",
        "port-plate",
        "pump-body",
    }
    assert all(
        part["verdict"] in {"conforming", "nonconforming", "undecided"} for part in report["parts"]
    )
    assert all(part["time_in_cell_s"] > 0 for part in report["parts"])


@pytest.mark.hazard(6)
def test_no_record_contradicts_what_the_stations_measured(report: dict[str, Any]) -> None:
    """Each value equals what that station measured for that serial number, each station is capable, each plan is whole."""
    assert report["findings"] == []


def test_no_simulator_saw_a_violation(report: dict[str, Any]) -> None:
    assert report["violations"] == []


def test_the_journal_verifies_and_replays_without_a_difference(report: dict[str, Any]) -> None:
    assert report["journal_verified"] is True
    assert report["replay_differences"] == 0
    assert report["entries"] > PALLETS * 20


def test_stations_are_exchanged_by_swaps(report: dict[str, Any]) -> None:
    assert report["swaps"] >= report["exchanges"] // 2
    assert all(station["visits"] > 0 for station in report["stations"].values())


def test_the_same_cell_with_machines_in_dialects_that_no_standard_knows() -> None:
    """The same machines with information models of their own: methods and JSON, bits and words, pulses and structures."""
    ended = bench("--dialects", "own", "--pallets", "4", "--seed", "7", "--speed", "120", "--json")
    assert ended.returncode == 0, ended.stdout[-3000:] + ended.stderr[-3000:]
    report = json.loads(ended.stdout)
    assert len(report["parts"]) == 4
    assert all(station["visits"] > 0 for station in report["stations"].values())
    assert (report["findings"], report["violations"], report["replay_differences"]) == ([], [], 0)


@pytest.mark.parametrize("ending", [signal.SIGTERM, signal.SIGHUP])
def test_whoever_ends_the_bench_ends_its_supervisor_too(ending: int, tmp_path: Path) -> None:
    """It was left alone with machines that were gone, and the next bench with this port could not begin."""
    (port,) = free_ports(1)
    ended = subprocess.Popen(
        [sys.executable, "-m", "supervisor", "bench", "--port", str(port)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        env={**AS_AT_A_USER, "TMPDIR": str(tmp_path)},
    )
    with ended:
        limit = time.monotonic() + 60
        while not listens(port):
            assert ended.poll() is None
            assert time.monotonic() < limit
            time.sleep(0.1)
        ended.send_signal(ending)
        _, said = ended.communicate(timeout=60)
    assert (ended.returncode, said) == (1, b"ended before all parts were done\n")
    assert not listens(port)
    assert list(tmp_path.iterdir()) == []


def listens(port: int) -> bool:
    with socket.socket() as asking:
        return asking.connect_ex(("127.0.0.1", port)) == 0


def test_a_cell_that_is_not_there_is_wrong_input(tmp_path: Path) -> None:
    ended = bench("--cell", str(tmp_path / "nowhere"), "--json")
    assert ended.returncode == 2
    assert "nowhere" in ended.stderr
    assert ended.stdout == ""


@pytest.mark.parametrize(
    ("option", "wish", "expected"),
    [
        ("--pallets", "0", "1 to 500 pallets"),
        ("--pallets", "501", "1 to 500 pallets"),
        ("--pallets", "a dozen", "1 to 500 pallets"),
        ("--speed", "0", "above 0 up to 1000"),
        ("--speed", "nan", "above 0 up to 1000"),
        ("--speed", "fast", "above 0 up to 1000"),
    ],
)
def test_a_wish_that_no_run_can_meet_is_wrong_input(option: str, wish: str, expected: str) -> None:
    ended = bench(option, wish, "--json")
    assert ended.returncode == 2
    assert f"expected {expected}, found {wish}" in ended.stderr
    assert ended.stdout == ""

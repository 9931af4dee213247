"""The process that a person starts: it listens, it says how to reach it, it ends when told, it leaves a whole journal."""

import json
import re
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from contextlib import contextmanager
from pathlib import Path

import pytest

pytestmark = [pytest.mark.system, pytest.mark.timeout(180)]

START_S_MAX = 90


@contextmanager
def serving(cell: Path, folder: Path, *options: str):
    """A supervisor process on a journal in a folder, and what it printed when it listened."""
    command = [sys.executable, "-m", "supervisor", "serve", str(cell)]
    command += ["--database", str(folder / "cell.db"), "--port", "0", "--json", *options]
    with (folder / "log.txt").open("w") as log:
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=log, text=True)
        too_long = threading.Timer(START_S_MAX, process.kill)
        too_long.start()
        try:
            yield process, json.loads(process.stdout.readline() or "{}")
        finally:
            too_long.cancel()
            if process.poll() is None:
                process.kill()
            process.communicate()


@pytest.fixture
def cell(repository):
    return repository / "deploy/cells/vane-pumps"


def read(url):
    with urllib.request.urlopen(url, timeout=10) as answer:
        return json.load(answer)


def pointsman(*arguments, timeout=90):
    return subprocess.run(
        [sys.executable, "-m", "supervisor", *arguments],
        capture_output=True, text=True, check=False, timeout=timeout,
    )  # fmt: skip


def test_a_supervisor_serves_is_watched_ends_and_leaves_a_journal_that_verifies(
    cell, tmp_path, repository
):
    with serving(cell, tmp_path) as (process, said):
        assert said["cell"] == "vane-pumps"
        assert re.fullmatch(r"http://127\.0\.0\.1:\d+/", said["url"])
        assert read(f"{said['url']}healthz")["step"] == "running"
        assert reasons_within(10, said["url"]) == {
            "connection refused: nothing listens at the address"
        }
        watched = entries_by_the_guide(repository)(said["url"].rstrip("/"), 0)
        first = next(watched)
        assert (first["seq"], first["fact"]["kind"]) == (1, "SupervisorStarted")
        begun = time.monotonic()
        process.send_signal(signal.SIGTERM)
        assert process.wait(10) == 0
        assert time.monotonic() - begun < 2.0, "with a stream open, it should end within 2 s"
    assert_quiet(tmp_path / "log.txt")
    database = str(tmp_path / "cell.db")
    verified = pointsman("verify", database, "--json")
    assert (verified.returncode, json.loads(verified.stdout)["ok"]) == (0, True)
    replayed = pointsman("replay", database, "--json")
    report = json.loads(replayed.stdout)
    assert (replayed.returncode, report["differences"]) == (0, 0)
    assert report["entries"] == json.loads(verified.stdout)["entries"]


def reasons_within(seconds, url):
    """Why the stations are not connected, once every one has been tried."""
    end = time.monotonic() + seconds
    while True:
        stations = read(f"{url}api/v1/stations")
        reasons = {station["source"]["why"] for station in stations}
        if "not connected yet" not in reasons or time.monotonic() > end:
            return reasons
        time.sleep(0.1)


def entries_by_the_guide(repository):
    """The Python example of the guide, as a reader would paste it."""
    page = (repository / "docs/how-to/call-the-cell.md").read_text(encoding="utf-8")
    [sample] = re.findall(r"^```python\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)
    names = {}
    exec(sample, names)  # the guide's own text
    return names["entries"]


def assert_quiet(log):
    """Nothing but how machines are connected, the links' complaints, those about a busy machine, and the farewell."""
    lines = [line for line in log.read_text().splitlines() if "link down" not in line]
    secured = [line for line in lines if ": connection " in line]
    assert all(line.endswith(", by choice of the cell file") for line in secured)
    lines = [line for line in lines if line not in secured]
    lines = [
        line for line in lines if "the event loop stood still" not in line
    ]  # the machine's doing
    assert [line.rpartition(": ")[2] for line in lines] == ["ended"]


def test_a_second_supervisor_is_refused_the_cell(cell, tmp_path):
    with serving(cell, tmp_path) as (process, said):
        assert said
        second = pointsman(
            "serve", str(cell), "--database", str(tmp_path / "cell.db"), "--port", "0"
        )
        assert second.returncode == 1
        assert f"process {process.pid}" in second.stderr
        assert "Traceback" not in second.stderr


def test_a_taken_port_is_said(cell, tmp_path):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        answer = pointsman("serve", str(cell), "--database", str(tmp_path / "x.db"), "--port", port)
    assert answer.returncode == 1
    assert f"port {port}" in answer.stderr
    assert "--port" in answer.stderr
    assert "Traceback" not in answer.stderr

"""The whole command line of schemathesis against a supervisor in a process of its own, by the OpenAPI document that it serves.

Rules of this file:
- A phase that did not run, an operation that a phase left out, and a warning that tests were not reached are failures: schemathesis by
  itself calls a run without its fuzzing phase a success.
- Left out, with the reason beside it: one check and one operation. What they leave open is asked by hand below.
"""

import http.client
import json
import os
import re
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from simulators.bench.parts import pallets_for, physics_of
from simulators.bench.ports import free_ports
from simulators.bench.world import World
from supervisor.cell.canonical import cell_to_json
from supervisor.cell.load import load_cell
from supervisor.store import open_store
from tests.fuzz.size import SIZE

TIMEOUT_S = {"short": 1_800, "long": 7_200}
pytestmark = [pytest.mark.system, pytest.mark.timeout(TIMEOUT_S[SIZE])]

ROOT = Path(__file__).parents[2]
CELL = ROOT / "deploy/cells/vane-pumps"
EXAMPLES = {"short": 20, "long": 650}
CASES_MIN = {"short": 1_000, "long": 20_000}
READY_S_MAX = 60
MINUTE_MS = 60_000

STREAM = "/api/v1/events"
"""Never ends, so no answer of it is ever whole. test_watching.py and the cases below are about it."""
VALID_REFUSED = "positive_data_acceptance"
"""A document cannot say that a POST needs a key in the header or in the body, nor that a key used for another request is refused."""


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    """The address of a supervisor over 25 minutes of the example cell; its machines are gone, so nothing changes by itself."""
    folder = tmp_path_factory.mktemp("served")
    keep_a_past(folder / "cell.db")
    (port,) = free_ports(1)
    arguments = ["serve", str(CELL), "--database", str(folder / "cell.db"), "--port", str(port)]
    with (folder / "log").open("w") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "supervisor", *arguments], stdout=log, stderr=log
        )
    address = f"http://127.0.0.1:{port}"
    try:
        wait_until_ready(address, process, folder / "log")
        yield address
        assert process.poll() is None, (folder / "log").read_text()
        assert "Traceback" not in (folder / "log").read_text()
    finally:
        process.terminate()
        process.wait(20)


def keep_a_past(database):
    cell = load_cell(CELL).cell
    physics = physics_of(
        cell, pallets=pallets_for(cell, 9, seed=7), bad_share=0.3,
        arrivals_ms=[n * 20_000 for n in range(9)],
    )  # fmt: skip
    world = World(cell, physics, seed=7, start_ms=1_764_000_000_000)
    world.run(world.now_ms + 25 * MINUTE_MS)
    with open_store(str(database), durability="process-safe") as store:
        store.declarations.keep(cell.digest, cell_to_json(cell))
        store.journal.append(world.journal.entries)


def wait_until_ready(address, process, log):
    deadline_s = time.monotonic() + READY_S_MAX
    while time.monotonic() < deadline_s:
        assert process.poll() is None, log.read_text()
        try:
            urllib.request.urlopen(f"{address}/healthz", timeout=5).close()
        except OSError:
            time.sleep(0.1)
        else:
            return
    pytest.fail(f"no answer from {address}: {log.read_text()}")


def test_no_request_by_the_document_gets_a_5xx_or_an_answer_that_the_document_does_not_name(
    served, size, tally, tmp_path
):
    report, said = fuzzed(served, size, tmp_path)
    tally["requests"] += report["test_cases"]["generated"]
    assert report["failures"] == [], said
    assert report["errors"] == [], said
    assert report["exit_code"] == 0, said
    phases = {name: phase["status"] for name, phase in report["phases"].items()}
    assert phases == dict.fromkeys(("examples", "coverage", "fuzzing", "stateful"), "success"), said
    assert report["operations"]["tested"] == report["operations"]["total"] - 1
    assert report["operations"]["errored"] == report["operations"]["skipped"] == 0
    assert left_out_by_fuzzing(report) == []
    assert report["test_cases"]["generated"] >= CASES_MIN[size], said


def fuzzed(address, size, folder):
    """One run; its report and what it printed."""
    command = [
        Path(sys.executable).parent / "st", "run", f"{address}/api/v1/openapi.json",
        "--exclude-path", STREAM, "--exclude-checks", VALID_REFUSED,
        "--phases", "examples,coverage,fuzzing,stateful", "--max-examples", str(EXAMPLES[size]),
        "--seed", "7", "--no-color", "--request-timeout", "20", "--warnings", "off",
        "--suppress-health-check", "all", "--report-json-path", "report.json",
    ]  # fmt: skip
    done = subprocess.run(
        command, cwd=folder, capture_output=True, text=True, check=False,
        env={**os.environ, "PYTHONWARNINGS": "default"},
    )  # fmt: skip
    report = folder / "report.json"
    assert report.exists(), done.stdout + done.stderr
    return json.loads(report.read_text()), done.stdout[-6_000:]


def left_out_by_fuzzing(report):
    """Operations that the fuzzing phase sent nothing to that was understood or refused for its content."""
    return [
        operation
        for operation, phases in report["valid_rates"].items()
        if not sum(phases.get("fuzzing", {}).values())
    ]


# --- what no document describes ---------------------------------------------------------------------------------------------------

BODY = {"mode": "pause", "by": "M"}
BOMBS = {
    "depth 10,000": b"[" * 10_000,
    "depth in a field": b'{"mode": ' + b"[" * 10_000,
    "not a number": b'{"mode": NaN, "by": "M"}',
    "a number without end": b'{"mode": "pause", "by": ' + b"9" * 60_000 + b"}",
    "1e400": b'{"mode": "pause", "by": 1e400}',
    "half a surrogate pair": b'{"mode": "pause", "by": "\\ud800", "request_id": "k"}',
    "bytes that are no UTF-8": b'{"mode": "pause", "by": "\xff", "request_id": "k"}',
    "nothing": b"",
    "a list": b"[]",
    "twice the key": b'{"mode": "pause", "mode": "run", "by": "M", "by": 1}',
}


@pytest.mark.parametrize("case", sorted(BOMBS))
def test_a_body_that_no_client_of_ours_sends_is_refused(served, case):
    status, content = ask(served, "/api/v1/cell/mode", BOMBS[case])
    assert status in {400, 413, 422}
    assert json.loads(content)["status"] == status


def test_a_body_of_10_mb_is_refused_before_it_is_sent(served):
    link = http.client.HTTPConnection(served.removeprefix("http://"), timeout=20)
    link.putrequest("POST", "/api/v1/cell/mode")
    link.putheader("Content-Type", "application/json")
    link.putheader("Content-Length", "10000000")
    link.endheaders()
    assert link.getresponse().status == 413
    link.close()


@pytest.mark.parametrize("by", ["a\0b", "\u202egnp.exe", "<script>", "x' OR 1=1 --", "\u2028"])
def test_strange_names_are_taken_as_they_are_or_refused_and_never_break_the_journal(served, by):
    body = json.dumps({**BODY, "by": by, "request_id": f"strange {by!r}"}).encode()
    status, content = ask(served, "/api/v1/cell/mode", body)
    assert status in {200, 422}, content
    status, content = ask(served, "/api/v1/journal?from=1&limit=500")
    assert status == 200


@pytest.mark.parametrize("after", ["-1", "x", "1e3", "9" * 30, "%00", ""])
def test_a_stream_after_something_that_is_no_number_is_refused(served, after):
    status, content = ask(served, f"{STREAM}?after={after}")
    assert status == 422, content


def ask(address, path, body=None):
    """Status and body of one answer; a stream that begins counts as 200 without a body."""
    headers = {"Content-Type": "application/json"} if body is not None else {}
    request = urllib.request.Request(f"{address}{path}", data=body, headers=headers)
    try:
        with urllib.request.urlopen(request, timeout=20) as answer:
            streams = re.match("text/event-stream", answer.headers["Content-Type"])
            return answer.status, b"" if streams else answer.read()
    except urllib.error.HTTPError as refusal:
        return refusal.code, refusal.read()

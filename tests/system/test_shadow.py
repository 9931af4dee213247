"""A supervisor in the shadow: it sees the cell and decides, and not one order leaves it.

What leaves is counted between the processes, from the bytes alone: the type of each request as it stands in its message
(OPC 10000-6 6.7.2: message header, secure channel id, token id, sequence header; then the NodeId of the body in its two- or four-byte
form, 5.2.2.9). The numbers are those of the binary encodings in OPC 10000-6, annex A (NodeIds.csv).
"""

import contextlib
import json
import socket
import struct
import threading
from collections import Counter

import pytest

from simulators.bench.ports import free_ports
from simulators.bench.run import RunFailed, Watch, process, wait_ready
from simulators.bench.staging import Wishes, prepare

pytestmark = [pytest.mark.system, pytest.mark.timeout(240)]

KINDS = {631: "read", 673: "write", 712: "call", 787: "subscribe", 826: "publish"}
SPEED = 120.0
HEADER = 24


class Tap:
    """Carries one machine's connections and counts the kinds of requests that go to it."""

    def __init__(self, looked, listens):
        self.requests = Counter()
        self._far = ("127.0.0.1", listens)
        self._listening = socket.create_server(("127.0.0.1", looked))
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    def close(self):
        with contextlib.suppress(OSError):
            self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()
        for thread in self._threads:
            thread.join(5.0)

    def _carrying(self, *work):
        thread = threading.Thread(target=self._carry, args=work, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _accept(self):
        with contextlib.suppress(OSError):
            while True:
                near, _ = self._listening.accept()
                try:
                    far = socket.create_connection(self._far)
                except OSError:
                    near.close()
                    continue
                self._carrying(near, far, True)
                self._carrying(far, near, False)

    def _carry(self, source, sink, counting):
        waiting = b""
        with contextlib.suppress(OSError):
            while data := source.recv(65_536):
                sink.sendall(data)
                waiting = self._count(waiting + data) if counting else b""
        for side in (source, sink):
            with contextlib.suppress(OSError):
                side.shutdown(socket.SHUT_RDWR)
        source.close()

    def _count(self, data):
        while len(data) >= 8 and len(data) >= (size := struct.unpack_from("<I", data, 4)[0]):
            if data[:3] == b"MSG":
                assert data[HEADER] == 1, "a NodeId in its four-byte form"
                number = struct.unpack_from("<H", data, HEADER + 2)[0]
                self.requests[KINDS.get(number, "other")] += 1
            data = data[size:]
        return data


@pytest.fixture
def tapped(tmp_path, repository, request):
    """A cell whose machines are tapped: runs it with a supervisor of a kind until something is seen; what went to the machines."""
    wishes = Wishes(
        cell=repository / "deploy" / "cells" / "vane-pumps",
        pallets=2,
        seed=7,
        speed=SPEED,
        between="a network",
        dialects=getattr(request, "param", "declared"),
    )
    stage = prepare(wishes, tmp_path / "run")
    taps = [Tap(*ways) for ways in stage.ways.values()]

    def run(seen, *options):
        (port,) = free_ports(1)
        simulators = ["simulators.servers", "cell", "--plan", str(stage.plan), "--with-parent"]
        serve = ["supervisor", "serve", str(stage.cell_folder), "--port", str(port), *options]
        serve += ["--database", stage.database, "--speed", str(SPEED)]
        with (
            process(simulators, stage.folder / "simulators.log") as machines,
            process(serve, stage.folder / "supervisor.log") as supervisor,
        ):
            watch = Watch(f"http://127.0.0.1:{port}")
            wait_ready(watch, [machines, supervisor])
            seen(watch)
        return sent()

    def sent():
        return sum((tap.requests for tap in taps), Counter())

    yield run, stage, sent
    for tap in taps:
        tap.close()


def decided(watch):
    """Wait until goals were decided; all of them."""
    waiting = threading.Event()
    for _ in range(600):
        cell = watch.get("/api/v1/cell")
        entries = watch.get("/api/v1/journal?limit=500")
        if cell and entries and cell["counts"]["stations_connected"] == 3:
            goals = [c for entry in entries["entries"] for c in entry["commands"] if goal(c)]
            if goals:
                return goals
        waiting.wait(0.1)
    pytest.fail(f"nothing was decided: {str(watch.get('/api/v1/cell'))[:2000]}")


def goal(command):
    return command["kind"] in ("ReadTag", "SetDoor", "PrepareProgram", "MoveHandler")


def witnessed(stage):
    """The kinds of what the machines did, which they say themselves."""
    lines = stage.floor.with_name(f"{stage.floor.name}.truth.jsonl").read_text().splitlines()
    return {json.loads(line)["fact"] for line in lines}


@pytest.mark.parametrize("tapped", ["own"], indirect=True)
def test_not_one_write_or_call_leaves_the_shadow(tapped):
    run, *_ = tapped
    goals = []
    requests = run(lambda watch: goals.extend(decided(watch)), "--shadow")
    assert goals
    assert requests["read"] > 0
    assert requests["subscribe"] > 0
    assert requests["write"] == requests["call"] == 0
    assert (
        requests["other"] > 0
    )  # opening sessions, browsing, items: none of them changes a machine


def test_where_results_are_asked_for_by_methods_the_shadow_asks_and_no_machine_does_anything(
    tapped,
):
    run, stage, _ = tapped
    requests = run(decided, "--shadow")
    assert requests["write"] == 0
    assert requests["call"] > 0
    assert witnessed(stage) == {
        "brought"
    }  # by the person; nothing was moved, started, permitted, acknowledged


def test_the_same_tap_sees_what_a_driving_supervisor_sends(tapped):
    """What is decided is journalled before it is sent, so this waits for what goes by."""
    run, _, sent = tapped

    def all_kinds_gone_by(watch):
        decided(watch)
        waiting = threading.Event()
        for _ in range(600):
            if sent()["write"] and sent()["call"]:
                return
            waiting.wait(0.1)

    requests = run(all_kinds_gone_by)
    assert requests["write"] > 0
    assert requests["call"] > 0


def test_a_journal_of_the_shadow_is_not_driven_on(tapped):
    run, stage, _ = tapped
    run(lambda _watch: None, "--shadow")
    with pytest.raises(RunFailed):
        run(lambda _watch: None)
    said = (stage.folder / "supervisor.log").read_text(encoding="utf-8")
    assert "was begun in the shadow; use another one with --database" in said

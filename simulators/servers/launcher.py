"""A whole simulated cell from one process: builds the address space once and forks a server for each seat.

Rules of this file:
- The launcher never runs an event loop while it has children, and has no second thread: what it forks is always the same clean
  image, also for a server that is started anew after it was killed.
- Children die with the launcher (the kernel tells them), and the launcher, where wanted, with its own parent.
- Standard output carries JSON lines and nothing else: {"ready": id, "url": ...}, {"thrown": name, "station": id} and
  {"ended": id, "code": n}. Standard input takes JSON lines: {"station": id, "switch": name, "value": ...}, {"station": id, "do": "kill"}, {"station": id, "do": "start", "shift": n}.
"""

import asyncio
import ctypes
import json
import os
import selectors
import signal
import sys
import threading
import time
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any

from asyncua import Server

from simulators.models import physics as physics_file
from simulators.servers import floor_file
from simulators.servers import seat as seats
from simulators.servers.seat import Plan, Seat
from simulators.servers.serving import Surroundings, prepare, serve

PR_SET_PDEATHSIG = 1  # prctl(2)
END_WAIT_S_MAX = 5.0


def die_with_parent() -> None:
    """Have the kernel send SIGTERM to this process when its parent ends."""
    ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGTERM)


@dataclass(kw_only=True)
class _Child:
    """A server process: its seat (with the port it got), its pid (0 = not running), and the pipes to and from it."""

    seat: Seat
    pid: int
    orders: int
    lines: int
    unread: bytes = b""


class Launcher:
    """The servers of one plan."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._physics = physics_file.load(plan.physics)
        seats.check(plan.servers, self._physics)
        self._children: dict[str, _Child] = {}
        self._selector = selectors.DefaultSelector()
        self._ending = False
        self._unread = b""

    def run(self) -> None:
        """Start everything, relay, and end when told to by SIGTERM or SIGINT."""
        self._take_signals()
        server = prepare()
        assert threading.active_count() == 1, "a forked process has no copy of other threads"
        floor_file.remove(self._plan.floor)
        floor_file.create(self._plan.floor, self._physics, speed=self._plan.speed)
        for seat in self._plan.servers:
            self._start(server, seat)
        self._listen()
        while not self._ending:
            for key, _ in self._selector.select():
                self._on_readable(server, key)
        self._end_all()

    # --- children ---

    def _start(self, server: Server, seat: Seat) -> None:
        (orders_out, orders_in), (lines_out, lines_in) = os.pipe(), os.pipe()
        parent = os.getpid()
        pid = os.fork()
        if pid == 0:
            self._become(server, seat, (orders_out, lines_in), parent)
        os.close(orders_out)
        os.close(lines_in)
        child = _Child(seat=seat, pid=pid, orders=orders_in, lines=lines_out)
        self._children[seat.station] = child
        self._selector.register(lines_out, selectors.EVENT_READ, child)

    def _become(self, server: Server, seat: Seat, pipes: tuple[int, int], parent: int) -> None:
        """The child's whole life; does not return."""
        code = 1
        try:
            die_with_parent()
            if os.getppid() != parent:
                os._exit(1)
            self._let_go()
            os.dup2(pipes[0], 0)
            os.dup2(pipes[1], 1)
            surroundings = Surroundings(
                physics=self._physics,
                floor=self._plan.floor,
                seed=self._plan.seed,
                keys=self._plan.keys,
            )
            asyncio.run(serve(server, seat, surroundings, say))
            code = 0
        except Exception as error:  # noqa: BLE001 - the root of a process: say what happened and end
            sys.stderr.write(f"{seat.station}: {type(error).__name__}: {error}\n")
        finally:
            sys.stderr.flush()
            os._exit(code)

    def _let_go(self) -> None:
        """What belongs to the launcher must not live on in a child."""
        signal.set_wakeup_fd(-1)
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGCHLD):
            signal.signal(number, signal.SIG_DFL)
        self._selector.close()
        for child in self._children.values():
            if child.pid:
                os.close(child.orders)
                os.close(child.lines)

    def _reap(self) -> None:
        with suppress(ChildProcessError):
            while True:
                pid, status = os.waitpid(-1, os.WNOHANG)
                if pid == 0:
                    return
                self._bury(pid, os.waitstatus_to_exitcode(status))

    def _bury(self, pid: int, code: int) -> None:
        for child in self._children.values():
            if child.pid == pid:
                self._relay(child)
                self._selector.unregister(child.lines)
                os.close(child.lines)
                os.close(child.orders)
                child.pid = 0
                say({"ended": child.seat.station, "code": code})

    def _end_all(self) -> None:
        for child in self._children.values():
            if child.pid:
                os.kill(child.pid, signal.SIGTERM)
        limit = time.monotonic() + END_WAIT_S_MAX
        while any(child.pid for child in self._children.values()):
            if time.monotonic() > limit:
                self._kill_the_rest()
            self._selector.select(timeout=0.05)
            self._reap()

    def _kill_the_rest(self) -> None:
        for child in self._children.values():
            if child.pid:
                os.kill(child.pid, signal.SIGKILL)

    # --- listening ---

    def _take_signals(self) -> None:
        self._waker = os.pipe()
        for end in self._waker:
            os.set_blocking(end, False)
        signal.set_wakeup_fd(self._waker[1])
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGCHLD):
            signal.signal(number, self._on_signal)
        self._selector.register(self._waker[0], selectors.EVENT_READ, "signal")

    def _on_signal(self, number: int, _frame: object) -> None:
        if number != signal.SIGCHLD:
            self._ending = True

    def _listen(self) -> None:
        with suppress(
            ValueError, AttributeError, PermissionError
        ):  # closed, absent, or an ordinary file
            if not sys.stdin.isatty():
                self._selector.register(sys.stdin.fileno(), selectors.EVENT_READ, "input")

    def _on_readable(self, server: Server, key: selectors.SelectorKey) -> None:
        if key.data == "signal":
            with suppress(BlockingIOError):
                os.read(self._waker[0], 4096)
            self._reap()
        elif key.data == "input":
            self._on_input(server)
        elif key.data.pid:
            self._relay(key.data)

    def _relay(self, child: _Child) -> None:
        """Hand a child's lines on; its ready line tells the port that a restart has to use again."""
        os.set_blocking(child.lines, False)
        with suppress(BlockingIOError):
            while data := os.read(child.lines, 65536):
                *lines, child.unread = (child.unread + data).split(b"\n")
                for line in lines:
                    self._heard(child, json.loads(line))

    def _heard(self, child: _Child, line: dict[str, Any]) -> None:
        if "url" in line:
            child.seat = replace(child.seat, port=int(line["url"].rpartition(":")[2]))
        say(line)

    # --- orders from outside ---

    def _on_input(self, server: Server) -> None:
        data = os.read(sys.stdin.fileno(), 65536)
        if not data:
            self._selector.unregister(sys.stdin.fileno())
        *lines, self._unread = (self._unread + data).split(b"\n")
        for line in filter(None, lines):
            try:
                self._obey(server, line)
            except (ValueError, KeyError, TypeError) as error:
                sys.stderr.write(f"not an order: {line.decode(errors='replace')} ({error!r})\n")

    def _obey(self, server: Server, line: bytes) -> None:
        order = json.loads(line)
        child = self._children[order["station"]]
        match order.get("do", "switch"):
            case "kill" if child.pid:
                os.kill(child.pid, signal.SIGKILL)
            case "start" if not child.pid:
                self._start(server, replace(child.seat, shift=order.get("shift", child.seat.shift)))
            case "switch" if child.pid:
                os.write(child.orders, line + b"\n")
            case other:
                raise ValueError(f"cannot {other} {child.seat.station} now")


def say(line: dict[str, Any]) -> None:
    """One JSON line on standard output, in one write."""
    os.write(1, json.dumps(line).encode() + b"\n")

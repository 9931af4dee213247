"""The loop of one simulator process, and what can befall a process rather than a machine.

Rules of this file:
- The loop sleeps until the model has something to do, a command came, the floor changed, or a heartbeat is due. Nothing ticks.
- Switches are thrown by writing their variable in the folder ``Bench`` or by a JSON line on standard input; both do the same.
"""

import asyncio
import json
import os
import signal
import sys
from collections.abc import Callable, Mapping
from contextlib import suppress
from typing import Any

from asyncua import Server

from simulators.servers.clock import CellClock
from simulators.servers.floor_file import FloorFile
from simulators.servers.machine import Machine, Switch
from simulators.servers.panel import Panel, Quality, Type, Variable

Announce = Callable[[dict[str, Any]], None]
"""Prints one JSON line for whoever started the process."""

ANSWER_FIRST_S = 0.05
"""How long a process waits before it goes offline, so that the write that asked for it is answered."""


class Process:
    """One server process around one machine. ``wake`` has the image looked at again."""

    def __init__(
        self, server: Server, floor: FloorFile, clock: CellClock, announce: Announce
    ) -> None:
        self.wake = asyncio.Event()
        self._ended = asyncio.Event()
        self._server = server
        self._floor = floor
        self._clock = clock
        self._announce = announce
        self._quality: Quality = "good"
        self._switches: Mapping[str, Switch] = {}
        self._offline: asyncio.Task[None] | None = None
        self._unread = b""

    def take_signals(self) -> None:
        """From now on SIGTERM and SIGINT end ``move`` instead of the process."""
        for number in (signal.SIGTERM, signal.SIGINT):
            asyncio.get_running_loop().add_signal_handler(number, self._end)

    def _end(self) -> None:
        self._ended.set()
        self.wake.set()

    async def add_switches(self, machine: Machine, bench: Panel) -> None:
        """Add the machine's and the process's own switches to the folder ``Bench``."""
        self._switches = {
            **machine.switches(),
            "BadQuality": Switch(
                type=Type.Boolean, throw=self._spoil, show=lambda: self._quality == "bad"
            ),
            "Offline": Switch(type=Type.Double, throw=self._go_offline, show=lambda: 0.0),
        }
        for name, switch in self._switches.items():
            variable = Variable(path=name, type=switch.type, start=switch.show())
            await bench.take(variable, _thrower(machine, switch))

    async def publish(self, machine: Machine, panel: Panel, bench: Panel) -> None:
        """Bring the machine to the present and show it."""
        machine.advance(self._clock.now_ms())
        await panel.publish(machine.values(), self._quality)
        if machine.tell is not None:
            await machine.tell()
        shown = {name: switch.show() for name, switch in self._switches.items()}
        await bench.publish(shown, "good")

    async def move(self, machine: Machine, panel: Panel, bench: Panel) -> None:
        """Publish whenever there is something to publish, until SIGTERM or SIGINT."""
        loop = asyncio.get_running_loop()
        loop.add_reader(self._floor.socket, self._look_at_the_floor)
        self._listen(machine)
        while not self._ended.is_set():
            self.wake.clear()
            await self.publish(machine, panel, bench)
            timer = loop.call_later(self._sleep_s(machine), self.wake.set)
            await self.wake.wait()
            timer.cancel()
        if self._offline:
            self._offline.cancel()

    def _sleep_s(self, machine: Machine) -> float:
        due_ms = machine.due_ms()
        until_due_s = float("inf") if due_ms is None else self._clock.seconds_until(due_ms)
        return min(until_due_s, machine.next_beat_s(), 3600.0)

    def _look_at_the_floor(self) -> None:
        self._floor.drain()
        self.wake.set()

    # --- standard input ---

    def _listen(self, machine: Machine) -> None:
        with suppress(
            ValueError, AttributeError, PermissionError
        ):  # closed, absent, or an ordinary file
            if not sys.stdin.isatty():
                loop = asyncio.get_running_loop()
                loop.add_reader(sys.stdin.fileno(), self._on_input, machine, sys.stdin.fileno())

    def _on_input(self, machine: Machine, stdin: int) -> None:
        data = os.read(stdin, 65536)
        if not data:
            asyncio.get_running_loop().remove_reader(stdin)
        *lines, self._unread = (self._unread + data).split(b"\n")
        for line in filter(None, lines):
            self._obey(machine, line)

    def _obey(self, machine: Machine, line: bytes) -> None:
        try:
            command = json.loads(line)
            switch, value = self._switches[command["switch"]], command["value"]
        except (ValueError, KeyError, TypeError):
            known = ", ".join(sorted(self._switches))
            sys.stderr.write(
                f"not a command: {line.decode(errors='replace')}\n"
                f'expected {{"switch": one of {known}, "value": ...}}\n'
            )
            return
        _thrower(machine, switch)(value)
        self._announce({"thrown": command["switch"]})

    # --- what befalls a process ---

    def _spoil(self, value: object) -> None:
        self._quality = "bad" if value else "good"

    def _go_offline(self, seconds: float) -> None:
        if seconds > 0 and (self._offline is None or self._offline.done()):
            self._offline = asyncio.create_task(self._stay_offline(seconds))

    async def _stay_offline(self, seconds: float) -> None:
        assert self._server.bserver is not None, (
            "a server that was never started is not asked to stop"
        )
        await asyncio.sleep(ANSWER_FIRST_S)
        await self._server.bserver.stop()
        await asyncio.sleep(seconds)
        await self._server.bserver.start()


def _thrower(machine: Machine, switch: Switch) -> Callable[[Any], None]:
    def thrown(value: object) -> None:
        machine.catch_up()
        switch.throw(value)

    return thrown

"""A visit at one simulated station, step by step: a person's hands at its nest, orders with a number of their own, and what it shows."""

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from simulators.models import physics as physics_file
from simulators.servers.floor_file import FloorFile
from supervisor.core.commands import AcknowledgeResult, SetDoor, StartRun
from supervisor.core.events import OrderAnswered, StationObserved

PHYSICS = Path(__file__).parents[2] / "unit/simulators/physics.json"


class Hands:
    """A person who carries pallets between the rack and the nest."""

    def __init__(self, folder: Path, station: str) -> None:
        self.station = station
        self.taken = ""
        self.physics = physics_file.load(PHYSICS)
        self.floor = FloorFile(folder / "floor", self.physics, member="hands")

    def place(self) -> tuple[str, str]:
        """Put a pallet from the rack into the nest; its serial number and part type."""
        until_s = time.monotonic() + 20
        while time.monotonic() < until_s:
            for place in self.physics.places:
                pallet = self.floor.pallet_at(place.place)
                if pallet and self.floor.move(place.place, self.station) == "":
                    self.taken = place.place
                    found = self.physics.pallet[pallet]
                    return found.serial, found.part_type
            time.sleep(0.02)
        pytest.fail("no pallet came into the rack")

    def remove(self) -> None:
        """Put what stands in the nest back where it was."""
        assert self.floor.move(self.station, self.taken) == ""


class Visit:
    """Orders with a number of their own, and what the station shows."""

    def __init__(self, watcher: Any, station: str, run: str) -> None:
        self.station = station
        self.run = run
        self.watcher = watcher
        self.order = 0
        self.serial = ""
        self.program: dict[str, Any] = {}
        self.covers: list[str] = []

    def give(self, kind: Any, **fields: Any) -> None:
        self.order += 1
        self.watcher.adapter.give(kind(order=self.order, station=self.station, **fields))

    async def until(self, holds: Callable[[Any], Any], limit_s: float = 10) -> Any:
        await self.watcher.until(lambda: holds(self.watcher.last(StationObserved)), limit_s)
        return self.watcher.last(StationObserved)

    async def door(self, goal: str) -> None:
        self.give(SetDoor, door=goal)
        await self.until(lambda s: s.door == goal)

    async def prepared(self) -> None:
        """The answer says so where the program was ready already, the event otherwise."""
        order, name = self.order, self.program["name"]
        await self.watcher.until(
            lambda: (
                self.watcher.last(OrderAnswered).order == order
                or self.watcher.last(StationObserved).program == name
            )
        )
        await self.until(lambda s: s.work == "prepared")

    def start(self, run_no: int) -> None:
        self.give(
            StartRun, run_id=f"{self.run}{run_no}", run_no=run_no, serial=self.serial, pallet="g", **self.program
        )  # fmt: skip

    async def acknowledge(self, run_no: int) -> None:
        self.give(AcknowledgeResult, run_id=f"{self.run}{run_no}")
        await self.until(lambda s: s.work in ("idle", "prepared"))

    async def load(self, hands: Hands) -> None:
        """Open the door, put a pallet in, close it; from now on the visit knows its part and the program for it."""
        await self.door("open")
        self.serial, part_type = hands.place()
        await self.until(lambda s: s.nest == "occupied")
        await self.door("closed")
        program = next(
            one
            for one in hands.physics.programs
            if (one.station, one.part_type) == (self.station, part_type)
        )
        self.covers = [one.number for one in program.covers]
        self.program = {
            "program": "p",
            "name": program.name,
            "number": program.number,
            "revision": program.revision,
            "part_type": part_type,
        }

"""The person at a cell whose machines die: looks at the machines and at the page, and answers what is asked.

Rules of this file: every answer is true of the world. Where the machines show nothing, the floor is looked at, as a person would.
"""

import urllib.error
from collections import Counter
from collections.abc import Callable

from simulators.bench.run import Json
from simulators.models import physics as physics_file
from simulators.servers.floor_file import FloorFile
from tests.system.kills.cell import DyingCell

BY = "the person at the cell"


class Person:
    """Answers the holds of one cell."""

    def __init__(self, cell: DyingCell) -> None:
        self.cell = cell
        self.answered: Counter[tuple[str, str]] = Counter()
        self.physics = physics_file.load(cell.stage.folder / "physics.json")

    def tend(self) -> None:
        """Look at every hold and answer those that can be answered now."""
        for hold in self.cell.watch.get("/api/v1/holds") or []:
            answer = LOOKS[hold["code"]](self, hold)
            if answer:
                self._release(hold, answer)

    def _release(self, hold: Json, answer: str) -> None:
        body = {"answer": answer, "by": BY, "place": ""}
        try:
            self.cell.live.post(f"/api/v1/holds/{hold['hold']}/release", body)
        except (urllib.error.URLError, OSError):
            return  # gone by itself, or the service has died: the hold stands or not when it is looked at again
        self.answered[hold["code"], answer] += 1

    def handler(self) -> Json | None:
        """The handler as the page shows it; None while nobody answers."""
        cell = self.cell.watch.get("/api/v1/cell")
        return None if cell is None else cell["handler"]

    def station(self, name: str) -> Json:
        """A station as the page shows it."""
        return self.cell.watch.get(f"/api/v1/stations/{name}") or {"work": "unknown"}

    def standing_at(self, place: str) -> str:
        """The pallet that really stands at a place."""
        floor = FloorFile(self.cell.stage.floor, self.physics, member="person")
        try:
            return floor.pallet_at(place)
        finally:
            floor.close()


def _move_late(person: Person, _hold: Json) -> str:
    handler = person.handler()
    if handler is None or handler["link"] != "up":
        return ""
    return "wait" if handler["phase"] in ("accepted", "busy") else "give up"


def _handler_failed(person: Person, _hold: Json) -> str:
    handler = person.handler()
    if handler is None or handler["link"] != "up":
        return ""
    if handler["inside"]:
        person.cell.live.throw(person.physics.handler.handler, "LeadOut", True)
        return ""
    return "go on"


def _start(person: Person, hold: Json) -> str:
    begun = person.station(hold["subject"])["work"] in ("running", "part free", "finished")
    return "wait" if begun else "give up"


def _late(person: Person, hold: Json) -> str:
    at_work = person.station(hold["subject"])["work"] in ("running", "part free")
    return "wait" if at_work else "abort"


def _nest_lost(person: Person, hold: Json) -> str:
    return "still there" if person.standing_at(hold["subject"]) else "removed"


LOOKS: dict[str, Callable[[Person, Json], str]] = {
    "move-late": _move_late,
    "handler-failed": _handler_failed,
    "start-unconfirmed": _start,
    "run-late": _late,
    "result-missing": lambda _person, _hold: "wait",
    "door-stuck": lambda _person, _hold: "try again",
    "prepare-failed": lambda _person, _hold: "try again",
    "nest-lost": _nest_lost,
}

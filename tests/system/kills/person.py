"""The person at a cell whose machines die: looks at the machines and at the page, and answers what is asked.

Rules of this file: every answer is true of the world. Where the machines show nothing, the floor is looked at, as a person would.
"""

import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager

from simulators.bench.run import BROKEN_OFF, Json, RunFailed
from simulators.models import physics as physics_file
from simulators.models.operator import WHO
from simulators.servers.floor_file import FloorFile
from tests.system.kills.cell import DyingCell

BY = "the person at the cell"
PASSES_S = 240.0
"""Of the cell's time. How long a pallet that nothing takes is left where it is, as most of what keeps it there is over by then."""


class Person:
    """Answers the holds of one cell."""

    def __init__(self, cell: DyingCell) -> None:
        self.cell = cell
        self.answered: Counter[tuple[str, str]] = Counter()
        self._since_s: dict[str, float] = {}
        self.physics = physics_file.load(cell.stage.folder / "physics.json")

    def tend(self) -> None:
        """Look at every hold and answer those that can be answered now."""
        for hold in self.cell.watch.get("/api/v1/holds") or []:
            look = LOOKS.get(hold["code"])
            if look is None:
                raise RunFailed(f"nobody knows what to do about {hold['code']}: {hold['seen']}")
            answer = look(self, hold)
            if answer:
                self._release(hold, answer)

    def _release(self, hold: Json, answer: str) -> None:
        body = {"answer": answer, "by": BY, "place": ""}
        try:
            self.cell.live.post(f"/api/v1/holds/{hold['hold']}/release", body)
        except BROKEN_OFF:
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
        with self._floor() as floor:
            return floor.pallet_at(place)

    def put_into_rack(self, *places: str) -> None:
        """Take what stands there by hand and put it into the rack, where it was put down at first if that place is free."""
        with self._floor() as floor:
            brought = {
                fact["pallet"]: fact["target"] for fact in floor.recall(WHO) if "target" in fact
            }
            racks = [place.place for place in self.physics.places if place.kind == "rack"]
            for place in places:
                pallet = floor.pallet_at(place)
                _put(floor, place, (brought[pallet], *racks) if pallet else ())

    def put_where_nobody_is_at_home(self, place: str) -> None:
        """Take what stands there by hand and put it into a rack place that no other pallet comes back to, if there is one."""
        shown = self.cell.watch.get("/api/v1/places") or []
        free = [
            p["place"]
            for p in shown
            if p["kind"] == "rack" and not p["reserved"] and not p["pallet"]
        ]
        with self._floor() as floor:
            _put(floor, place, free)

    def waits_on(self, hold: Json) -> bool:
        """Whether a question is still so new that what it is about mostly passes."""
        now_s = time.monotonic()
        return (now_s - self._since_s.setdefault(hold["hold"], now_s)) * self.cell.speed < PASSES_S

    @contextmanager
    def _floor(self) -> Iterator[FloorFile]:
        floor = FloorFile(self.cell.stage.floor, self.physics, member="person")
        try:
            yield floor
        finally:
            floor.close()


def _put(floor: FloorFile, place: str, places: Iterable[str]) -> None:
    """Carry what stands at a place to the first of these that is free."""
    pallet = floor.pallet_at(place)
    for free in places if pallet else ():
        if floor.move(place, free) == "":
            fact = {"fact": "put back", "pallet": pallet, "source": place}
            floor.witness(at_ms=0, who="person", fact=fact)
            return


def _stranded(person: Person, hold: Json) -> str:
    """Another one stands on its home place, or a station is out: mostly that passes. What lasts is taken out of the resting handler."""
    pallet = person.cell.watch.get(f"/api/v1/pallets/{hold['subject']}")
    if pallet is None:
        return ""
    if person.standing_at(pallet["place"]) == hold["subject"]:
        if person.waits_on(hold) or not _at_rest(person):
            return ""
        person.put_where_nobody_is_at_home(pallet["place"])
    return "removed" if person.standing_at(pallet["place"]) != hold["subject"] else ""


def _at_rest(person: Person) -> bool:
    """Whether the handler has come to its end with its arm out; an arm that is in a station is led out first."""
    handler = person.handler()
    at_work = handler is not None and handler["phase"] in ("accepted", "busy")
    return not at_work and _handler_failed(person, {}) == "go on"


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


def _jaws(person: Person, hold: Json) -> str:
    if _handler_failed(person, hold) == "":
        return ""
    person.put_into_rack(*person.physics.jaws)
    handler = person.handler()
    seen = handler["jaws"] if handler else [{"presence": "unknown"}]
    return "jaws empty" if all(jaw["presence"] == "empty" for jaw in seen) else ""


def _start(person: Person, hold: Json) -> str:
    begun = person.station(hold["subject"])["work"] in ("running", "part free", "finished")
    return "wait" if begun else "give up"


def _late(person: Person, hold: Json) -> str:
    at_work = person.station(hold["subject"])["work"] in ("running", "part free")
    return "wait" if at_work else "abort"


def _stranger(person: Person, hold: Json) -> str:
    person.put_into_rack(hold["subject"])
    return "removed" if person.station(hold["subject"]).get("nest") == "empty" else ""


def _nest_lost(person: Person, hold: Json) -> str:
    return "still there" if person.standing_at(hold["subject"]) else "removed"


LOOKS: dict[str, Callable[[Person, Json], str]] = {
    "move-late": _move_late,
    "handler-failed": _handler_failed,
    "jaw-unknown": _jaws,
    "start-unconfirmed": _start,
    "run-late": _late,
    "result-missing": lambda _person, _hold: "wait",
    "door-stuck": lambda _person, _hold: "try again",
    "prepare-failed": lambda _person, _hold: "try again",
    "nest-lost": _nest_lost,
    "nest-unknown": _stranger,
    # Over when the jaws or the nest are said to be empty.
    "pallet-twice": lambda _person, _hold: "",
    "identity-doubted": lambda _person, _hold: "",
    "rack-full": lambda _person, _hold: "read again",
    "pallet-stranded": _stranded,
}

"""A person at a running cell: reads the page, looks at the machines, and answers holds through REST.

Rules of this file:
- What is true stands on the floor; the page says only what is asked, and what a station shows. An answer is true when it is given.
- A question that cannot be answered yet is looked at again later, one that comes again is answered again.
"""

import time
from collections import Counter
from collections.abc import Callable
from typing import Any

from simulators.bench.run import BROKEN_OFF, Json, Live, RunFailed
from simulators.bench.staging import Stage
from simulators.models import physics as physics_file
from simulators.servers.floor_file import FloorFile
from supervisor.core.holds import HOLDS

AGAIN_S = 2.0
TRIES_MAX = 3

Look = Callable[["PersonAtThePage", Json], str]
"""Look at what a hold is about, put right what can be, and say the answer; "" = not yet."""


class PersonAtThePage:
    """Answers the holds of one running cell. ``answered`` counts by code and answer."""

    def __init__(self, live: Live, stage: Stage) -> None:
        self._live = live
        self._stage = stage
        self._floor: FloorFile | None = None
        self._again_s: dict[str, float] = {}
        self._tried: Counter[str] = Counter()
        self.answered: Counter[str] = Counter()

    def look(self) -> None:
        """Answer what can be answered now.

        Raises:
            RunFailed: a question that this person knows nothing about.
        """
        for hold in self._live.watch.get("/api/v1/holds") or ():
            now_s = time.monotonic()
            if now_s < self._again_s.get(hold["hold"], 0.0):
                continue
            self._again_s[hold["hold"]] = now_s + AGAIN_S
            look = LOOKS.get(hold["code"])
            if look is None:
                raise RunFailed(f"nobody knows what to do about {hold['code']}: {hold['seen']}")
            reply = look(self, hold)
            if reply:
                self._answer(hold, reply)

    def close(self) -> None:
        """Leave the floor."""
        if self._floor is not None:
            self._floor.close()

    @property
    def floor(self) -> FloorFile:
        """The floor, as who stands in front of it sees it."""
        if self._floor is None:
            physics = physics_file.load(self._stage.folder / "physics.json")
            self._floor = FloorFile(self._stage.floor, physics, member="person")
        return self._floor

    def shown(self, path: str) -> Any:  # noqa: ANN401 - an object or a list, as the address has it
        """What the page says; None while it says nothing."""
        return self._live.watch.get(f"/api/v1{path}")

    def tries(self, hold: Json) -> bool:
        """Whether to try the same once more about this hold."""
        self._tried[hold["hold"]] += 1
        return self._tried[hold["hold"]] <= TRIES_MAX

    def carry_to_the_rack(self, source: str) -> bool:
        """Carry a pallet to a rack place that no pallet calls its home; whether there was one."""
        places = self.shown("/places") or ()
        free = [
            place["place"]
            for place in places
            if place["kind"] == "rack" and not place["pallet"] and not place["reserved"]
        ]
        return any(self.floor.move(source, place) == "" for place in free)

    def _answer(self, hold: Json, reply: str) -> None:
        why = "I have looked" if reply in HOLDS[hold["code"]].reasoned else ""
        body = {"answer": reply, "by": "the person at the page", "place": "", "why": why}
        try:
            self._live.post(f"/api/v1/holds/{hold['hold']}/release", body)
        except BROKEN_OFF:
            return  # it has gone meanwhile, or the answer is asked for again
        self.answered[f"{hold['code']}: {reply}"] += 1


def _always(reply: str) -> Look:
    return lambda _person, _hold: reply


def _at_the_start(person: PersonAtThePage, hold: Json) -> str:
    """Whether the run that is asked about has begun. A station that cannot be reached is not judged from afar."""
    station = person.shown(f"/stations/{hold['subject']}")
    if station is None or station["link"] != "up":
        return ""
    running = person.floor.station(hold["subject"]).running
    return (
        "wait" if running or station["work"] in {"running", "part free", "finished"} else "give up"
    )


def _at_the_result(person: PersonAtThePage, hold: Json) -> str:
    return "wait" if person.tries(hold) else "give up"


def _foreign(person: PersonAtThePage, hold: Json) -> str:
    return "" if person.floor.station(hold["subject"]).running else "clear"


def _stranger(person: PersonAtThePage, hold: Json) -> str:
    if not person.floor.pallet_at(hold["subject"]):
        return "removed"
    return "removed" if person.carry_to_the_rack(hold["subject"]) else ""


def _nest(person: PersonAtThePage, hold: Json) -> str:
    there = person.floor.pallet_at(hold["subject"])
    if there and there == person.shown(f"/stations/{hold['subject']}")["pallet"]:
        return "still there"
    return _stranger(person, hold)


def _beside_its_tag(person: PersonAtThePage, hold: Json) -> str:
    """Nobody wrote a wrong tag here: what stands where the page says is what it says, or the page has not noticed yet that it went."""
    pallet = person.shown(f"/pallets/{hold['subject']}")
    if pallet is None:
        return ""
    return "right" if person.floor.pallet_at(pallet["place"]) == hold["subject"] else "removed"


def _stranded(person: PersonAtThePage, hold: Json) -> str:
    """Another one has its home place, or what it needs is cut off: mostly that passes. What lasts is taken out, if the rack has a place for it."""
    pallet = person.shown(f"/pallets/{hold['subject']}")
    if pallet is None:
        return ""
    if person.floor.pallet_at(pallet["place"]) != hold["subject"]:
        return "removed"
    if person.tries(hold) or person.floor.arm().inside:
        return ""
    return "removed" if person.carry_to_the_rack(pallet["place"]) else ""


LOOKS: dict[str, Look] = {
    "tag-unreadable": _always("read again"),
    "tag-malformed": _always("read again"),
    "pallet-twice": _always("read again"),
    "identity-doubted": _beside_its_tag,
    "pallet-stranded": _stranded,
    "door-stuck": _always("try again"),
    "prepare-failed": _always("try again"),
    "start-unconfirmed": _at_the_start,
    "run-late": _always("wait"),
    "result-missing": _at_the_result,
    "foreign-run": _foreign,
    "nest-unknown": _stranger,
    "nest-lost": _nest,
    "station-fault": _always("clear"),
    "move-late": _always("wait"),
}

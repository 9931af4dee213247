"""The person who answers holds in a campaign: looks, does something about it, and says what is true then.

Rules of this file:
- What the person finds stands on the floor and at the machines, never in what the core believes; the page is read only for what it
  asks and where. Every answer is one that the hold offers and that the world bears out.
- While faults strike the answer is drawn among those that are true; afterwards it is the one that leads on.
- A question that cannot be answered yet (the arm still moves, somebody still measures) is looked at again a little later.
"""

from collections import Counter
from collections.abc import Callable
from random import Random
from typing import Literal

from simulators.bench.diary import Diary
from simulators.bench.hands import Hands
from simulators.bench.random_trust import day_of
from simulators.models.chance import chance
from supervisor.core.events import HoldReleased
from supervisor.core.holds import HOLDS
from supervisor.core.state import Hold

MINUTE_MS = 60_000
AGAIN_MS = 20_000
TRIES_MAX = 3
"""How often a careful person tries the same before giving up."""

Look = Callable[["Attendant", Hold, Random], str]
"""Look at what a hold is about, do something, and say the answer; "" = not yet."""


class Attendant:
    """Answers the holds of one world. ``care`` "drawn": any true answer; "careful": the one that leads on."""

    def __init__(self, hands: Hands, seed: int) -> None:
        self.hands = hands
        self.world = hands.world
        self.diary = Diary()
        self.care: Literal["drawn", "careful"] = "drawn"
        self.answered: Counter[tuple[str, str]] = Counter()
        self.tried: Counter[tuple[str, str]] = Counter()
        self._seed = seed
        self._seen: set[str] = set()

    def look(self) -> None:
        """Notice new holds; each is answered after a while."""
        for hold in sorted(self.world.state.holds.keys() - self._seen):
            self._seen.add(hold)
            draw = chance("attendant", self._seed, hold)
            wait_ms = draw.randrange(5_000, draw.choice((30_000, 5 * MINUTE_MS, 20 * MINUTE_MS)))
            if self.care == "careful":
                wait_ms = draw.randrange(5_000, 2 * MINUTE_MS)
            self._later(wait_ms, hold, draw)

    def hurry(self) -> None:
        """The careful person begins anew with every hold that stands."""
        self.care = "careful"
        self.tried.clear()

    def chooses(self, draw: Random, *answers: str) -> str:
        """One of the true answers; the careful person gives the first."""
        return answers[0] if self.care == "careful" else draw.choice(answers)

    def tries(self, hold: Hold) -> bool:
        """Whether to try the same once more about this subject."""
        self.tried[hold.code, hold.subject] += 1
        return self.tried[hold.code, hold.subject] <= TRIES_MAX

    def place_of(self, hold: Hold) -> str:
        """Where the page says that a held pallet stands, if something stands there."""
        place = self.world.state.pallets[hold.subject].place
        return place if self.world.floor.pallet_at(place) else ""

    def may_check(self, station: str) -> bool:
        """Whether a reference part for a station is in the cell or to come, and its certificate holds."""
        today = day_of(self.world.cell_ms())
        kinds = {
            part_type.part_type
            for part_type in self.world.cell.part_types
            if part_type.reference is not None
            and part_type.reference.due >= today
            and any(rule.station == station for rule in part_type.reference.checks)
        }
        there = (p for p in self.world.physics.pallets if p.pallet not in self.hands.gone)
        return any(pallet.part_type in kinds for pallet in there)

    def take_out(self, place: str, draw: Random) -> None:
        """A pallet is taken out, now or when the answer has been given, and comes back through the rack."""
        if not place:
            return
        if draw.random() < 0.5:  # noqa: PLR2004 - some answer first
            self.take_out_now(place, draw)
        else:
            pallet = self.world.floor.pallet_at(place)
            at_ms = self.world.now_ms + draw.randrange(1, 8_000)
            self.diary.write(at_ms, lambda: self._take_if_there(place, pallet, draw))

    def _take_if_there(self, place: str, pallet: str, draw: Random) -> None:
        if self.world.floor.pallet_at(place) == pallet:
            self.take_out_now(place, draw)
            self.world.look()

    def take_out_now(self, place: str, draw: Random) -> None:
        """A pallet is taken out; its tag is right when it comes back."""
        pallet = self.hands.take(place)
        self.hands.right_tag(pallet)
        if self.care == "drawn" and draw.random() < 0.1:  # noqa: PLR2004 - some parts go to the laboratory
            self.hands.take_for_good(pallet)
        else:
            self.hands.bring_back(pallet, self.world.now_ms + draw.randrange(30_000, 600_000))

    def _later(self, wait_ms: int, hold: str, draw: Random) -> None:
        self.diary.write(self.world.now_ms + wait_ms, lambda: self._answer(hold, draw))

    def _answer(self, name: str, draw: Random) -> None:
        hold = self.world.state.holds.get(name)
        if hold is None:
            return
        if self.world.is_dead() or self.world.holds_back():
            self._later(AGAIN_MS, name, draw)
            return
        reply = LOOKS[hold.code](self, hold, draw)
        self.world.look()
        if not reply:
            self._later(AGAIN_MS, name, draw)
            return
        assert reply in hold.answers, (hold.code, reply)
        self.answered[hold.code, reply] += 1
        why = "I have seen to it" if reply in HOLDS[hold.code].reasoned else ""
        self.world.tell(
            HoldReleased(hold=name, answer=reply, by="the attendant", place="", why=why)
        )
        if name in self.world.state.holds:
            self._later(AGAIN_MS, name, draw)


# --- pallets ----------------------------------------------------------------------------------------------------------------------


def _tag(attendant: Attendant, hold: Hold, draw: Random) -> str:
    """Wipe the tag or write it anew; or take the pallet out, to the same end, and always where no reader is."""
    place = attendant.place_of(hold)
    reply = attendant.chooses(draw, "read again", "removed")
    if place and all(place != each.place for each in attendant.world.cell.places):
        reply = "removed"
    if reply == "removed":
        attendant.take_out(place, draw)
    elif place and (attendant.care == "careful" or draw.random() < 0.5):  # noqa: PLR2004
        attendant.hands.right_tag(attendant.world.floor.pallet_at(place))
    return reply


def _twin(attendant: Attendant, hold: Hold, draw: Random) -> str:
    """The one whose tag is wrong gets a right one; where neither's is, the other is not really there."""
    place = attendant.place_of(hold)
    pallet = attendant.world.floor.pallet_at(place) if place else ""
    if pallet and not attendant.hands.is_right(pallet):
        return _tag(attendant, hold, draw)
    if attendant.chooses(draw, "read again", "removed") == "removed" or not attendant.tries(hold):
        attendant.take_out(place, draw)
        return "removed"
    return "read again"


def _doubted(attendant: Attendant, hold: Hold, draw: Random) -> str:
    """The part is compared with its tag. One that is not what its tag says is taken out; so is one that nobody can vouch for."""
    place = attendant.world.state.pallets[hold.subject].place
    there = attendant.world.floor.pallet_at(place)
    right = there == hold.subject and attendant.hands.is_right(there)
    reply = attendant.chooses(draw, "right", "right", "removed") if right else "removed"
    if place in attendant.world.physics.jaws and reply == "removed":
        return _out_of_the_jaw(attendant, hold, draw)
    if attendant.world.floor.arm().inside == place:
        return ""
    if reply == "removed":
        attendant.take_out(attendant.place_of(hold), draw)
    return reply


def _out_of_the_jaw(attendant: Attendant, hold: Hold, draw: Random) -> str:
    """It will be brought home; where it has no home the handler stands still, and is asked about when its jaw is empty."""
    pallet = attendant.world.state.pallets[hold.subject]
    stays = attendant.world.state.handler.carry is None and not pallet.home
    place = attendant.place_of(hold)
    if stays and place and _at_rest(attendant):
        attendant.take_out_now(place, draw)
    return ""


def _out_for_good(attendant: Attendant, hold: Hold, _draw: Random) -> str:
    """This cell cannot measure the part: it is measured elsewhere."""
    place = attendant.place_of(hold)
    if place:
        attendant.hands.take_for_good(attendant.hands.take(place))
    return "removed"


def _no_room(attendant: Attendant, hold: Hold, draw: Random) -> str:
    if attendant.chooses(draw, "removed", "read again") == "read again":
        return "read again"
    attendant.take_out(attendant.place_of(hold), draw)
    return "removed"


def _nowhere(attendant: Attendant, hold: Hold, draw: Random) -> str:
    """The careful person waits a while whether something takes it after all; some say that it is out and leave it where it is."""
    if attendant.care == "careful" and attendant.tries(hold):
        return ""
    place = attendant.place_of(hold)
    if not _at_rest(attendant):
        return ""
    if place and (attendant.care == "careful" or draw.random() < 0.7):  # noqa: PLR2004
        attendant.take_out_now(place, draw)
    return "removed"


def _misplaced(attendant: Attendant, hold: Hold, draw: Random) -> str:
    attendant.take_out(attendant.place_of(hold), draw)
    return "removed"


# --- stations ---------------------------------------------------------------------------------------------------------------------


def _door(attendant: Attendant, hold: Hold, draw: Random) -> str:
    if attendant.care == "careful" or draw.random() < 0.7:  # noqa: PLR2004 - some only answer
        attendant.world.models.stations[hold.subject].door.free()
    return "try again"


def _program(attendant: Attendant, hold: Hold, draw: Random) -> str:
    if attendant.chooses(draw, "try again", "try again", "give up") == "try again":
        return "try again" if attendant.tries(hold) else "give up"
    return "give up"


def _start(attendant: Attendant, hold: Hold, draw: Random) -> str:
    """Only who sees the run may wait for it with good reason; only who sees none may give it up."""
    run = attendant.world.state.stations[hold.subject].run
    image = attendant.world.models.stations[hold.subject].image()
    begun = run is not None and image.run_id == run.run_id and image.work != "prepared"
    if begun:
        return "wait"
    return attendant.chooses(draw, "give up", "wait")


def _late(attendant: Attendant, hold: Hold, draw: Random) -> str:
    image = attendant.world.models.stations[hold.subject].image()
    if image.work in ("acquiring", "evaluating") and attendant.tries(hold):
        return attendant.chooses(draw, "wait", "abort")
    return attendant.chooses(draw, "abort", "wait")


def _result(attendant: Attendant, hold: Hold, draw: Random) -> str:
    """Have the result read again, as long as the station has it."""
    world = attendant.world
    if attendant.chooses(draw, "wait", "give up") == "give up" or not attendant.tries(hold):
        return "give up"
    if world.models.stations[hold.subject].image().work == "finished" and not world.is_down(
        hold.subject
    ):
        world.cut(hold.subject)
        world.mend(hold.subject)
    return "wait"


def _foreign(attendant: Attendant, hold: Hold, _draw: Random) -> str:
    """Have the run ended at the station first."""
    model = attendant.world.models.stations[hold.subject]
    image = model.image()
    if image.work in ("acquiring", "evaluating"):
        attendant.hands.touch(hold.subject)
        model.abort(image.run_id)
        return ""
    return "clear"


def _stranger(attendant: Attendant, hold: Hold, draw: Random) -> str:
    if attendant.world.floor.arm().inside == hold.subject:
        return ""
    if attendant.world.floor.pallet_at(hold.subject):
        attendant.take_out(hold.subject, draw)
    return "removed"


def _empty_nest(attendant: Attendant, hold: Hold, draw: Random) -> str:
    there = attendant.world.floor.pallet_at(hold.subject)
    named = attendant.world.state.stations[hold.subject].pallet
    if there and named in {who.pallet for who in attendant.hands.ever(there)}:
        return "still there"
    return _stranger(attendant, hold, draw)


def _fault(_attendant: Attendant, _hold: Hold, _draw: Random) -> str:
    return "clear"


# --- trust ------------------------------------------------------------------------------------------------------------------------


def _ended(_attendant: Attendant, _hold: Hold, _draw: Random) -> str:
    return "measure on"


def _failed(attendant: Attendant, hold: Hold, draw: Random) -> str:
    """The careful person puts the station right first, and has it checked again as long as a reference part is there."""
    if attendant.chooses(draw, "check again", "release") == "release":
        return "release"
    if attendant.care == "careful":
        attendant.hands.put_right(hold.subject)
    if attendant.tries(hold) or (attendant.care == "careful" and attendant.may_check(hold.subject)):
        return "check again"
    return "" if attendant.may_check(hold.subject) else "release"


def _found_again(attendant: Attendant, _hold: Hold, draw: Random) -> str:
    return attendant.chooses(draw, "release", "check again")


def _moves(attendant: Attendant, hold: Hold, draw: Random) -> str:
    """The careful person has put the station right, and has moves counted from now on."""
    if attendant.care == "careful":
        attendant.hands.put_right(hold.subject)
    return attendant.chooses(draw, "accept", "check again")


def _overdue(attendant: Attendant, hold: Hold, draw: Random) -> str:
    again = attendant.chooses(draw, "check again", "measure on") == "check again"
    return "check again" if again and attendant.tries(hold) else "measure on"


# --- handler ----------------------------------------------------------------------------------------------------------------------


def _at_rest(attendant: Attendant) -> bool:
    """Set the handler going again if it stands, and lead the arm out when it has come to its end."""
    handler = attendant.world.models.handler
    if handler.image().mode != "automatic":
        handler.befall("automatic")
    if handler.image().phase in ("accepted", "busy"):
        return False
    attendant.hands.lead_arm_out()
    return True


def _handler(attendant: Attendant, _hold: Hold, _draw: Random) -> str:
    return "go on" if _at_rest(attendant) else ""


def _jaws(attendant: Attendant, _hold: Hold, draw: Random) -> str:
    if not _at_rest(attendant):
        return ""
    for jaw in attendant.world.physics.jaws:
        pallet = attendant.hands.take(jaw)
        if pallet:
            back_ms = attendant.world.now_ms + draw.randrange(30_000, 600_000)
            attendant.hands.bring_back(pallet, back_ms)
    return "jaws empty"


def _move(attendant: Attendant, hold: Hold, draw: Random) -> str:
    """An order that it works on is waited for; one that it has forgotten is tried once more, then given up."""
    if not _at_rest(attendant):
        return "wait"
    if attendant.chooses(draw, "wait", "give up") == "give up" or not attendant.tries(hold):
        return "give up"
    return "wait"


LOOKS: dict[str, Look] = {
    "tag-unreadable": _tag,
    "tag-malformed": _tag,
    "pallet-twice": _twin,
    "identity-doubted": _doubted,
    "part-type-unknown": _tag,
    "plan-undecidable": _out_for_good,
    "rack-full": _no_room,
    "pallet-stranded": _nowhere,
    "outfeed-misused": _misplaced,
    "door-stuck": _door,
    "prepare-failed": _program,
    "start-unconfirmed": _start,
    "run-late": _late,
    "result-missing": _result,
    "foreign-run": _foreign,
    "nest-unknown": _stranger,
    "nest-lost": _empty_nest,
    "station-fault": _fault,
    "handler-failed": _handler,
    "jaw-unknown": _jaws,
    "move-late": _move,
    "calibration-overdue": _ended,
    "reference-unknown": _tag,
    "reference-failed": _failed,
    "reference-good": _found_again,
    "check-overdue": _overdue,
    "reference-trend": _moves,
}

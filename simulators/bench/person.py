"""A person who looks before answering a hold, and leaves the cell as the answer says.

Rules of this file: what the person does follows from what stands on the floor and from what machines show, never from what the core
believes; so an answer is true when it is given.
"""

from collections.abc import Callable

from simulators.bench.world import World
from supervisor.core.events import HoldReleased
from supervisor.core.holds import HOLDS
from supervisor.core.state import Hold

Look = Callable[[World, Hold], str]
"""Look at what a hold is about, put right what can be, and say the answer."""


def answer_all(world: World) -> int:
    """Answer every hold that stands now; returns how many."""
    holds = [world.state.holds[name] for name in sorted(world.state.holds)]
    for hold in holds:
        if hold.hold in world.state.holds:
            reply = LOOKS[hold.code](world, hold)
            world.look()
            why = "I have looked" if reply in HOLDS[hold.code].reasoned else ""
            answer = HoldReleased(hold=hold.hold, answer=reply, by="the person", place="", why=why)
            world.tell(answer)
    return len(holds)


def _always(reply: str) -> Look:
    return lambda _world, _hold: reply


def _at_the_start(world: World, hold: Hold) -> str:
    """Whether the run that is asked about has begun."""
    run = world.state.stations[hold.subject].run
    image = world.models.stations[hold.subject].image()
    begun = run is not None and image.run_id == run.run_id and image.work != "prepared"
    return "wait" if begun else "give up"


def _at_the_result(world: World, hold: Hold) -> str:
    """Have the result read again while the station still has it."""
    image = world.models.stations[hold.subject].image()
    if image.work == "finished":
        world.cut(hold.subject)
        world.mend(hold.subject)
        return "wait"
    return "give up"


def _into_the_nest(world: World, hold: Hold) -> str:
    there = world.floor.pallet_at(hold.subject)
    if there and there == world.state.stations[hold.subject].pallet:
        return "still there"
    return _empty_the_nest(world, hold)


def _empty_the_nest(world: World, hold: Hold) -> str:
    if world.floor.pallet_at(hold.subject):
        _into_the_rack(world, hold.subject)
    return "removed"


def _empty_the_jaws(world: World, _hold: Hold) -> str:
    for jaw in world.physics.jaws:
        if world.floor.pallet_at(jaw):
            _into_the_rack(world, jaw)
    return "jaws empty"


def _empty_the_place(world: World, hold: Hold) -> str:
    pallet = world.state.pallets.get(hold.subject)
    if pallet is not None and world.floor.pallet_at(pallet.place):
        _into_the_rack(world, pallet.place)
    return "removed"


def _beside_its_tag(world: World, hold: Hold) -> str:
    if world.floor.pallet_at(world.state.pallets[hold.subject].place) == hold.subject:
        return "right"
    return _empty_the_place(world, hold)


def _into_the_rack(world: World, source: str) -> None:
    """Carry a pallet to a rack place that nobody's pallet calls its home; where there is none it is brought to the infeed once more."""
    homes = {place.place for place in world.state.places.values() if place.reserved}
    racks = [p.place for p in world.physics.places if p.kind == "rack" and p.place not in homes]
    free = next((place for place in racks if not world.floor.pallet_at(place)), "")
    if free:
        assert world.floor.move(source, free) == ""
    else:
        world.models.operator.bring(world.floor.lift(source), world.now_ms)


def _free_the_arm(world: World, _hold: Hold) -> str:
    if world.models.handler.image().phase not in ("accepted", "busy"):
        world.floor.leave()
    return "go on"


def _at_the_handler(world: World, hold: Hold) -> str:
    """An order that it works on is waited for; one that it knows nothing of, or has forgotten, is given up."""
    if world.models.handler.image().phase in ("accepted", "busy"):
        return "wait"
    _free_the_arm(world, hold)
    return "give up"


LOOKS: dict[str, Look] = {
    "tag-unreadable": _always("read again"),
    "tag-malformed": _always("read again"),
    "pallet-twice": _always("read again"),
    "identity-doubted": _beside_its_tag,
    "part-type-unknown": _always("read again"),
    "plan-undecidable": _always("read again"),
    "rack-full": _always("read again"),
    "pallet-stranded": _empty_the_place,
    "outfeed-misused": _empty_the_place,
    "door-stuck": _always("try again"),
    "prepare-failed": _always("try again"),
    "start-unconfirmed": _at_the_start,
    "run-late": _always("wait"),
    "result-missing": _at_the_result,
    "foreign-run": _always("clear"),
    "nest-unknown": _empty_the_nest,
    "nest-lost": _into_the_nest,
    "station-fault": _always("clear"),
    "handler-failed": _free_the_arm,
    "jaw-unknown": _empty_the_jaws,
    "move-late": _at_the_handler,
}

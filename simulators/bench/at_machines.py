"""Faults that befall machines, pallets, links and the supervisor at times of their own, and how each passes.

Rules of this file:
- One function per kind, found in ``BEFALL``: it draws its target and returns the stage that it hit, or "" where there was nothing to hit.
- What does not pass by itself ends with an entry in the diary, or when a person sees to it.
- Hands touch only what people at a cell would touch, while the supervisor can see it: two pallets exchanged unseen have no remedy but
  reading tags at each move.
"""

from collections.abc import Callable
from random import Random

from simulators.bench.diary import Diary
from simulators.bench.hands import Hands
from simulators.bench.on_the_wire import Image, OnTheWire
from simulators.bench.random_cells import redeclared
from simulators.bench.stages import stage_of, step_among
from simulators.bench.world import Sent, World
from simulators.models.station import StationModel
from supervisor.cell.value import replace
from supervisor.core.events import HandlerObserved, PlacesObserved, StationObserved

MINUTE_MS = 60_000
HANDLER = "handler"
UNDER_WAY = ("accepted", "busy")
CRASHES: dict[str, Sent] = {"crash-unsent": "unsent", "crash-half": "half", "crash-sent": "sent"}
ORDERS_MIN = {"crash-unsent": (0, 1, 1), "crash-half": (0, 1, 2, 3), "crash-sent": (0, 1)}
"""At how many orders of an entry the supervisor dies at the earliest: what is lost are orders, mostly."""
ENTRIES_UNTIL_CRASH_MAX = 60


class AtMachines:
    """Whoever throws trouble at one world."""

    def __init__(self, world: World, hands: Hands, wire: OnTheWire) -> None:
        self.world = world
        self.hands = hands
        self.wire = wire
        self.diary = Diary()
        self.outfeeds = {p.place for p in world.physics.places if p.kind == "outfeed"}
        self.dying = ""
        """The kind of crash that is to come."""
        self._aim = ""

    def befall(self, kind: str, draw: Random, aim: str) -> str:
        """Let a fault strike, at the machine ``aim`` if it can ("" = any); the stage that it hit, "" if there was nothing to hit."""
        self._aim = aim
        stage = BEFALL[kind](self, draw)
        self.world.look()
        return stage

    def later(self, draw: Random, minutes_max: float, act: Callable[[], None]) -> None:
        """Let something pass after at most so many minutes."""
        at_ms = self.world.now_ms + draw.randrange(1_000, round(minutes_max * MINUTE_MS))

        def pass_by() -> None:
            act()
            self.world.look()

        self.diary.write(at_ms, pass_by)

    def station(self, draw: Random) -> str:
        """The station aimed at, or a drawn one."""
        stations = sorted(self.world.models.stations)
        return self._aim if self._aim in stations else draw.choice(stations)

    def machine(self, draw: Random) -> str:
        """The machine aimed at, or a drawn one."""
        return self._aim or draw.choice([*sorted(self.world.models.stations), HANDLER, "rack"])

    def model(self, station: str) -> StationModel:
        """The machine as it is now: a restart replaces it."""
        return self.world.models.stations[station]

    def can_see(self, machine: str) -> bool:
        """Whether the supervisor sees what happens at a machine."""
        world = self.world
        return not (
            world.is_dead()
            or world.is_down(machine)
            or world.holds_back()
            or machine in self.wire.unread
        )


# --- stations ---------------------------------------------------------------------------------------------------------------------


def _fault(at: AtMachines, draw: Random) -> str:
    station = at.station(draw)
    if at.model(station).image().mode != "automatic":
        return ""
    at.model(station).befall("fault")
    return stage_of(at.world, station)


def _manual(at: AtMachines, draw: Random) -> str:
    station = at.station(draw)
    if at.model(station).image().mode != "automatic":
        return ""
    at.model(station).befall("manual")
    at.later(draw, 20, lambda: at.model(station).befall("automatic"))
    return stage_of(at.world, station)


def _gated(at: AtMachines, draw: Random) -> str:
    station = at.station(draw)
    return _unread(at, draw, station, lambda fact: replace(fact, gate="calibration overdue"))


def _restart(at: AtMachines, draw: Random) -> str:
    station = at.station(draw)
    stage = stage_of(at.world, station)
    _restarts(at, draw, station)
    return stage


def _restarts(at: AtMachines, draw: Random, machine: str) -> None:
    """The machine is away for a while, noticed at once, and has forgotten what it can when it is back."""
    if at.world.is_down(machine):
        at.world.restart(machine)
        return
    at.world.sever(machine, notice_ms=0)
    at.world.restart(machine)
    at.later(draw, 3, lambda: at.world.mend(machine))


def _jam(at: AtMachines, draw: Random) -> str:
    station = at.station(draw)
    at.model(station).door.jam()
    at.later(draw, 20, lambda: _free_door(at, station))
    return stage_of(at.world, station)


def _free_door(at: AtMachines, station: str) -> None:
    at.model(station).door.free()


def _door_by_hand(at: AtMachines, draw: Random) -> str:
    station = at.station(draw)
    target = draw.choice(("open", "closed"))
    return stage_of(at.world, station) if at.hands.move_door(station, target) else ""


def _break_off(at: AtMachines, draw: Random) -> str:
    working = [
        name
        for name, model in sorted(at.world.models.stations.items())
        if model.image().work in ("acquiring", "evaluating")
    ]
    if not working:
        return ""
    station = draw.choice(working)
    at.model(station).break_off()
    return stage_of(at.world, station)


def _slow(at: AtMachines, draw: Random) -> str:
    station = at.station(draw)
    at.model(station).duration_factor = draw.uniform(1.3, 4.0)

    def quick() -> None:
        at.model(station).duration_factor = 1.0

    at.later(draw, 60, quick)
    return stage_of(at.world, station)


def _run_by_hand(at: AtMachines, draw: Random) -> str:
    """At a station that names its runs: at any other a run by hand, of the prepared program on the same part, passes for ours."""
    ready = [
        name
        for name, model in sorted(at.world.models.stations.items())
        if at.wire.names_its_runs(name)
        and model.image().work == "prepared"
        and model.image().door == "closed"
        and at.world.floor.pallet_at(name)
        and at.world.floor.arm().inside != name
        and model.image().mode == "automatic"
    ]
    if not ready:
        return ""
    station = draw.choice(ready)
    serial = at.world.physics.pallet[at.world.floor.pallet_at(station)].serial
    at.hands.touch(station)
    at.model(station).start(f"BY HAND {at.world.now_ms}", serial)
    return stage_of(at.world, station)


def _bad_value(at: AtMachines, draw: Random) -> str:
    station = at.station(draw)
    at.model(station).spoil_next()
    return stage_of(at.world, station)


def _reads_wrong(at: AtMachines, draw: Random) -> str:
    """Until somebody sees to it, or for some hours."""
    station = at.station(draw)
    at.hands.bend(station, lambda: draw.choice((-1, 1)) * draw.uniform(0.5, 8.0))
    at.later(draw, 240, lambda: at.hands.put_right(station))
    return stage_of(at.world, station)


def _facets_unknown(at: AtMachines, draw: Random) -> str:
    machine = at.machine(draw)
    facets = ("mode", "door", "nest", "work")
    if machine == HANDLER:
        facets = ("mode", "phase", "inside", "jaws")
    chosen = draw.sample(facets, draw.randint(1, len(facets)))
    hidden = frozenset(
        draw.sample(
            at.world.models.reader.places, draw.randint(1, len(at.world.models.reader.places))
        )
    )

    def unread(fact: Image) -> Image:
        match fact:
            case StationObserved():
                return replace(fact, **dict.fromkeys(chosen, "unknown"))
            case HandlerObserved():
                changes = {name: "unknown" for name in chosen if name != "jaws"}
                jaws = ("unknown",) * len(fact.jaws) if "jaws" in chosen else fact.jaws
                return replace(fact, jaws=jaws, **changes)
            case PlacesObserved():
                seen = tuple((p, "unknown" if p in hidden else there) for p, there in fact.presence)
                return replace(fact, presence=seen)

    return _unread(at, draw, machine, unread)


def _unread(at: AtMachines, draw: Random, machine: str, unread: Callable[[Image], Image]) -> str:
    if machine in at.wire.unread:
        return ""
    at.wire.unread[machine] = unread
    at.world.show_again(machine)

    def readable() -> None:
        at.wire.unread.pop(machine, None)
        at.world.show_again(machine)

    at.later(draw, draw.choice((0.1, 2, 15)), readable)
    return stage_of(at.world, machine)


# --- handler and reader -----------------------------------------------------------------------------------------------------------


def _handler_fails(at: AtMachines, _draw: Random) -> str:
    at.world.models.handler.fail_next()
    return stage_of(at.world, HANDLER)


def _handler_stopped(at: AtMachines, draw: Random) -> str:
    if at.world.models.handler.image().mode != "automatic":
        return ""
    at.world.models.handler.befall(draw.choice(("manual", "fault", "off")))
    at.later(draw, 10, lambda: at.world.models.handler.befall("automatic"))
    return stage_of(at.world, HANDLER)


def _handler_restart(at: AtMachines, draw: Random) -> str:
    stage = stage_of(at.world, HANDLER)
    _restarts(at, draw, HANDLER)
    return stage


def _dropped(at: AtMachines, draw: Random) -> str:
    """The pallet lies on the floor; a person picks it up and puts it into the rack."""
    full = [jaw for jaw in at.world.physics.jaws if at.world.floor.pallet_at(jaw)]
    if not full:
        return ""
    pallet = at.hands.take(draw.choice(full))
    at.hands.touch(HANDLER)
    at.hands.bring_back(pallet, at.world.now_ms + draw.randrange(30_000, 20 * MINUTE_MS))
    return stage_of(at.world, HANDLER)


def _reader_restart(at: AtMachines, draw: Random) -> str:
    _restarts(at, draw, "rack")
    return "places"


def _misread(at: AtMachines, draw: Random) -> str:
    for _ in range(draw.choice((1, 1, 2, 3, 4))):
        at.world.models.reader.answer_next(draw.choice(("no tag", "several tags", "failed")))
    return "places"


# --- people -----------------------------------------------------------------------------------------------------------------------


def _taken(at: AtMachines, draw: Random) -> str:
    full = [place for place in at.world.physics.at_mm if _may_be_taken(at, place)]
    if not full:
        return ""
    place = draw.choice(full)
    pallet = at.hands.take(place)
    if place in at.outfeeds or draw.random() < 0.15:  # noqa: PLR2004 - most come back
        at.hands.take_for_good(pallet)
    else:
        at.hands.bring_back(pallet, at.world.now_ms + draw.randrange(30_000, 40 * MINUTE_MS))
    return stage_of(at.world, place)


def _may_be_taken(at: AtMachines, place: str) -> bool:
    """Something stands there, nobody's arm is in the way, and nobody measures."""
    machine = place if place in at.world.models.stations else "rack"
    return (
        at.world.floor.pallet_at(place) != ""
        and at.can_see(machine)
        and at.world.floor.arm().inside != place
    )


def _arm_may_move(at: AtMachines) -> bool:
    """Whether the handler carries out an order, or one is on its way to it. Between the order and the arm nobody could tell."""
    image = at.world.models.handler.image()
    waiting = at.world.state.outstanding.get(HANDLER)
    on_its_way = waiting and waiting.given == "yes" and waiting.goal.order != image.order
    return bool(on_its_way) or image.phase in UNDER_WAY


def _is_known_down(at: AtMachines) -> bool:
    return all(reader.link == "down" for reader in at.world.state.readers.values())


def _exchanged(at: AtMachines, draw: Random) -> str:
    """Two pallets change places in the rack while nobody sees it: the supervisor is down, or knows that the reader's link is.

    Before it knows, it may send the arm to what the last image shows; the other pallet is found at the next reader only.
    """
    full = [
        place.place
        for place in at.world.physics.places
        if place.kind == "rack" and at.world.floor.pallet_at(place.place)
    ]
    unseen = at.world.is_dead() or (at.world.is_down("rack") and _is_known_down(at))
    if len(full) < 2 or not unseen or _arm_may_move(at):  # noqa: PLR2004 - an exchange takes two
        return ""
    one, other = draw.sample(full, 2)
    first, second = at.world.floor.lift(one), at.world.floor.lift(other)
    at.world.floor.set_down(one, second)
    at.world.floor.set_down(other, first)
    at.world.models.operator.exchange(one, other)
    at.hands.touch(one, other)
    return "supervisor dead" if at.world.is_dead() else "reader down"


def _put(at: AtMachines, draw: Random) -> str:
    coming = at.world.models.operator.expected()
    places = [place for place in at.world.physics.at_mm if _may_be_put(at, place)]
    if not coming or not places:
        return ""
    place = draw.choice(places)
    at.hands.put(place, coming[0])
    return stage_of(at.world, place)


def _may_be_put(at: AtMachines, place: str) -> bool:
    """A place that the page shows empty, where nothing is about to be put: a nest, an outfeed, or a rack place with an owner."""
    if at.world.floor.pallet_at(place) or at.world.floor.arm().inside == place:
        return False
    homes = at.world.models.operator.homes()
    station = at.world.state.stations.get(place)
    if station is not None:
        return at.can_see(place) and station.nest == "empty" and not station.pallet
    shown = at.world.state.places[place]
    free = shown.presence == "empty" and not shown.pallet
    return at.can_see("rack") and free and (place in at.outfeeds or place in homes)


# --- links and supervisor ---------------------------------------------------------------------------------------------------------


def _cut(at: AtMachines, draw: Random) -> str:
    machine = at.machine(draw)
    if at.world.is_down(machine):
        return ""
    stage = stage_of(at.world, machine)
    at.wire.cut(machine, draw, for_ms_max=draw.choice((5_000, 60_000, 20 * MINUTE_MS)))
    return stage


def _crash(at: AtMachines, draw: Random) -> str:
    if at.world.is_dead():
        return ""
    at.world.die()
    _revive_later(at, draw)
    return stage_of(at.world, HANDLER)


def _crash_undurable(at: AtMachines, draw: Random) -> str:
    """The database refuses, something is decided, and the process ends before it is durable."""
    if at.world.is_dead() or at.world.holds_back():
        return ""
    at.world.refuse_entries()

    def die() -> None:
        if not at.world.is_dead():
            at.world.die()
            _revive_later(at, draw)

    at.later(draw, 1, die)
    return stage_of(at.world, HANDLER)


def _crash_at(kind: str) -> Callable[[AtMachines, Random], str]:
    def befall(at: AtMachines, draw: Random) -> str:
        """The hit is counted when it comes; see ``crashed``."""
        if at.world.is_dead() or at.dying:
            return ""
        at.dying = kind
        seq = len(at.world.journal.entries) + draw.randint(1, ENTRIES_UNTIL_CRASH_MAX)
        at.world.die_after(seq, CRASHES[kind], orders_min=draw.choice(ORDERS_MIN[kind]))
        return ""

    return befall


def crashed(at: AtMachines, draw: Random) -> tuple[str, str]:
    """The supervisor has died as planned: the kind of the crash, and what the entry that it died with asked for."""
    kind, at.dying = at.dying, ""
    _revive_later(at, draw)
    return kind, step_among(at.world.journal.entries[-1].commands)


def _revive_later(at: AtMachines, draw: Random) -> None:
    def revive() -> None:
        if at.world.is_dead():
            at.world.revive()

    at.later(draw, draw.choice((0.1, 1, 10)), revive)


def _redeclared(at: AtMachines, draw: Random) -> str:
    """Whoever is started next, by this or because another one died meanwhile, finds the new declaration."""
    if at.world.is_dead():
        return ""
    digest = f"{at.world.cell.cell}, declaration {len(at.world.cores) + 1}"
    at.world.declare(redeclared(at.world.cell, digest, draw))
    at.world.die()
    _revive_later(at, draw)
    return stage_of(at.world, HANDLER)


def _journal_refused(at: AtMachines, draw: Random) -> str:
    if at.world.is_dead() or at.world.holds_back():
        return ""
    at.world.refuse_entries()
    at.later(draw, draw.choice((0.1, 1, 5)), at.world.take_entries)
    return stage_of(at.world, HANDLER)


def _leap(at: AtMachines, draw: Random) -> str:
    at.world.leap(draw.choice((1_000, 60_000, 3_600_000, 24 * 3_600_000)))
    return stage_of(at.world, HANDLER)


def _set_back(at: AtMachines, draw: Random) -> str:
    """Nobody notices while the supervisor runs: it reads the clock once, when it starts."""
    if not at.world.is_dead():
        return ""
    at.world.set_back(draw.choice((1_000, 60_000, 3_600_000, 24 * 3_600_000)))
    return "supervisor dead"


BEFALL: dict[str, Callable[[AtMachines, Random], str]] = {
    "station-fault": _fault,
    "station-manual": _manual,
    "station-gated": _gated,
    "station-restart": _restart,
    "door-jam": _jam,
    "door-by-hand": _door_by_hand,
    "run-aborted": _break_off,
    "run-slow": _slow,
    "run-by-hand": _run_by_hand,
    "value-bad": _bad_value,
    "reads-wrong": _reads_wrong,
    "facets-unknown": _facets_unknown,
    "handler-fails": _handler_fails,
    "handler-stopped": _handler_stopped,
    "handler-restart": _handler_restart,
    "pallet-dropped": _dropped,
    "reader-restart": _reader_restart,
    "tag-misread": _misread,
    "pallet-taken": _taken,
    "pallet-put": _put,
    "pallets-exchanged": _exchanged,
    "link-cut": _cut,
    "crash": _crash,
    "crash-undurable": _crash_undurable,
    "crash-unsent": _crash_at("crash-unsent"),
    "crash-half": _crash_at("crash-half"),
    "crash-sent": _crash_at("crash-sent"),
    "journal-refused": _journal_refused,
    "clock-leap": _leap,
    "clock-back": _set_back,
    "redeclared": _redeclared,
}

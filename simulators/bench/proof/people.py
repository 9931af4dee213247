"""What people do: with their hands where the cell asks them to, answers to holds, and what nobody asked them for.

Rules of this file:
- People do as the advice of a hold says, and look before they answer; nothing is known of when. They are slower than any message:
  they answer about a machine when nothing is on its way to or from it, and lay hands on nothing whose last image is still late.
- What a hold asks for costs nothing. What nobody asked for is trouble and costs a ``hand`` of the budget.
- Nobody reaches into a station while the arm is in it or a run goes on.
"""

from collections.abc import Callable, Iterator
from typing import NamedTuple

from simulators.bench.proof.machines import UNFINISHED
from simulators.bench.proof.play import Play
from simulators.bench.proof.truth import NOBODY, OTHER_PROGRAM, PANEL_RUN
from supervisor.core.events import HoldReleased
from supervisor.core.holds import HOLDS
from supervisor.core.state import Hold


class Move(NamedTuple):
    """Something that can happen."""

    text: str
    act: Callable[[Play], None]


# --- what is asked of them --------------------------------------------------------------------------------------------------------


def answers(play: Play) -> Iterator[Move]:
    """Every answer to a hold that an honest person may give now."""
    for hold in play.believed.holds.values():
        if _is_calm(play, hold):
            for answer in hold.answers:
                if HONEST.get((hold.code, answer), _always)(play, hold):
                    yield _answer(hold, answer)


def _answer(hold: Hold, answer: str) -> Move:
    why = "looked" if answer in HOLDS[hold.code].reasoned else ""
    fact = HoldReleased(hold=hold.hold, answer=answer, by="a person", place="", why=why)
    return Move(f"answers {hold.code} of {hold.subject}: {answer}", _tells(fact))


def _tells(fact: HoldReleased) -> Callable[[Play], None]:
    return lambda play: play.tell(fact)


def _is_calm(play: Play, hold: Hold) -> bool:
    machine = play.names.station.get(hold.subject)
    if machine is None:
        pallet = play.believed.pallets.get(hold.subject)
        machine = play.names.handler if pallet is None else play.watcher(pallet.place)
    quiet = not play.channels[machine] and play.lags[machine] is None
    return quiet and all(each.machine != machine for each in play.kept)


def _always(_play: Play, _hold: Hold) -> bool:
    return True


def _runs_there(play: Play, hold: Hold) -> bool:
    believed = play.believed.stations[hold.subject].run
    station = play.world.stations[play.names.station[hold.subject]]
    return believed is not None and station.run == believed.run_no and station.work in UNFINISHED


def _runs_not_there(play: Play, hold: Hold) -> bool:
    return not _runs_there(play, hold)


def _nothing_runs(play: Play, hold: Hold) -> bool:
    station = play.world.stations[play.names.station[hold.subject]]
    return station.work not in ("running", "part free")


def _nest_is_empty(play: Play, hold: Hold) -> bool:
    return play.world.at(hold.subject) == NOBODY


def _still_in_nest(play: Play, hold: Hold) -> bool:
    part = play.world.at(hold.subject)
    believed = play.believed.stations[hold.subject].pallet
    return part != NOBODY and play.names.cell.parts[part].pallet == believed


def _handler_rests(play: Play, _hold: Hold) -> bool:
    return not play.world.handler.step and not play.world.handler.inside and not _misplaced(play)


def _jaws_are_empty(play: Play, _hold: Hold) -> bool:
    return all(play.world.at(jaw) == NOBODY for jaw in play.names.jaws)


def _will_not_end(play: Play, _hold: Hold) -> bool:
    return not play.world.handler.step


def _pallet_is_out(play: Play, hold: Hold) -> bool:
    place = play.believed.pallets[hold.subject].place
    return play.world.at(place) == NOBODY


def _pallet_is_there(play: Play, hold: Hold) -> bool:
    part = play.world.at(play.believed.pallets[hold.subject].place)
    return part != NOBODY and play.names.cell.parts[part].pallet == hold.subject


HONEST: dict[tuple[str, str], Callable[[Play, Hold], bool]] = {
    ("start-unconfirmed", "wait"): _runs_there,
    ("start-unconfirmed", "give up"): _runs_not_there,
    ("foreign-run", "clear"): _nothing_runs,
    ("nest-unknown", "removed"): _nest_is_empty,
    ("nest-lost", "removed"): _nest_is_empty,
    ("nest-lost", "still there"): _still_in_nest,
    ("handler-failed", "go on"): _handler_rests,
    ("jaw-unknown", "jaws empty"): _jaws_are_empty,
    ("move-late", "give up"): _will_not_end,
    ("tag-unreadable", "removed"): _pallet_is_out,
    ("tag-malformed", "removed"): _pallet_is_out,
    ("pallet-twice", "removed"): _pallet_is_out,
    ("identity-doubted", "right"): _pallet_is_there,
    ("identity-doubted", "removed"): _pallet_is_out,
    ("part-type-unknown", "removed"): _pallet_is_out,
    ("plan-undecidable", "removed"): _pallet_is_out,
    ("rack-full", "removed"): _pallet_is_out,
    ("pallet-stranded", "removed"): _pallet_is_out,
    ("outfeed-misused", "removed"): _pallet_is_out,
}
"""What must be so before a person gives an answer; every other answer is always fit."""


def help_asked_for(play: Play) -> Iterator[Move]:
    """What people do with their hands because a hold asks for it, before they answer."""
    for hold in play.believed.holds.values():
        if _is_calm(play, hold):
            about_pallet = hold.about == "pallet"
            help_with = _take_held if about_pallet else HELP.get(hold.code, _nothing)
            yield from help_with(play, hold)


def _nothing(_play: Play, _hold: Hold) -> Iterator[Move]:
    yield from ()


def _empty_nest(play: Play, hold: Hold) -> Iterator[Move]:
    if play.world.at(hold.subject) != NOBODY and _may_reach_in(play, hold.subject):
        yield _to_rack("takes the pallet out of the nest", hold.subject)


def _empty_jaws(play: Play, _hold: Hold) -> Iterator[Move]:
    if not play.world.handler.step:
        for jaw in play.names.jaws:
            if play.world.at(jaw) != NOBODY:
                yield _to_rack("takes the pallet out of the jaw", jaw)


def _see_to_handler(play: Play, hold: Hold) -> Iterator[Move]:
    if play.world.handler.step:
        return
    if hold.code == "handler-failed" and _misplaced(play):
        yield Move("puts the pallets where the page shows them", _put_right)


def _end_foreign_run(play: Play, hold: Hold) -> Iterator[Move]:
    at = play.names.station[hold.subject]
    if play.world.stations[at].work in (*UNFINISHED, "aborted"):
        yield Move(f"ends the foreign run at the panel of {hold.subject}", _forgets(at))


def _take_held(play: Play, hold: Hold) -> Iterator[Move]:
    place = play.believed.pallets[hold.subject].place
    if play.world.at(place) == NOBODY:
        return
    out_of_the_jaw = hold.code == "pallet-stranded" and not play.world.handler.step
    if place in play.names.places or out_of_the_jaw:
        yield Move(f"takes the held pallet out of {place}", _takes(place))


HELP: dict[str, Callable[[Play, Hold], Iterator[Move]]] = {
    "nest-unknown": _empty_nest,
    "jaw-unknown": _empty_jaws,
    "handler-failed": _see_to_handler,
    "move-late": _see_to_handler,
    "foreign-run": _end_foreign_run,
}


def _to_rack(text: str, spot: str) -> Move:
    def act(play: Play) -> None:
        part = play.world.at(spot)
        rack = next((each for each in play.names.racks if play.world.at(each) == NOBODY), "")
        play.world.put(spot, NOBODY)
        play.touch(spot)
        if rack:
            play.world.put(rack, part)
            play.touch(rack)

    return Move(f"{text} {spot}", act)


def _misplaced(play: Play) -> dict[str, int]:
    """Where the page shows pallets that stand elsewhere in the cell: what should be at these spots."""
    there = {part: spot for spot, part in zip(play.names.spots, play.world.floor, strict=True)}
    wrong: dict[str, int] = {}
    for name, pallet in play.believed.pallets.items():
        part = play.names.part.get(name, NOBODY)
        if part in there and part != NOBODY and there[part] != pallet.place:
            wrong[pallet.place] = part
    return wrong


def _put_right(play: Play) -> None:
    misplaced = _misplaced(play)
    for spot in play.names.spots:
        if play.world.at(spot) in misplaced.values():
            play.world.put(spot, NOBODY)
            play.touch(spot)
    for spot, part in misplaced.items():
        play.world.put(spot, part)
        play.touch(spot)


def _arm_out(play: Play) -> None:
    play.world.move(inside="")


def daily(play: Play) -> Iterator[Move]:
    """What people do anyhow: empty the outfeeds, connect what was cut, turn keys back, calibrate."""
    for place in play.names.sortings:
        if play.world.at(place) != NOBODY and _is_free(play, place):
            yield Move(f"{place} is emptied", _takes(place))
    if play.world.handler.inside and not play.world.handler.step:
        yield Move("the arm is moved out by hand", _arm_out)
    for at, station in enumerate(play.world.stations):
        if station.mode == "manual":
            yield Move(f"{play.names.stations[at]} back to automatic", _station_mode(at))
        if station.gate == "yes":
            yield Move(f"{play.names.stations[at]} is calibrated", _calibrated(at))
    if play.world.handler.mode != "automatic":
        yield Move("handler back to automatic", _handler_mode("automatic"))


def _is_free(play: Play, place: str) -> bool:
    """Whether the handler is not about to set down at a place, and its last image is not late."""
    return play.world.handler.place != place and not _is_late(play, place)


def _is_late(play: Play, spot: str) -> bool:
    lag = play.lags[play.watcher(spot)]
    return lag is not None and lag.kind == "lagging"


def _takes(spot: str) -> Callable[[Play], None]:
    def act(play: Play) -> None:
        play.world.put(spot, NOBODY)
        play.touch(spot)

    return act


def _station_mode(at: int) -> Callable[[Play], None]:
    return lambda play: play.world.change(at, mode="automatic")


def _handler_mode(mode: str) -> Callable[[Play], None]:
    return lambda play: play.world.move(mode=mode)


def _calibrated(at: int) -> Callable[[Play], None]:
    return lambda play: play.world.change(at, gate="no")


# --- what nobody asked for --------------------------------------------------------------------------------------------------------


def _may_reach_in(play: Play, station: str) -> bool:
    return (
        play.world.handler.inside != station
        and play.world.stations[play.names.station[station]].work != "running"
    )


def interventions(play: Play) -> Iterator[Move]:
    """What people may do with their hands though nothing asks for it."""
    for name in play.names.stations:
        if not _is_late(play, name):
            yield from _at_station(play, name)
    yield from _pallets_taken(play)
    if not _is_late(play, "jaw-1"):
        yield from _at_handler(play)
    for part in play.world.out():
        for spot in (*play.names.places, *play.names.stations):
            if play.world.at(spot) == NOBODY and _reachable(play, spot):
                yield _by_hand(f"pallet {part + 1} is put at {spot}", spot, _puts(spot, part))


def _pallets_taken(play: Play) -> Iterator[Move]:
    spots = play.names.racks if play.world.handler.step else (*play.names.racks, *play.names.jaws)
    for spot in spots:
        if play.world.at(spot) != NOBODY and not _is_late(play, spot):
            yield _by_hand(f"a pallet is taken from {spot}", spot, _takes(spot))


def _at_handler(play: Play) -> Iterator[Move]:
    handler = play.world.handler
    if handler.mode == "automatic":
        yield _by_hand("the handler is turned to manual", "jaw-1", _handler_mode("manual"))
    if not handler.step and not handler.inside:
        for at, name in enumerate(play.names.stations):
            station = play.world.stations[at]
            open_door = station.door in ("open", "none")
            if open_door and station.work != "running" and not _is_late(play, name):
                yield _by_hand(f"the arm is moved into {name}", "jaw-1", _arm_into(name))


def _arm_into(name: str) -> Callable[[Play], None]:
    def act(play: Play) -> None:
        play.touch(name)
        play.world.move(inside=name)

    return act


def _reachable(play: Play, spot: str) -> bool:
    if _is_late(play, spot):
        return False
    if spot not in play.names.station:
        return True
    open_door = play.world.stations[play.names.station[spot]].door in ("open", "none")
    return open_door and _may_reach_in(play, spot)


def _by_hand(text: str, spot: str, act: Callable[[Play], None]) -> Move:
    def done(play: Play) -> None:
        play.spend("hand", text)
        play.touch(spot)
        act(play)

    return Move(f"by hand: {text}", done)


def _puts(spot: str, part: int) -> Callable[[Play], None]:
    return lambda play: play.world.put(spot, part)


def _changes(at: int, **changes: object) -> Callable[[Play], None]:
    return lambda play: play.world.change(at, **changes)


def _at_station(play: Play, name: str) -> Iterator[Move]:
    at = play.names.station[name]
    station = play.world.stations[at]
    if station.mode == "automatic":
        yield _by_hand(f"{name} is turned to manual", name, _to_manual(at))
    if station.door == "open" and _may_reach_in(play, name):
        yield _by_hand(f"the door of {name} is closed", name, _changes(at, door="closed"))
    if play.world.at(name) != NOBODY and _reachable(play, name):
        yield _by_hand(f"a pallet is taken from {name}", name, _takes(name))
    if station.door == "closed" and station.work != "running":
        yield _by_hand(f"the door of {name} is opened", name, _changes(at, door="open"))
    yield from _at_panel(play, name)


def _at_panel(play: Play, name: str) -> Iterator[Move]:
    at = play.names.station[name]
    station = play.world.stations[at]
    if station.work in ("idle", "prepared") and play.world.echoes(at):
        loaded = _changes(at, work="prepared", program=OTHER_PROGRAM)
        yield _by_hand(f"another program is loaded at {name}", name, loaded)
    if station.work == "prepared" and _may_start_at_panel(play, name):
        started = _changes(at, work="running", run=PANEL_RUN, part=play.world.at(name))
        yield _by_hand(f"a run is started at the panel of {name}", name, started)
    if station.work in ("running", "part free"):
        yield _by_hand(f"the run of {name} is aborted at the panel", name, _breaks_off(at))
    if station.work == "finished":
        yield _by_hand(f"the result of {name} is put away at the panel", name, _forgets(at))


def _may_start_at_panel(play: Play, name: str) -> bool:
    """Whether a person may start a run at a station: nobody does with the arm in it."""
    door = play.world.stations[play.names.station[name]].door
    shut = door == "closed" or (door == "none" and play.world.handler.inside != name)
    return shut and play.world.at(name) != NOBODY


def _to_manual(at: int) -> Callable[[Play], None]:
    def act(play: Play) -> None:
        if play.world.stations[at].work == "running":
            play.world.break_off(at)
        play.world.change(at, mode="manual")

    return act


def _breaks_off(at: int) -> Callable[[Play], None]:
    return lambda play: play.world.break_off(at)


def _forgets(at: int) -> Callable[[Play], None]:
    return lambda play: play.world.forget_run(at)

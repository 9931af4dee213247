"""Rules of pallets that the line carries itself: where to, and what is kept for them meanwhile.

Rules of this file:
- Where a pallet goes is chosen when the reservation is asked for, from the cell as it is then; what was told before decides nothing.
- A reservation is one pallet's, and no place is kept for two. While it stands, the cell's own handler leaves the pallet alone and enters
  neither of its stations; the doors of both are opened.
- It is its holder's: whoever goes by another name neither renews, nor shortens, nor ends it.
- It ends when its holder says so, or when its time is over. A pallet that stands nowhere in the cell then has left it.
- In a nest to which the line brought it a pallet stays the line's for as long as its programs take, and what was asked for last besides.
"""

from supervisor.cell.value import replace
from supervisor.core import interlocks, pallets, reservations, soaking, stations, studies, views
from supervisor.core.commands import SetDoor
from supervisor.core.draft import Draft, held
from supervisor.core.events import ReservationAsked, ReservationClosed
from supervisor.core.state import LINE, PalletState, Reservation
from supervisor.routing.situation import Carry, Stay

RESERVED_MS_MAX = 3_600_000
"""How long a place is kept at most without being asked again (S11; our choice)."""


# --- where to -----------------------------------------------------------------------------------------------------------------------


def next_place(draft: Draft, pallet: str) -> Carry | Stay:
    """Where a pallet that the line carries should go now; ``Stay`` with the reason if nothing takes it, or nobody may carry it."""
    state = draft.pallets[pallet]
    why = not_for_the_line(draft, pallet) or _busy(draft, state)
    if why:
        return Stay(until_ms=None, why=why, alternatives=())
    seen = views.situation(draft, pallet)
    known = state.place in draft.stations or state.place in draft.places
    at_mm = draft.tables.position_mm(state.place) if known else seen.at_mm
    return draft.tables.router.next_place(replace(seen, jaws=1, at_mm=at_mm))


def not_for_the_line(draft: Draft, name: str) -> str:
    """Why a pallet is nothing that the line may carry, in words; "" if it may."""
    pallet, carry = draft.pallets[name], draft.handler.carry
    if draft.want == "pause":
        return "the cell is paused"
    if pallet.place in draft.tables.jaws or (carry and name in (carry.pallet, carry.displaced)):
        return f"the cell's own handler carries {name}"
    if pallet.part_type in draft.tables.references or studies.study_of(draft, name):
        return f"{name} is here for a station's sake; the cell's own handler carries it"
    if held(draft, name) is not None:
        return f"a person is asked about {name}"
    if pallet.stage == "sorted":
        return f"{name} is sorted out: take it away"
    if not pallets.may_travel(draft, pallet):
        return f"the tag of {name} has not been read where it stands"
    return soaking.why_not(draft, pallet)


def _busy(draft: Draft, pallet: PalletState) -> str:
    """Why a pallet cannot leave the nest in which it stands, in words; "" if it can."""
    station = draft.stations.get(pallet.place)
    if station is None:
        return ""
    if station.bay == "entered":
        return f"the cell's own handler is at {station.station}"
    if station.run is not None and station.run.pallet == pallet.pallet:
        if station.run.stage not in ("evaluating", "finished"):
            return f"{station.station} measures {pallet.pallet}"
        return ""
    usable = tuple(name for name in draft.stations if not stations.unusable(draft, name))
    seen = views.view(draft, pallet)
    more = draft.tables.router.next_program(seen, station.station, usable)
    return f"{station.station} has {more} to run on {pallet.pallet}" if more else ""


# --- a reservation ------------------------------------------------------------------------------------------------------------------


def on_reservation_asked(draft: Draft, event: ReservationAsked) -> None:
    """Keep a place for a pallet, or keep it for longer; where nothing takes the pallet now, it is the line's all the same.

    Nothing changes for one that another one keeps.
    """
    if event.pallet not in draft.pallets or event.for_ms <= 0:
        return
    if reservations.of_another(draft, event.pallet, event.by) is not None:
        return
    for_ms = min(event.for_ms, RESERVED_MS_MAX)
    claim = reservations.claim_on(draft, event.pallet)
    if claim is not None and claim.target:
        _keep(draft, replace(claim, until_ms=draft.at_ms + for_ms, for_ms=for_ms, by=event.by))
        return
    if not_for_the_line(draft, event.pallet):
        return
    choice = next_place(draft, event.pallet)
    target, programs = "", ()
    if isinstance(choice, Carry):
        target, programs = choice.target, (choice.program, *choice.then) if choice.program else ()
    until_ms = draft.at_ms + for_ms
    kept = Reservation(
        pallet=event.pallet,
        origin=draft.pallets[event.pallet].place if target else "",
        target=target,
        programs=programs,
        why=choice.why,
        by=event.by,
        since_ms=draft.at_ms,
        until_ms=until_ms if target or claim is None else max(until_ms, claim.until_ms),
        for_ms=for_ms,
    )
    _keep(draft, kept)
    _make_way(draft, kept)
    if target in draft.stations and not draft.pallets[event.pallet].home:
        pallets.claim_home(draft, event.pallet)


def _keep(draft: Draft, kept: Reservation) -> None:
    """Put a reservation into the state, in the place of what the line had on this pallet before."""
    others = (each for each in draft.reservations if each.pallet != kept.pallet)
    draft.reservations = (*others, kept)
    what = f"{kept.target} is kept for {kept.pallet}" if kept.target else f"{kept.pallet} is left"
    why = f"{what}, which {kept.by} carries" if kept.target else f"{what} to {kept.by}"
    draft.start_timer(f"reservation of {kept.pallet}", kept.until_ms - draft.at_ms, why)


def _make_way(draft: Draft, kept: Reservation) -> None:
    """What is kept is taken, the doors are opened, and the handler thinks again."""
    if kept.target in draft.places:
        draft.change_place(kept.target, reserved=kept.pallet)
    draft.dirty |= {at: None for at in (kept.origin, kept.target) if at in draft.stations}
    draft.rethink = "yes"


def on_reservation_closed(draft: Draft, event: ReservationClosed) -> None:
    """The pallet stands where it should, or will not be brought there.

    Nothing changes without a reservation, nor by the word of one who does not hold it, nor when a pallet is said to stand where we know another one: the word of one machine does
    not move what was seen, and the reservation ends in its time.
    """
    claim = reservations.claim_on(draft, event.pallet)
    if claim is None or event.place not in ("", claim.target):
        return
    if reservations.of_another(draft, event.pallet, event.by) is not None:
        return
    if event.how == "given up":
        _end(draft, claim)
    elif claim.target and not reservations.another_at_target(draft, claim):
        _placed(draft, claim)


def on_reservation_timer(draft: Draft, pallet: str) -> None:
    """Nothing is kept for longer than was asked."""
    claim = reservations.claim_on(draft, pallet)
    if claim is not None:
        _end(draft, claim)


def _end(draft: Draft, kept: Reservation) -> None:
    """A place is kept no longer; a pallet that the line has on the way has left the cell."""
    draft.drop_reservation(kept.pallet)
    if kept.target in draft.places:
        draft.change_place(kept.target, reserved="")
        pallets.judge_place(draft, kept.target)
    if draft.pallets[kept.pallet].place == LINE:
        pallets.taken_away(draft, kept.pallet)
        pallets.read_twins_again(draft)  # it may stand in the rack again
    pallets.give_back_home(draft, kept.pallet)


def _placed(draft: Draft, kept: Reservation) -> None:
    """The pallet is at its target; where a sensor does not show that yet, the usual time is given it."""
    name = kept.pallet
    origin = draft.pallets[name].place
    draft.drop_reservation(name)
    if origin in draft.stations:
        stations.expect_nest(draft, origin, "")
    elif origin in draft.places:
        pallets.expect_place(draft, origin, "")
    pallet = draft.change_pallet(name, place=kept.target, planned=kept.programs)
    if kept.target in draft.stations:
        stations.expect_nest(draft, kept.target, name)
        if pallet.stage == "planned":
            draft.way(name, "visit begun")
        draft.change_pallet(name, visits=pallet.visits + 1)
        _leave_to_the_line(draft, kept)
    else:
        pallets.free_home(draft, name)
        pallets.expect_place(draft, kept.target, name)
        draft.way(name, "put out")


def _leave_to_the_line(draft: Draft, kept: Reservation) -> None:
    """Where the line brought a pallet the line fetches it, unless it forgets to."""
    programs = draft.tables.programs
    measured_ms = sum(programs[each].result_ms for each in kept.programs)
    until_ms = draft.at_ms + measured_ms + kept.for_ms
    _keep(draft, replace(kept, origin="", target="", until_ms=until_ms))


def forget_undeclared(draft: Draft) -> None:
    """What was kept at a place that is not declared any more is not kept."""
    for kept in draft.reservations:
        if kept.target and kept.target not in (*draft.stations, *draft.places):
            _end(draft, kept)


# --- at the stations ----------------------------------------------------------------------------------------------------------------


def look_at_station(draft: Draft, station: str) -> None:
    """Have the door of a station opened that the line is to enter."""
    if reservations.at_station(draft, station) is not None:
        stations.plan_stop(draft, station)


def not_to_be_entered(draft: Draft, kept: Reservation, place: str) -> str:
    """Why the line's transport must not be at a place of its reservation now, in words; "" if it may."""
    if held(draft, kept.pallet) is not None and draft.pallets[kept.pallet].place == kept.origin:
        return f"it waits until a person has answered about {kept.pallet}"
    if place in draft.places:
        return ""
    state = draft.stations[place]
    if draft.at_ms >= kept.until_ms:
        return "the reservation is over"
    lacking = [
        each.text for each in interlocks.unmet(draft, SetDoor(order=0, station=place, door="open"))
    ]
    if lacking:
        return f"it waits until {lacking[0]}"
    if state.bay != "open" or state.door not in ("open", "none"):
        return f"it waits until the door of {place} is open"
    if draft.handler.inside in (place, "unknown"):
        return f"it waits until the handler is clear of {place}"
    foreign = state.pallet not in ("", kept.pallet)
    return f"{state.pallet} stands in the nest of {place}" if foreign else ""

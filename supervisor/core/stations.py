"""Rules of one station: what its image means, its nest, its door.

Rules of this file:
- An image is a level: accepting it changes what is seen and nothing else. What follows is worked out from the whole state
  (``look_at_...``), so that a lost, late or doubled image leads to the same outcome.
- The bay (here) and the run (``runs``) go their ways side by side; they meet only in the interlocks.
- Every wait is a timer; a timer that fires becomes a hold, never a silent repeat.
"""

from supervisor.core import calibration, interlocks, pallets, reservations
from supervisor.core.commands import AcknowledgeResult, ClearFault, SetDoor
from supervisor.core.draft import Draft, held
from supervisor.core.events import StationObserved
from supervisor.core.state import StationState


def on_station_observed(draft: Draft, event: StationObserved) -> None:
    """Accept a station's image, unless a newer one of the same server start was accepted before (S6)."""
    before = draft.stations.get(event.station)
    if before is None or _overtaken(before, event):
        return
    after = draft.change_station(
        event.station,
        source_ms=event.source_ms,
        boot=event.boot,
        link=event.link,
        mode=event.mode,
        door=event.door,
        nest=event.nest,
        last_nest=before.last_nest if event.nest == "unknown" else event.nest,
        emptied=before.emptied + _emptied_under_the_arm(before, event),
        work=event.work,
        run_id=event.run_id,
        serial=event.serial,
        program=event.program,
        counter=event.counter,
        gate=event.gate,
    )
    if event.link == "down" and before.link == "up":
        forget_given(draft, event.station)
    if _unusable(after) != _unusable(before):
        draft.rethink = "yes"
        # What was left to this one, or to others, may be theirs now.
        draft.dirty |= dict.fromkeys(draft.stations)
    elif event.nest != before.nest or event.work != before.work:
        draft.rethink = "yes"


def _emptied_under_the_arm(before: StationState, event: StationObserved) -> int:
    """1 if the nest became empty while the arm had the station, even if it could not be read in between."""
    emptied = before.last_nest == "occupied" and event.nest == "empty"
    return int(before.bay == "entered" and emptied)


def _overtaken(before: StationState, event: StationObserved) -> bool:
    """Whether a newer image of the same connection was accepted before."""
    same_source = before.link == "up" and event.link == "up" and before.boot == event.boot
    return same_source and event.source_ms < before.source_ms


def forget_given(draft: Draft, station: str) -> None:
    """The link was lost: what was given may not have arrived and is asked for anew when the link is back (S4)."""
    for about in sorted(draft.outstanding):
        if getattr(draft.outstanding[about].goal, "station", "") == station:
            draft.mark_given(about, "no")


def unusable(draft: Draft, station: str) -> str:
    """Why a station can take no visit now, in words; "" when it can."""
    hold = held(draft, station)
    if hold is not None:
        return f"held: {hold.seen}"
    return _unusable(draft.stations[station]) or calibration.over(draft, station)


def _unusable(station: StationState) -> str:
    if station.link != "up":
        return "not connected"
    if station.mode != "automatic":
        return f"in mode {station.mode}"
    if station.gate:
        return station.gate
    if station.door == "unknown" or station.work == "unknown" or station.nest == "unknown":
        return "its door, nest or work cannot be read"
    return ""


def locked(draft: Draft, station: str) -> bool:
    """Whether a nest cannot be emptied now: held, not in automatic, not connected or not readable."""
    state = draft.stations[station]
    return (
        state.link != "up"
        or state.mode != "automatic"
        or "unknown" in (state.door, state.nest, state.work)
        or held(draft, station) is not None
    )


def look_at_faults(draft: Draft, station: str) -> None:
    """Ask a person about a fault; end goals that the image shows to be fulfilled."""
    state = draft.stations[station]
    about = f"fault of {station}"
    if state.mode != "fault":
        draft.end_goal(about)
    elif about not in draft.outstanding:
        draft.hold("station-fault", "station", station, "the station reports a fault")
    acknowledged = f"result of {station}"
    if acknowledged in draft.outstanding and state.work in ("idle", "prepared"):
        draft.end_goal(acknowledged)


def look_at_nest(draft: Draft, station: str) -> None:
    """Compare what the nest reads with what we hold to be in it."""
    state = draft.stations[station]
    if _exchange_is_to_be_seen(state):
        if state.nest == "empty":
            draft.change_station(station, expecting="occupied")
        elif _has_gone_on(state):
            _nest_is_as_expected(draft, station)
        return
    if state.expecting and state.nest == state.expecting:
        _nest_is_as_expected(draft, station)
        return
    if state.expecting or state.bay == "entered" or state.nest == "unknown":
        return
    if not reservations.explains_nest(draft, state):
        _ask_about_nest(draft, state)


def _ask_about_nest(draft: Draft, state: StationState) -> None:
    """Ask a person about a nest that reads otherwise than we hold, if it does, and nobody was asked to take that out."""
    if state.nest == "occupied" and not state.pallet:
        seen = "the nest reads occupied and nothing was put there"
        draft.hold("nest-unknown", "station", state.station, seen)
    lost = state.nest == "empty" and state.pallet
    if lost and not pallets.to_be_taken_out(draft, state.pallet):
        seen = f"the nest reads empty; {state.pallet} should be in it"
        draft.hold("nest-lost", "station", state.station, seen)


def _nest_is_as_expected(draft: Draft, station: str) -> None:
    draft.change_station(station, expecting="")
    draft.end_timer(f"nest of {station}")
    draft.rethink = "yes"


def _exchange_is_to_be_seen(state: StationState) -> bool:
    """Whether a swap is done of which no image has shown the empty nest between its two pallets yet."""
    return state.expecting == "empty" and bool(state.pallet)


def _has_gone_on(state: StationState) -> bool:
    """Whether the image is surely younger than the last entry of the arm: during it the door was open and no run ran."""
    return state.door in ("moving", "closed") or state.work == "running"


def expect_exchange(draft: Draft, station: str, pallet: str) -> None:
    """A finished swap put another pallet into a nest; its sensor reads occupied before and after, and empty in between.

    While no image has shown the nest empty, "occupied" may be the pallet before, and an "empty" to come is no loss.
    """
    state = draft.stations[station]
    if state.emptied or state.nest != "occupied":
        expect_nest(draft, station, pallet)
    else:
        draft.change_station(station, pallet=pallet, expecting="empty")


def expect_nest(draft: Draft, station: str, pallet: str) -> None:
    """A finished move changed what is in a nest; its sensor may show so a little later."""
    presence = "occupied" if pallet else "empty"
    if draft.stations[station].nest == presence:
        draft.change_station(station, pallet=pallet, expecting="")
        draft.end_timer(f"nest of {station}")
        return
    draft.change_station(station, pallet=pallet, expecting=presence)
    why = f"the nest of {station} should read {presence}"
    draft.start_timer(f"nest of {station}", draft.tables.handler.settle_ms_max, why)


def on_nest_timer(draft: Draft, station: str) -> None:
    """The nest never showed what the move promised: from now on its reading counts."""
    draft.change_station(station, expecting="")


def look_at_bay(draft: Draft, station: str) -> None:
    """Follow the door."""
    state = draft.stations[station]
    is_open = state.door in ("open", "none")
    is_closed = state.door in ("closed", "none")
    if state.bay == "opening" and is_open:
        draft.bay(station, "door open")
        draft.end_goal(f"door of {station}")
        draft.rethink = "yes"
    elif state.bay == "open" and not is_open and state.door != "unknown":
        draft.bay(station, "door lost")
        want_door(draft, station, "open")
    elif state.bay == "closing" and is_closed:
        draft.bay(station, "door closed")
        draft.end_goal(f"door of {station}")
    elif (
        state.bay == "shut"
        and not is_closed
        and state.door != "unknown"
        and state.run
        and state.run.stage == "prepared"
    ):
        draft.bay(station, "door lost")
        want_door(draft, station, "closed")


def want_door(draft: Draft, station: str, door: str) -> None:
    """Make the door's position a goal, with the station's limit."""
    wanted = "open" if door == "open" else "closed"
    draft.want_goal(SetDoor(order=draft.number(), station=station, door=wanted))
    limit_ms = draft.tables.stations[station].door_ms_max
    draft.start_timer(f"door of {station}", limit_ms, f"the door of {station} should be {wanted}")


def _may_yet_begin(draft: Draft, station: str, bay: str) -> bool:
    """Whether the door has an order that it may begin to carry out at any moment, though it reads as if it had none.

    Turning back now would take the old reading for the answer to the new order.
    """
    state = draft.stations[station]
    waiting = draft.outstanding.get(f"door of {station}")
    begun = ("moving", "closed") if bay == "closing" else ("moving", "open")
    return (
        state.bay == bay
        and waiting is not None
        and waiting.given == "yes"
        and state.door not in begun
    )


def plan_stop(draft: Draft, station: str) -> None:
    """The handler is to stop at this station next: have its door opened as soon as that is allowed."""
    state = draft.stations[station]
    if state.bay not in ("shut", "closing") or _may_yet_begin(draft, station, "closing"):
        return
    goal = SetDoor(order=0, station=station, door="open")
    if interlocks.allowed(draft, goal):
        draft.bay(station, "stop planned")
        want_door(draft, station, "open")
        draft.dirty[station] = None


def look_at_door_need(draft: Draft, station: str) -> None:
    """Close the door when a run is to start and no stop of the handler is due here."""
    state = draft.stations[station]
    wants_run = state.run is not None and state.run.stage in ("preparing", "prepared")
    if (
        wants_run
        and state.bay in ("open", "opening")
        and not _may_yet_begin(draft, station, "opening")
        and not pallets.stop_due_at(draft, station)
    ):
        draft.bay(station, "door wanted closed")
        draft.end_goal(f"door of {station}")
        want_door(draft, station, "closed")
        look_at_bay(draft, station)


def on_door_timer(draft: Draft, station: str) -> None:
    """The door did not get there in time."""
    state = draft.stations[station]
    draft.hold("door-stuck", "station", station, f"door reads {state.door} while {state.bay}")


def clear_fault(draft: Draft, station: str) -> None:
    """A person said that the cause of a fault is gone."""
    draft.want_goal(ClearFault(order=draft.number(), station=station))
    _limit(draft, f"fault of {station}", station, "clear its fault")


def acknowledge(draft: Draft, station: str, run_id: str) -> None:
    """The station may forget a run: its result is stored, or it has none."""
    draft.want_goal(AcknowledgeResult(order=draft.number(), station=station, run_id=run_id))
    _limit(draft, f"result of {station}", station, f"take note that run {run_id} is done with")


def _limit(draft: Draft, timer: str, station: str, what: str) -> None:
    limit_ms = draft.tables.stations[station].start_ms_max
    draft.start_timer(timer, limit_ms, f"{station} should {what}")


def on_fault_timer(draft: Draft, station: str) -> None:
    """The fault was not cleared in time: a person is asked again."""
    draft.end_goal(f"fault of {station}")


def on_result_timer(draft: Draft, station: str) -> None:
    """The station did not take note. If that is in the way of a next run, it is told again then."""
    draft.end_goal(f"result of {station}")

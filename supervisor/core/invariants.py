"""Statements that are true in every state the core can reach.

Rules of this file: a broken invariant is a defect of ours, never a station's misbehaviour (S10). Each sentence names what it saw.
"""

from collections.abc import Iterator

from supervisor.core import reservations
from supervisor.core.commands import MoveHandler, StartRun
from supervisor.core.state import LINE, CellState
from supervisor.core.tables import CellTables


def broken(tables: CellTables, state: CellState) -> tuple[str, ...]:
    """Every invariant that a state breaks, in words."""
    return (
        *_pallets_stand_at_one_place(tables, state),
        *_places_agree_with_pallets(tables, state),
        *_hand_is_bounded(state),
        *_entered_means_ordered(state),
        *_runs_are_consistent(state),
        *_reservations_are_apart(state),
        *_outfeeds_are_kept_for_who_comes(tables, state),
    )


def _pallets_stand_at_one_place(tables: CellTables, state: CellState) -> Iterator[str]:
    for name, pallet in state.pallets.items():
        if pallet.place == LINE:
            if reservations.of(state, name) is None:
                yield f"{name} is {LINE} and nothing is kept for it"
            continue
        if pallet.place in tables.stations:
            holder = state.stations[pallet.place].pallet
        elif pallet.place in tables.places:
            holder = state.places[pallet.place].pallet
        else:
            holder = state.handler.jaws[tables.jaws.index(pallet.place)]
        if holder != name:
            yield f"{name} should be at {pallet.place}, which holds {holder or 'nothing'}"


def _places_agree_with_pallets(tables: CellTables, state: CellState) -> Iterator[str]:
    held_at = [(s.station, s.pallet) for s in state.stations.values()]
    held_at += [(p.place, p.pallet) for p in state.places.values()]
    held_at += list(zip(tables.jaws, state.handler.jaws, strict=True))
    for place, pallet in held_at:
        if pallet and (pallet not in state.pallets or state.pallets[pallet].place != place):
            yield f"{place} holds {pallet}, which is elsewhere"


def _hand_is_bounded(state: CellState) -> Iterator[str]:
    """Only a swap that failed half-way leaves two pallets in hand; no order ever leads there."""
    waiting = state.outstanding.get("handler")
    goal = waiting.goal if waiting else None
    if not isinstance(goal, MoveHandler) or not goal.picked:
        return
    others = [pallet for pallet in state.handler.jaws if pallet and pallet != goal.put]
    if others:
        yield f"ordered to pick up {goal.picked} with {', '.join(others)} in hand"


def _entered_means_ordered(state: CellState) -> Iterator[str]:
    waiting = state.outstanding.get("handler")
    goal = waiting.goal if waiting else None
    for station in state.stations.values():
        entered = station.bay == "entered"
        ordered = (
            isinstance(goal, MoveHandler)
            and goal.place == station.station
            and goal.action != "approach"
        )
        if entered and not ordered and state.handler.stage != "halted":
            yield f"the arm may be inside {station.station} without an order"
        if ordered and not entered:
            yield f"the handler is ordered into {station.station} without a grant"


def _runs_are_consistent(state: CellState) -> Iterator[str]:
    for station in state.stations.values():
        waiting = state.outstanding.get(f"run of {station.station}")
        goal = waiting.goal if waiting else None
        if isinstance(goal, StartRun) and (
            station.run is None or station.run.run_id != goal.run_id
        ):
            yield f"{station.station} is to start {goal.run_id}, which is not its run"
        if (
            isinstance(goal, StartRun)
            and station.run is not None
            and station.run.stage != "starting"
        ):
            yield f"{station.station} is to start {goal.run_id}, which is already {station.run.stage}"


def _reservations_are_apart(state: CellState) -> Iterator[str]:
    """No place is kept for two, no pallet has two places, and the handler has no order into a station that the line may be in."""
    targets = [kept.target for kept in state.reservations if kept.target]
    if len({*targets}) < len(targets):
        yield f"one of {', '.join(targets)} is kept for two pallets"
    pallets = [kept.pallet for kept in state.reservations]
    if len({*pallets}) < len(pallets) or {*pallets} - state.pallets.keys():
        yield f"places are kept for {', '.join(pallets)}, one of them twice or not in the cell"
    for station in state.stations.values():
        if station.bay == "entered" and reservations.at_station(state, station.station) is not None:
            yield f"the arm may be inside {station.station}, and so may the line's transport"


def _outfeeds_are_kept_for_who_comes(tables: CellTables, state: CellState) -> Iterator[str]:
    """What keeps an outfeed place is brought there or stands there; otherwise it would be kept for ever, and for nobody."""
    carry = state.handler.carry
    coming = {(kept.target, kept.pallet) for kept in state.reservations}
    if carry is not None:
        coming.add((carry.target, carry.pallet))
    for name, place in state.places.items():
        if name not in tables.places or tables.places[name].kind != "outfeed":
            continue
        if place.reserved not in ("", place.pallet) and (name, place.reserved) not in coming:
            yield f"{name} is kept for {place.reserved}, which is not on its way there"

"""What the rules of pallets, stations and moves have to know of places that are kept for the line.

Rules of this file: looked up, and one fact written down; what follows is decided in ``line``. It names no other rules, so that they all may
name it.
"""

from supervisor.core.draft import Draft
from supervisor.core.state import LINE, CellState, Reservation, StationState


def claim_on(state: Draft | CellState, pallet: str) -> Reservation | None:
    """What makes a pallet the line's to carry, or None: the cell's own handler leaves it alone."""
    for kept in state.reservations:
        if kept.pallet == pallet:
            return kept
    return None


def of_another(state: Draft | CellState, pallet: str, by: str) -> Reservation | None:
    """What makes a pallet somebody else's to carry than whoever goes by this name, or None. A name is what was said, not who it was."""
    claim = claim_on(state, pallet)
    return claim if claim is not None and claim.by != by else None


def of(state: Draft | CellState, pallet: str) -> Reservation | None:
    """The place that is kept for a pallet, so that it may be moved at any moment, or None."""
    claim = claim_on(state, pallet)
    return claim if claim is not None and claim.target else None


def at_station(state: Draft | CellState, station: str) -> Reservation | None:
    """The reservation for which the line's transport may be at a station: it fetches a pallet there, or brings one.

    A nest reads empty as soon as the pallet is lifted, so where it was fetched is the line's until the pallet stands at its target. A
    target with another pallet in its nest is not the line's yet: the handler has to fetch that first.
    """
    kept = kept_at(state, station)
    if kept is None or station == kept.origin:
        return kept
    return kept if state.stations[station].pallet in ("", kept.pallet) else None


def kept_at(state: Draft | CellState, station: str) -> Reservation | None:
    """The reservation for which a station takes no other pallet."""
    for kept in state.reservations:
        if station in (kept.origin, kept.target):
            return kept
    return None


def another_at_target(state: Draft | CellState, kept: Reservation) -> str:
    """The pallet that stands where another one is to be brought, and has to leave first; "" if there is none."""
    at = state.stations.get(kept.target) or state.places.get(kept.target)
    return at.pallet if at is not None and at.pallet != kept.pallet else ""


def is_target(draft: Draft, place: str) -> bool:
    """Whether the line is to bring a pallet to a place."""
    return any(kept.target == place for kept in draft.reservations)


def explains_nest(draft: Draft, state: StationState) -> bool:
    """Whether a nest reads otherwise than we hold because the line carries a pallet; one that has gone is on the line from now on."""
    if state.nest == "empty" and of(draft, state.pallet) is not None:
        pick_up(draft, state.pallet)
        return True
    coming = at_station(draft, state.station)
    return state.nest == "occupied" and not state.pallet and coming is not None


def pick_up(draft: Draft, pallet: str) -> None:
    """A pallet is no longer seen where it stood, and the line is to carry it: it is on the line."""
    place = draft.pallets[pallet].place
    if place in draft.stations:
        draft.change_station(place, pallet="")
    elif place in draft.places:
        draft.change_place(place, pallet="")
        draft.end_goal(f"tag at {place}")
    draft.change_pallet(pallet, place=LINE, planned=())

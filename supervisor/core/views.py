"""The cell as routing sees it.

Rules of this file:
- A view is worked out from the state and the time and from nothing else, and changes neither.
- Most pallets stand in the rack while others are asked about: the view of a pallet that no run is about holds as long as its state and
  that of its home place are the very same values, so it is remembered by its place. Remembering changes no view.
"""

from supervisor.cell.value import replace
from supervisor.core import interlocks, pallets, reservations, soaking, stations, studies, trust
from supervisor.core.commands import SetDoor
from supervisor.core.draft import Draft
from supervisor.core.state import PalletState, StationState
from supervisor.routing.situation import OutfeedView, PalletView, Situation, StationView


def situation(draft: Draft, hand: str) -> Situation:
    """The cell, with the pallet in hand ("" = none)."""
    at = draft.handler.at
    tables = draft.tables
    known = at in tables.places or at in tables.stations
    return Situation(
        now_ms=draft.at_ms,
        hand=hand,
        jaws=2 if draft.handler.jaws.count("") + (1 if hand else 0) > 1 else 1,
        at_mm=tables.position_mm(at) if known else tables.handler.rail_from_mm,
        pallets=_pallet_views(draft, hand),
        stations=tuple([station_view(draft, name) for name in tables.stations]),
        outfeeds=tuple(
            [
                OutfeedView(
                    place=place.place,
                    at_mm=place.at_mm,
                    sorting=place.sorting,
                    free="free" if _outfeed_free(draft, place.place) else "taken",
                )
                for place in tables.outfeeds
            ]
        ),
        plan=draft.handler.plan,
        way=draft.handler.way,
    )


# --- pallets --------------------------------------------------------------------------------------------------------------------


def _pallet_views(draft: Draft, hand: str) -> tuple[PalletView, ...]:
    """The pallet in hand, and those that may be fetched, in the order of their ids."""
    measured = {s.run.pallet for s in draft.stations.values() if s.run is not None}
    jaws, rack = draft.tables.jaws, pallets.free_rack_place(draft) if draft.tables.infeeds else ""
    views: list[PalletView] = []
    for name, pallet in sorted(draft.pallets.items()):
        if name == hand and pallets.at_infeed(draft, pallet):  # it is the line that carries it
            views.append(replace(hand_view(draft, pallet), home=pallet.home or rack))
        elif name == hand:
            views.append(hand_view(draft, pallet))
        elif _waits_for_a_check(draft, pallet) or reservations.claim_on(draft, name) is not None:
            continue
        elif pallet.place not in jaws and pallets.may_travel(draft, pallet):
            seen = view(draft, pallet) if name in measured else _at_rest(draft, pallet)
            if not pallets.at_infeed(draft, pallet):
                views.append(seen)
            elif rack or not _comes_back(draft, pallet):
                views.append(replace(seen, home=pallet.home or rack))
    return tuple(views)


def _waits_for_a_check(draft: Draft, pallet: PalletState) -> bool:
    """Whether a reference part stands in the rack and no check is due."""
    idle = pallet.part_type in draft.tables.references and not pallet.open
    return idle and pallet.place in draft.places


def _comes_back(draft: Draft, pallet: PalletState) -> bool:
    """Whether a pallet needs a rack place between its visits whatever routing can do without: it stays in the cell, or visits one station again and again."""
    studied = studies.study_of(draft, pallet.pallet) != ""
    return studied or pallet.part_type in draft.tables.references


def view(draft: Draft, pallet: PalletState) -> PalletView:
    """A pallet as routing sees it: without the characteristics that a run which has begun is about to decide."""
    runs_of_it = [
        station
        for station in draft.stations.values()
        if station.run is not None and station.run.pallet == pallet.pallet
    ]
    return _measured(draft, pallet, runs_of_it) if runs_of_it else _at_rest(draft, pallet)


def _at_rest(draft: Draft, pallet: PalletState) -> PalletView:
    """The view of a pallet that no run is about, which may leave at any time."""
    if soaking.is_in_the_way(draft, pallet):
        seen = _view(draft, pallet, movable_ms=0, unmeasured=())
        return replace(seen, movable_ms=0, stays="yes")  # nothing is about to be known of it
    home, study = draft.places.get(pallet.home), studies.study_of(draft, pallet.pallet)
    known = draft.tables.views.get(pallet.place)
    if (
        known is not None
        and known[0] is pallet
        and known[1] is home
        and known[3] is draft.trust
        and known[4] == study
    ):
        return known[2]
    seen = _view(draft, pallet, movable_ms=0, unmeasured=pallet.open)
    draft.tables.views[pallet.place] = (pallet, home, seen, draft.trust, study)
    return seen


def _measured(draft: Draft, pallet: PalletState, at: list[StationState]) -> PalletView:
    """The view of a pallet that these stations measure or evaluate."""
    pending: frozenset[str] = frozenset()
    movable_ms = draft.at_ms
    for station in at:
        run = station.run
        assert run is not None
        if run.stage in ("preparing", "prepared"):
            continue  # nothing is decided yet: who took the pallet out now would have to bring it back
        again = pallet.part_type in draft.tables.references  # a run that misses is repeated at once
        if not again and not studies.wants_another(draft, pallet, run):
            pending |= draft.tables.decides[run.program]
        if station.station == pallet.place and run.stage not in ("evaluating", "finished"):
            begun_ms = run.started_ms or draft.at_ms
            part_free_ms = draft.tables.programs[run.program].part_free_ms
            movable_ms = max(draft.at_ms + 1, begun_ms + part_free_ms)
    left = tuple(number for number in pallet.open if number not in pending)
    return _view(draft, pallet, movable_ms=movable_ms, unmeasured=left)


AHEAD_MS = 24 * 3_600_000
"""By how much longer than it did a reference part counts as waiting, so that a due check comes next (our choice)."""


def _view(
    draft: Draft, pallet: PalletState, *, movable_ms: int, unmeasured: tuple[str, ...]
) -> PalletView:
    is_reference = pallet.part_type in draft.tables.references
    ready_ms = soaking.ready_ms(draft.tables.part_types.get(pallet.part_type), pallet)
    return PalletView(
        pallet=pallet.pallet,
        part_type=pallet.part_type,
        place=pallet.place,
        at_mm=_position_mm(draft, pallet),
        movable_ms=max(movable_ms, ready_ms),
        home="" if _home_is_taken(draft, pallet) else pallet.home,
        open=unmeasured,
        sorting=pallet.sorting if pallet.stage == "decided" else "",
        waiting_since_ms=max(pallet.since_ms, ready_ms) - (AHEAD_MS if is_reference else 0),
        done=pallet.done,
        planned=pallet.planned,
        entered_ms=pallet.entered_ms,
        barred=trust.barred(draft, pallet.part_type),
        stays="yes" if _comes_back(draft, pallet) else "no",
    )


def _home_is_taken(draft: Draft, pallet: PalletState) -> bool:
    """Whether somebody put another pallet on a pallet's home place, and no other place was free."""
    home = draft.places.get(pallet.home)
    return home is not None and home.pallet not in ("", pallet.pallet)


def _position_mm(draft: Draft, pallet: PalletState) -> int:
    """Along the rail; of a pallet in hand nobody asks."""
    if pallet.place in draft.tables.jaws:
        return draft.tables.handler.rail_from_mm
    return draft.tables.position_mm(pallet.place)


def hand_view(draft: Draft, pallet: PalletState) -> PalletView:
    """A pallet in hand; one that waits for a person has no business but to go home."""
    seen = view(draft, pallet)
    return seen if pallets.may_travel(draft, pallet) else replace(seen, open=(), sorting="")


# --- stations and places ----------------------------------------------------------------------------------------------------------


def _outfeed_free(draft: Draft, place: str) -> bool:
    state = draft.places[place]
    return state.presence == "empty" and not state.pallet and not state.reserved


def station_view(draft: Draft, station: str) -> StationView:
    """A station as routing sees it."""
    state = draft.stations[station]
    leaves_ms = draft.at_ms
    free_ms = draft.at_ms
    run = state.run
    if run is not None:
        program = draft.tables.programs[run.program]
        begun_ms = run.started_ms or draft.at_ms
        free_ms = max(draft.at_ms, begun_ms + program.result_ms)
        if run.stage not in ("evaluating", "finished"):
            leaves_ms = max(draft.at_ms + 1, begun_ms + program.part_free_ms)
    unusable = stations.unusable(draft, station)
    return StationView(
        station=station,
        unusable=unusable,
        occupant=state.pallet,
        occupant_leaves_ms=leaves_ms,
        run_free_ms=free_ms,
        coming=_coming(draft, station),
        fetch="allowed" if unusable and _may_be_emptied(draft, station) else "refused",
    )


def _coming(draft: Draft, station: str) -> str:
    """The pallet that a station is kept for because the line or the handler is bringing or fetching it, or ""."""
    kept = reservations.kept_at(draft, station)
    if kept is not None:
        return kept.pallet
    carry = draft.handler.carry
    return carry.pallet if carry is not None and carry.target == station else ""


def _may_be_emptied(draft: Draft, station: str) -> bool:
    """Whether the handler may fetch a pallet from a station that takes no visit."""
    if stations.locked(draft, station):
        return False
    return interlocks.allowed(draft, SetDoor(order=0, station=station, door="open"))

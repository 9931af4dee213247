"""Rules of a pallet in a jaw that can be put down nowhere: people are asked, and the question ends by itself as soon as something takes it.

Rules of this file:
- It has no home place, and routing carries it nowhere. That is asked about when time alone does not help: no station that can be used
  decides anything of its part, or nothing is under way that could free a nest or an outfeed place.
- A connection that is lost for a moment is no reason to ask.
- There is one question about a pallet: where people are asked about it, or about the handler, for another reason, that comes first.
"""

from supervisor.core import moves, pallets, stations, views
from supervisor.core.draft import Draft, held
from supervisor.routing.situation import PalletView

ASKED_AFTER_MS = 60_000
"""How long a pallet is in a jaw that nothing takes before people are asked (our choice)."""


def look_at_jaws(draft: Draft) -> None:
    """Begin to wait for a person about what nothing takes out of a jaw, and cease where something does."""
    for jaw, pallet in zip(draft.tables.jaws, draft.handler.jaws, strict=True):
        if not pallet:
            draft.end_timer(_timer(jaw))
        elif not _why(draft, pallet):
            draft.end_timer(_timer(jaw))
            _end_question(draft, pallet)
        elif (
            moves.usable(draft)
            and draft.want == "run"
            and not pallets.to_be_taken_out(draft, pallet)
        ):
            _wait(draft, jaw, pallet)


def on_hand_timer(draft: Draft, jaw: str) -> None:
    """Nothing has taken a pallet out of a jaw for as long as that may be a passing thing."""
    if jaw not in draft.tables.jaws:
        return
    pallet = draft.handler.jaws[draft.tables.jaws.index(jaw)]
    why = _why(draft, pallet) if pallet else ""
    if why and moves.usable(draft) and draft.want == "run":
        seen = f"it is in {jaw} and has no home place: {why}"
        draft.hold("pallet-stranded", "pallet", pallet, seen)


def _timer(jaw: str) -> str:
    return f"hand {jaw}"


def _wait(draft: Draft, jaw: str, pallet: str) -> None:
    if _timer(jaw) not in draft.timers:
        draft.start_timer(_timer(jaw), ASKED_AFTER_MS, f"nothing takes {pallet} out of {jaw}")


def _end_question(draft: Draft, pallet: str) -> None:
    """Where somebody took the pallet out meanwhile and has not said so, that is asked now."""
    hold = pallets.to_be_taken_out(draft, pallet)
    if hold:
        draft.end_hold(hold)
        moves.look_at_jaws(draft)


# --- why nothing takes it ---------------------------------------------------------------------------------------------------------


def _why(draft: Draft, pallet: str) -> str:
    """Why a pallet in a jaw can be put down nowhere, and time alone does not help; "" if it does, or if it is asked about already."""
    handler = draft.handler
    busy = handler.carry is not None or handler.stage != "idle" or "handler" in draft.outstanding
    if busy or held(draft, pallet) is not None:
        return ""
    seen = views.hand_view(draft, draft.pallets[pallet])
    if not seen.sorting and not pallets.run_under_way(draft, pallet):
        undecided = _undecided(draft, seen)
        if undecided:
            return undecided
    if _goes_on(draft):
        return ""
    if seen.sorting:
        return f"no outfeed place for {seen.sorting} parts is free"
    return "what could take it is taken, and nothing is under way that frees it"


def _undecided(draft: Draft, seen: PalletView) -> str:
    """Why no station that can be used decides anything of a part, in words; "" if one does."""
    router = draft.tables.router
    usable = tuple(name for name in draft.stations if not stations.unusable(draft, name))
    if len(router.unreachable(seen, usable)) < len(seen.open):
        return ""
    shown = tuple(views.station_view(draft, name) for name in draft.stations)
    return router.why_unreachable(seen, shown) or "nothing is to be done with it"


def _goes_on(draft: Draft) -> bool:
    """Whether something comes to its end by itself that may make way: a run at a station that can be used, or what the line carries."""
    under_way = any(
        state.run is not None and not stations.unusable(draft, name)
        for name, state in draft.stations.items()
    )
    return under_way or bool(draft.reservations)

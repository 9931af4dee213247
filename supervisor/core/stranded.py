"""Rules of a pallet that can be put down nowhere: people are asked, and the question ends by itself as soon as something takes it.

Rules of this file:
- It has no home place, and routing carries it nowhere. That is asked about when time alone does not help: no station that can be used
  decides anything of its part, or nothing is under way that could free a nest, a rack place or an outfeed place.
- Of pallets in nests only those are asked about that wait for each other, and of these one at a time. Routing lets nobody in whom that
  could befall; rack places that are declared away while pallets are inside bring it about.
- A connection that is lost for a moment is no reason to ask.
- There is one question about a pallet: where people are asked about it, or about the handler, for another reason, that comes first.
"""

from supervisor.core import moves, pallets, stations, views
from supervisor.core.draft import Draft, held
from supervisor.core.state import PalletState
from supervisor.routing.situation import PalletView

ASKED_AFTER_MS = 60_000
"""How long nothing takes a pallet before people are asked (our choice)."""
NESTS = "nests"


def look_at_pallets(draft: Draft) -> None:
    """Begin to wait for a person about what nothing takes, and cease where something does."""
    for where in (*draft.tables.jaws, NESTS):
        found = _found(draft, where)
        if found or draft.holds or draft.timers:
            _look_at(draft, where, found)


def on_stranded_timer(draft: Draft, where: str) -> None:
    """Nothing has taken a pallet for as long as that may be a passing thing: the first of those that nothing takes is asked about."""
    found = _found(draft, where)
    if found and _may_ask(draft):
        pallet, why = next(iter(found.items()))
        seen = f"it is in {draft.pallets[pallet].place} and has no home place: {why}"
        draft.hold("pallet-stranded", "pallet", pallet, seen)


def _found(draft: Draft, where: str) -> dict[str, str]:
    """What nothing takes out of a jaw, or out of the nests, with the reason."""
    return _in_a_circle(draft) if where == NESTS else _in_jaw(draft, where)


def _look_at(draft: Draft, where: str, found: dict[str, str]) -> None:
    timer, asked = f"stranded {where}", _asked(draft, where)
    for pallet in asked:
        if pallet not in found:
            _end_question(draft, pallet)
    if not found:
        draft.end_timer(timer)
    elif not asked and timer not in draft.timers and _may_ask(draft):
        draft.start_timer(timer, ASKED_AFTER_MS, f"nothing takes {' or '.join(found)}")


def _asked(draft: Draft, where: str) -> list[str]:
    """The pallets there that people are asked to take out."""
    subjects = [h.subject for h in draft.holds.values() if h.code == "pallet-stranded"]
    places = draft.stations if where == NESTS else (where,)
    return [pallet for pallet in subjects if draft.pallets[pallet].place in places]


def _may_ask(draft: Draft) -> bool:
    """Whether a handler that takes orders would carry it: while it is held, driven by hand or to pause, nobody is asked about anything else."""
    return draft.want == "run" and moves.usable(draft)


def _end_question(draft: Draft, pallet: str) -> None:
    """Where somebody took the pallet out meanwhile and has not said so, that is asked now."""
    draft.end_hold(pallets.to_be_taken_out(draft, pallet))
    draft.look_again("station", draft.pallets[pallet].place)
    moves.look_at_jaws(draft)


# --- why nothing takes it ---------------------------------------------------------------------------------------------------------


def _handler_is_busy(draft: Draft) -> bool:
    handler = draft.handler
    return handler.carry is not None or handler.stage != "idle" or "handler" in draft.outstanding


def _in_jaw(draft: Draft, jaw: str) -> dict[str, str]:
    """The pallet in a jaw, with the reason, if nothing takes it."""
    jaws = draft.tables.jaws
    pallet = draft.handler.jaws[jaws.index(jaw)] if jaw in jaws else ""
    why = _why_in_jaw(draft, pallet) if pallet else ""
    return {pallet: why} if why else {}


def _why_in_jaw(draft: Draft, pallet: str) -> str:
    """Why a pallet in a jaw can be put down nowhere, and time alone does not help; "" if it does, or if it is asked about already."""
    if _handler_is_busy(draft) or held(draft, pallet) is not None:
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
    if _can_decide(draft, seen, _usable(draft)):
        return ""
    shown = tuple(views.station_view(draft, name) for name in draft.stations)
    return draft.tables.router.why_unreachable(seen, shown) or "nothing is to be done with it"


def _usable(draft: Draft) -> tuple[str, ...]:
    return tuple(name for name in draft.stations if not stations.unusable(draft, name))


def _can_decide(draft: Draft, seen: PalletView, at: tuple[str, ...]) -> bool:
    """Whether these stations can decide anything that is open of a part."""
    return len(draft.tables.router.unreachable(seen, at)) < len(seen.open)


def _goes_on(draft: Draft) -> bool:
    """Whether something comes to its end by itself that may make way: a run at a station that can be used, or what the line carries."""
    under_way = any(
        state.run is not None and not stations.unusable(draft, name)
        for name, state in draft.stations.items()
    )
    return under_way or bool(draft.reservations)


# --- nests ------------------------------------------------------------------------------------------------------------------------


def _in_a_circle(draft: Draft) -> dict[str, str]:
    """The pallets in nests that wait for each other and that another one waits for, in the order of their ids, with the reason."""
    homeless = [
        draft.pallets[state.pallet]
        for state in draft.stations.values()
        if state.pallet and not draft.pallets[state.pallet].home
    ]
    if len(homeless) < 2 or _handler_is_busy(draft) or any(draft.handler.jaws) or _goes_on(draft):  # noqa: PLR2004
        return {}
    wanted = {pallet.place: _wanted_by(draft, pallet) for pallet in homeless}
    waiting = {place for place in wanted if wanted[place]}
    while True:
        stuck = {place for place in waiting if wanted[place] <= waiting}
        if stuck == waiting:
            break
        waiting = stuck
    needed = {place for other in waiting for place in wanted[other]}
    return {
        pallet.pallet: f"it waits for {' and '.join(sorted(wanted[pallet.place]))}, and what is there waits for it in turn"
        for pallet in sorted(homeless, key=lambda pallet: pallet.pallet)
        if pallet.place in waiting & needed
    }


def _wanted_by(draft: Draft, pallet: PalletState) -> frozenset[str]:
    """The other stations that a pallet in a nest may go on to; none while it waits for something else."""
    measured = pallets.run_under_way(draft, pallet.pallet)
    if measured or pallet.stage == "decided" or not pallets.may_travel(draft, pallet):
        return frozenset()
    seen = views.view(draft, pallet)
    others = (name for name in _usable(draft) if name != pallet.place)
    return frozenset(name for name in others if _can_decide(draft, seen, (name,)))

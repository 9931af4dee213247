"""Who changes places with whom where pallets have no home: the best for all together, not one after the other.

Rules of this file:
- A pallet that is ready to go on and stays blocks its nest. What is gained by going on is told by the prices of ``scarcity.py``.
- Where one goes another may follow, from a nest or from outside, so all are matched to the open nests at once; chains and rings come out by
  themselves. Only how they begin is answered: once a pallet is in hand the question is asked again.
- Nothing here is safe by itself: of the moves that the safety filter lets through it only says which to prefer.
"""

from supervisor.routing.matching import NOT_AT_ALL, assigned
from supervisor.routing.moves import kept_out
from supervisor.routing.onward import NOWHERE
from supervisor.routing.picture import Picture
from supervisor.routing.situation import PalletView

Gains = dict[int, float]
"""By station: what is gained if a pallet goes there."""
Fetched = dict[int, tuple[float, str]]
"""By station: who from outside gains most there, and what."""


def exchange(picture: Picture) -> dict[str, int]:
    """Which pallets go first, and to which station, so that all together gain most; a pallet in hand goes somewhere in any case."""
    latest_ms = picture.now_ms + picture.tables.reach_ms
    nests: list[int] = []
    movers: dict[str, tuple[int, Gains]] = {}
    for at, seat in picture.seats.items():
        occupant = seat.occupant
        if occupant is not None and picture.leaves_ms[occupant.pallet] > latest_ms:
            continue
        if not seat.obstacle and not seat.view.unusable:
            nests.append(at)
        if occupant is not None and picture.ways_on.waits(at):
            movers[occupant.pallet] = at, _gains(picture, occupant)
    held = picture.pallets.get(picture.situation.hand)
    if held is not None:
        movers[held.pallet] = NOWHERE, _gains(picture, held)
    return begun(movers, _outside(picture, latest_ms), nests)


def _outside(picture: Picture, latest_ms: int) -> dict[str, Gains]:
    """Of the pallets outside the stations that are alike, the one that waits longest, with what it gains by coming in."""
    found: dict[str, Gains] = {}
    known: set[int] = set()
    for view in sorted(picture.situation.pallets, key=lambda p: (p.waiting_since_ms, p.pallet)):
        covers = picture.outlooks[view.pallet].covers
        inside = view.place in picture.seat_at or view.pallet == picture.situation.hand
        if inside or id(covers) in known or picture.leaves_ms[view.pallet] > latest_ms:
            continue
        if covers and not kept_out(picture, view):
            known.add(id(covers))
            found[view.pallet] = _gains(picture, view)
    return found


def _gains(picture: Picture, pallet: PalletView) -> Gains:
    return {at: gain for at, (gain, _) in picture.ways(pallet).items()}


def begun(
    movers: dict[str, tuple[int, Gains]], outside: dict[str, Gains], nests: list[int]
) -> dict[str, int]:
    """Who goes where first: pallets whose own nest nobody is brought to, and those that change places in a ring.

    ``movers`` are the pallets in nests and in hand, each with its station (``NOWHERE``: in hand) and gains, ``outside`` those that may be
    fetched, ``nests`` the stations that can take one, if their occupant is one of the movers and goes.
    """
    fetched = {at: _best_of(outside, at) for at in nests}
    rows = [
        _row(number, *mover, nests, fetched, len(movers))
        for number, mover in enumerate(movers.values())
    ]
    to = {
        name: nests[at]
        for name, at in zip(movers, assigned(rows), strict=True)
        if at < len(nests) and nests[at] != movers[name][0]
    }
    return _firsts(to, movers, fetched)


def _row(
    number: int, station: int, worth: Gains, nests: list[int], fetched: Fetched, count: int
) -> list[float]:
    """What it gains to bring a mover to each nest, more than to fetch another one for it; then, with a column for each mover, to leave it where it is."""
    row = [worth[at] - fetched[at][0] if at in worth else NOT_AT_ALL for at in nests]
    row += [NOT_AT_ALL] * count
    if station in fetched:
        row[nests.index(station)] = -fetched[station][0]
    else:
        row[len(nests) + number] = NOT_AT_ALL / 2 if station == NOWHERE else 0.0
    return row


def _firsts(
    to: dict[str, int], movers: dict[str, tuple[int, Gains]], fetched: Fetched
) -> dict[str, int]:
    """The first of each chain, and everybody in a ring.

    Of pallets outside that are alike one stands for all: where it begins several chains one of them is named, and the others begin with their second.
    """
    kept = {station for name, (station, _) in movers.items() if name not in to}
    taken = kept | set(to.values())
    firsts = {name: at for at, (_, name) in fetched.items() if name and at not in taken}
    brought = set(to.values()) | set(firsts.values())
    leaving = {movers[name][0]: name for name in to}
    firsts |= {n: to[n] for at, n in leaving.items() if at == NOWHERE or at not in brought}
    in_chains: set[str] = set()
    for first in firsts.values():
        at = first
        while at in leaving:
            in_chains.add(leaving[at])
            at = to[leaving[at]]
    return firsts | {name: at for name, at in to.items() if name not in in_chains}


def _best_of(outside: dict[str, Gains], at: int) -> tuple[float, str]:
    """Who gains most at a station, the first of several; nobody if it is worth nothing."""
    best = 0.0, ""
    for name, worth in outside.items():
        if worth.get(at, 0.0) > best[0]:
            best = worth[at], name
    return best

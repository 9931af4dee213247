"""Who takes whose place: pallets matched to nests so that all together gain most, as chains and rings.

Rules of this file: numbers in, numbers out; nothing is known here of times, stations or prices.
"""

from collections.abc import Hashable, Mapping
from typing import Generic, NamedTuple, TypeVar

from supervisor.routing.matching import NOT_AT_ALL, assigned
from supervisor.routing.onward import NOWHERE

Who = TypeVar("Who", bound=Hashable)
"""How a pallet in a nest or in hand is named."""
New = TypeVar("New", bound=Hashable)
"""How pallets outside that are alike are named."""
Gains = Mapping[int, float]
"""By station: what is gained if a pallet goes there."""
Fetched = dict[int, tuple[float, New | None]]
"""By station: what is gained most by fetching a pallet from outside, and who that is (None: nobody)."""


class Mover(NamedTuple):
    """A pallet in a nest or in hand (``NOWHERE``) that may go on, and what is gained where."""

    station: int
    gains: Gains


class Matched(NamedTuple, Generic[Who, New]):
    """Who goes on where to, and who would be fetched for each nest; those who stay are not named."""

    to: dict[Who, int]
    fetched: Fetched[New]


def matched(
    movers: Mapping[Who, Mover], outside: Mapping[New, Gains], nests: list[int]
) -> Matched[Who, New]:
    """The exchange that gains most.

    ``movers`` are the pallets in nests and in hand, ``outside`` those that may be fetched, ``nests`` the stations that can take one, if their
    occupant is one of the movers and goes. Who can go nowhere stays, and keeps its nest.
    """
    going = {
        who: mover
        for who, mover in movers.items()
        if any(at in mover.gains for at in nests if at != mover.station)
    }
    kept = {mover.station for who, mover in movers.items() if who not in going}
    nests = [at for at in nests if at not in kept]
    fetched = {at: _best_of(outside, at) for at in nests}
    rows = [
        _row(number, mover, nests, fetched, len(going))
        for number, mover in enumerate(going.values())
    ]
    to = {
        who: nests[at]
        for (who, mover), at in zip(going.items(), assigned(rows), strict=True)
        if at < len(nests) and nests[at] != mover.station
    }
    return Matched(to, fetched)


def _row(
    number: int, mover: Mover, nests: list[int], fetched: Fetched[New], count: int
) -> list[float]:
    """What it gains to bring a mover to each nest, more than to fetch another one for it; then, with a column for each mover, to leave it where it is."""
    station, worth = mover
    row = [worth[at] - fetched[at][0] if at in worth else NOT_AT_ALL for at in nests]
    row += [NOT_AT_ALL] * count
    if station in fetched:
        row[nests.index(station)] = -fetched[station][0]
    else:
        row[len(nests) + number] = NOT_AT_ALL / 2 if station == NOWHERE else 0.0
    return row


def newcomers(exchanged: Matched[Who, New], movers: Mapping[Who, Mover]) -> list[tuple[New, int]]:
    """Who is fetched for which nest: for those that nobody goes on to and nobody stays in."""
    taken = {mover.station for who, mover in movers.items() if who not in exchanged.to}
    taken.update(exchanged.to.values())
    return [
        (who, at)
        for at, (_, who) in exchanged.fetched.items()
        if who is not None and at not in taken
    ]


def firsts(exchanged: Matched[Who, Who], movers: Mapping[Who, Mover]) -> dict[Who, int]:
    """The first of each chain, and everybody in a ring.

    Of pallets outside that are alike one stands for all: where it begins several chains one of them is named, and the others begin with their second.
    """
    to = exchanged.to
    found = dict(newcomers(exchanged, movers))
    brought = {*to.values(), *found.values()}
    leaving = {movers[who].station: who for who in to}
    found |= {who: to[who] for at, who in leaving.items() if at == NOWHERE or at not in brought}
    in_chains: set[Who] = set()
    for first in found.values():
        at = first
        while at in leaving:
            in_chains.add(leaving[at])
            at = to[leaving[at]]
    return found | {who: at for who, at in to.items() if who not in in_chains}


def _best_of(outside: Mapping[New, Gains], at: int) -> tuple[float, New | None]:
    """Who gains most at a station, the first of several; nobody if it is worth nothing."""
    best: tuple[float, New | None] = 0.0, None
    for name, worth in outside.items():
        if worth.get(at, 0.0) > best[0]:
            best = worth[at], name
    return best

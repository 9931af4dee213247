"""The ways to decide a set of characteristics: which programs together, at which stations.

Rules of this file:
- A cover has no program that it could do without, and its programs can be run in an order that the plan allows. Covers are listed cheapest first, ties by program ids.
- The list is cut at a named limit; the walk takes quick programs first, so what is cut is long.
"""

from collections.abc import Iterator
from itertools import islice
from typing import NamedTuple

from supervisor.cell.value import value
from supervisor.routing.precedence import Sooner, in_order, stations_before
from supervisor.routing.tables import Offer, decided_by

COVERS_MAX = 64
WALK_MAX = 256


@value
class Cover:
    """Programs that together decide what was asked.

    ``programs`` are all of them; ``visits`` holds, for each station of the cell, the programs to run there in this order; ``work_ms`` the time they take there,
    change of pallets included; ``total_ms`` the sum; ``hands_ms`` about what its visits take of the handler; ``work`` who has to do with it, and how long, the handler after
    the last station. Where the plan prescribes an order, ``before`` holds for each station those to be visited
    before it (bit sets), and ``now`` what may run there now; () where any order will do.
    """

    programs: tuple[str, ...]
    visits: tuple[tuple[Offer, ...], ...]
    work_ms: tuple[int, ...]
    total_ms: int
    hands_ms: int = 0
    work: tuple[tuple[int, int], ...]
    before: tuple[int, ...] = ()
    now: tuple[tuple[Offer, ...], ...] = ()

    def next_at(self, station: int) -> tuple[Offer, ...]:
        """What a visit would run if the station came next."""
        return self.now[station] if self.now else self.visits[station]


class _Visiting(NamedTuple):
    """What visits are in a cell: to how many stations, what each takes of the station besides its runs, and of the handler by station."""

    stations: int
    visit_ms: int
    hands_ms: tuple[int, ...]


def covers_of(
    offers: tuple[Offer, ...],
    still_open: int,
    *,
    stations: int,
    visit_ms: int,
    sooner: Sooner = (),
    hands_ms: tuple[int, ...] = (),
) -> tuple[Cover, ...]:
    """All ways to decide as much of what is open as the offers can, for a cell with so many stations; () if that is nothing.

    ``hands_ms`` is what a visit of each station takes of the handler (() where nobody asks).
    """
    quick_first = sorted(offers, key=lambda offer: (offer.result_ms, offer.program))
    able = in_order(quick_first, still_open, sooner)
    needed = still_open & decided_by(able)
    if not needed:
        return ()
    found = {
        tuple(sorted(chosen, key=lambda offer: offer.program))
        for chosen in islice(_walk(list(able), (), needed), WALK_MAX)
        if _needs_all(chosen, needed)
    }
    ways = [in_order(chosen, still_open, sooner) for chosen in sorted(found, key=_names)]
    possible = [way for way in ways if not needed & ~decided_by(way)] if sooner else ways
    visiting = _Visiting(stations, visit_ms, hands_ms)
    covers = [
        _cover(way, visiting, still_open, sooner)
        for way in possible or [_spared(able, needed, still_open, sooner)]
    ]
    covers.sort(key=lambda cover: cover.total_ms)
    return tuple(covers[:COVERS_MAX])


def _spared(
    able: tuple[Offer, ...], needed: int, still_open: int, sooner: Sooner
) -> tuple[Offer, ...]:
    """A way where each choice without a spare program comes to a stop, one program waiting for the other: all that can be spared left out."""
    way = able
    for offer in reversed(able):
        others = in_order((each for each in way if each is not offer), still_open, sooner)
        if not needed & ~decided_by(others):
            way = others
    return way


def _names(chosen: tuple[Offer, ...]) -> tuple[str, ...]:
    return tuple(offer.program for offer in chosen)


def _walk(
    offers: list[Offer], chosen: tuple[Offer, ...], needed: int
) -> Iterator[tuple[Offer, ...]]:
    """Every way to go on: by each program that decides the characteristic with the fewest programs."""
    if not needed:
        yield chosen
        return
    for offer in _fewest(offers, needed):
        yield from _walk(offers, (*chosen, offer), needed & ~offer.decides)


def _fewest(offers: list[Offer], needed: int) -> list[Offer]:
    """The programs for the needed characteristic that has the fewest."""
    rivals: list[list[Offer]] = []
    while needed:
        bit = needed & -needed
        rivals.append([offer for offer in offers if offer.decides & bit])
        needed ^= bit
    return min(rivals, key=len)


def _needs_all(chosen: tuple[Offer, ...], needed: int) -> bool:
    """Whether no program of the choice can be left out."""
    return all(needed & ~decided_by((*chosen[:at], *chosen[at + 1 :])) for at in range(len(chosen)))


def _cover(
    chosen: tuple[Offer, ...], visiting: _Visiting, still_open: int, sooner: Sooner
) -> Cover:
    visits = tuple(
        tuple(offer for offer in chosen if offer.station == station)
        for station in range(visiting.stations)
    )
    work_ms = tuple(
        visiting.visit_ms + sum(offer.result_ms for offer in visit) if visit else 0
        for visit in visits
    )
    hands_ms = sum([ms for ms, visit in zip(visiting.hands_ms, visits, strict=False) if visit])
    now = tuple(in_order(visit, still_open, sooner) for visit in visits) if sooner else ()
    return Cover(
        programs=tuple(offer.program for visit in visits for offer in visit),
        visits=visits,
        work_ms=work_ms,
        total_ms=sum(work_ms),
        hands_ms=hands_ms,
        work=tuple([(at, ms) for at, ms in enumerate((*work_ms, hands_ms)) if ms]),
        before=stations_before(visits, still_open, sooner),
        now=now,
    )

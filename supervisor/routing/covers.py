"""The ways to decide a set of characteristics: which programs together, at which stations.

Rules of this file:
- A cover has no program that it could do without. Covers are listed cheapest first, ties by program ids.
- The list is cut at a named limit; the walk takes quick programs first, so what is cut is long.
"""

from collections.abc import Iterator
from itertools import islice

from supervisor.cell.value import value
from supervisor.routing.tables import Offer, decided_by

COVERS_MAX = 32
WALK_MAX = 128


@value
class Cover:
    """Programs that together decide what was asked.

    ``visits`` holds, for each station of the cell, the programs to run there in this order; ``work_ms`` the time they take there,
    change of pallets included; ``total_ms`` the sum.
    """

    visits: tuple[tuple[Offer, ...], ...]
    work_ms: tuple[int, ...]
    total_ms: int


def covers_of(
    offers: tuple[Offer, ...], needed: int, *, stations: int, visit_ms: int
) -> tuple[Cover, ...]:
    """All ways to decide as much of ``needed`` as the offers can, for a cell with so many stations; () if that is nothing."""
    needed &= decided_by(offers)
    if not needed:
        return ()
    quick_first = sorted(offers, key=lambda offer: (offer.result_ms, offer.program))
    found = {
        tuple(sorted(chosen, key=lambda offer: offer.program))
        for chosen in islice(_walk(quick_first, (), needed), WALK_MAX)
        if _needs_all(chosen, needed)
    }
    covers = [_cover(chosen, stations, visit_ms) for chosen in sorted(found, key=_names)]
    covers.sort(key=lambda cover: cover.total_ms)
    return tuple(covers[:COVERS_MAX])


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


def _cover(chosen: tuple[Offer, ...], stations: int, visit_ms: int) -> Cover:
    visits = tuple(
        tuple(offer for offer in chosen if offer.station == station) for station in range(stations)
    )
    work_ms = tuple(
        visit_ms + sum(offer.result_ms for offer in visit) if visit else 0 for visit in visits
    )
    return Cover(visits=visits, work_ms=work_ms, total_ms=sum(work_ms))

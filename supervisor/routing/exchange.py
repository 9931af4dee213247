"""Who changes places with whom where pallets have no home: the best for all together, not one after the other.

Rules of this file:
- A pallet that is ready to go on and stays blocks its nest. What is gained by going on is told by the prices of ``scarcity.py``.
- Where one goes another may follow, from a nest or from outside, so all are matched to the open nests at once; chains and rings come out by
  themselves. Only how they begin is answered: once a pallet is in hand the question is asked again.
- What gains most at once is not best in the long run: how it went on that was best in the decision before, and others, drawn by chance, are played on beside it (``rehearsal.py``).
- Nothing here is safe by itself: of the moves that the safety filter lets through it only says which to prefer.
"""

from collections.abc import Iterator
from typing import NamedTuple

from supervisor.routing.chains import Gains, Matched, Mover, firsts, matched
from supervisor.routing.moves import kept_out
from supervisor.routing.onward import NOWHERE
from supervisor.routing.picture import Picture
from supervisor.routing.play import blurred
from supervisor.routing.rehearsal import Rehearsal
from supervisor.routing.sequence import Sequence
from supervisor.routing.situation import Leg, PalletView


class Exchange(NamedTuple):
    """Which pallets go first, and to which station; and how it goes on, as far as it was played.

    If nobody shall go now, ``first`` is who goes next: what is possible meanwhile waits for that.
    """

    first: dict[str, int]
    way: tuple[Leg, ...]


def exchange(picture: Picture) -> Exchange:
    """What is best for all together; a pallet in hand goes somewhere in any case."""
    if not picture.prices:
        return Exchange({}, ())
    latest_ms = picture.now_ms + picture.tables.reach_ms
    nests: list[int] = []
    movers: dict[str, Mover] = {}
    for at, seat in picture.seats.items():
        occupant = seat.occupant
        if occupant is not None and picture.leaves_ms[occupant.pallet] > latest_ms:
            continue
        if not seat.obstacle and not seat.view.unusable:
            nests.append(at)
        if occupant is not None and picture.ways_on.waits(at):
            movers[occupant.pallet] = Mover(at, _gains(picture, occupant))
    held = picture.pallets.get(picture.situation.hand)
    if held is not None:
        movers[held.pallet] = Mover(NOWHERE, _gains(picture, held))
    outside = _outside(picture, latest_ms)
    plain = matched(movers, outside, nests)
    sequence = Sequence(picture.now_ms)
    rehearsal = Rehearsal(picture, movers, outside, nests)
    best = rehearsal.best_of(plain, _drawn(picture, movers, outside, nests, sequence), sequence)
    first = firsts(best.first, movers) or dict(best.then[:1])
    return Exchange(first, rehearsal.way(best))


def _drawn(
    picture: Picture,
    movers: dict[str, Mover],
    outside: dict[str, Gains],
    nests: list[int],
    sequence: Sequence,
) -> Iterator[Matched[str, str]]:
    """Other exchanges: the best ones if what is gained were a little more or less."""
    most = picture.tables.run_ms
    while True:
        yield matched(
            {
                name: Mover(at, blurred(gains, sequence, most))
                for name, (at, gains) in movers.items()
            },
            {name: blurred(gains, sequence, most) for name, gains in outside.items()},
            nests,
        )


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

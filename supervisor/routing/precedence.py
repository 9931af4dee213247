"""Which characteristics have to be measured before others, and what follows for programs and stations.

Rules of this file:
- ``Sooner`` holds, by the bit of each characteristic, those that come before it; () where any order will do. Bit sets as in ``tables``.
- A program may run when nothing is open that comes before what it measures, well enough to decide it or not: measuring is what spoils. What it
  decides itself does not count. Open is what no run has measured yet: a result that is still being evaluated keeps nobody waiting.
- Running more never closes a way: what may run now may run later too. So running everything that may run finds out what can be reached.
"""

from collections.abc import Iterable

from supervisor.routing.tables import Offer, Sooner


def awaited(offer: Offer, still_open: int, sooner: Sooner) -> int:
    """What has to be measured before a program may run, of what is open (a bit set)."""
    found, measures = 0, (offer.decides | offer.measures) & still_open if sooner else 0
    while measures:
        bit = measures & -measures
        measures ^= bit
        found |= sooner[bit.bit_length() - 1]
    return found & still_open & ~offer.decides


def in_order(offers: Iterable[Offer], still_open: int, sooner: Sooner) -> tuple[Offer, ...]:
    """As many of the programs as may run one after the other from now on, each as early as it may, else in the order given."""
    left, run = list(offers), list[Offer]()
    if not sooner:
        return tuple(left)
    while True:
        following = next((each for each in left if not awaited(each, still_open, sooner)), None)
        if following is None:
            return tuple(run)
        left.remove(following)
        run.append(following)
        still_open &= ~following.decides


def stations_before(
    visits: tuple[tuple[Offer, ...], ...], still_open: int, sooner: Sooner
) -> tuple[int, ...]:
    """For each station, those to be visited before it (bit sets); () where any order will do.

    Two stations that would each have to come first, because one of them is visited twice, are left without an order between them.
    """
    if not sooner:
        return ()
    before = [0] * len(visits)
    for station, visit in enumerate(visits):
        needs = 0
        for offer in visit:
            needs |= awaited(offer, still_open, sooner)
        for other, programs in enumerate(visits):
            if other != station and any(offer.decides & needs for offer in programs):
                before[station] |= 1 << other
    reached = _reached(before)
    rings = [
        sum(1 << other for other in range(len(before)) if reached[other] >> station & 1)
        for station in range(len(before))
    ]
    return tuple(sooner_ & ~ring for sooner_, ring in zip(before, rings, strict=True))


def _reached(before: list[int]) -> list[int]:
    """For each station, all that come before it, over others too (Warshall)."""
    reached = list(before)
    for through in range(len(reached)):
        for station in range(len(reached)):
            if reached[station] >> through & 1:
                reached[station] |= reached[through]
    return reached

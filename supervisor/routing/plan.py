"""Who decides what, over all pallets: each pallet's cover is chosen so that the busiest station has as little to do as possible.

Rules of this file: greedy and deterministic. Pallets without a choice come first, the others in the order given; one more round lets
each choose again when it knows what the others took.
"""

from operator import add

from supervisor.cell.value import value
from supervisor.routing.covers import Cover
from supervisor.routing.outlook import Outlook


@value
class Plan:
    """The work each station has left in ms, that of the busiest one, and each pallet's cover."""

    load_ms: list[int]
    most_ms: int
    covers: dict[str, Cover]


def balanced(outlooks: dict[str, Outlook], load_ms: list[int]) -> Plan:
    """The plan for these pallets on top of what the stations have to do already; ``load_ms`` is used up."""
    covers: dict[str, Cover] = {}
    flexible: list[str] = []
    for pallet, outlook in outlooks.items():
        if len(outlook.covers) == 1:
            covers[pallet] = outlook.covers[0]
            _add(load_ms, outlook.covers[0])
        elif outlook.covers:
            flexible.append(pallet)
    for pallet in flexible:
        covers[pallet] = _choose(load_ms, outlooks[pallet].covers)
    for pallet in flexible:
        _remove(load_ms, covers[pallet])
        covers[pallet] = _choose(load_ms, outlooks[pallet].covers)
    return Plan(load_ms=load_ms, most_ms=max(load_ms, default=0), covers=covers)


def most_with(load_ms: list[int], cover: Cover) -> int:
    """The load of the busiest station if this cover came on top."""
    return max(map(add, load_ms, cover.work_ms))


def _choose(load_ms: list[int], covers: tuple[Cover, ...]) -> Cover:
    """The cover that loads the busiest station least, the cheapest of several, and add its work."""
    best = min(covers, key=lambda cover: (most_with(load_ms, cover), cover.total_ms))
    _add(load_ms, best)
    return best


def _add(load_ms: list[int], cover: Cover) -> None:
    for station, work in enumerate(cover.work_ms):
        load_ms[station] += work


def _remove(load_ms: list[int], cover: Cover) -> None:
    for station, work in enumerate(cover.work_ms):
        load_ms[station] -= work

"""Who decides what, over all pallets: each pallet's cover is chosen so that the busiest station has as little to do as possible.

Rules of this file:
- Deterministic on every machine: floats are only divided, multiplied, added and compared (IEEE 754).
- Two ways, and the one that loads the busiest station least counts. Greedily, pallet by pallet, the cheapest of equally good covers: best for
  few pallets, and left out for many. By descent, see ``descent.py``: for many pallets and stations, where the greedy way ends far from the least.
- Pallets without a choice come first, the others in the order given.
"""

from operator import add

from supervisor.cell.value import value
from supervisor.routing.covers import Cover
from supervisor.routing.descent import spread
from supervisor.routing.outlook import Outlook

GREEDY_MAX = 40
"""With more pallets that have a choice the greedy way is left out: on large cells it was never the better one (seeds 0 to 3)."""


@value
class Plan:
    """The work each station has left in ms, that of the busiest one, and each pallet's cover."""

    load_ms: list[int]
    most_ms: int
    covers: dict[str, Cover]


def balanced(outlooks: dict[str, Outlook], load_ms: list[int]) -> Plan:
    """The plan for these pallets on top of what the stations have to do already; ``load_ms`` is used up."""
    covers: dict[str, Cover] = {}
    flexible: dict[str, tuple[Cover, ...]] = {}
    for pallet, outlook in outlooks.items():
        if len(outlook.covers) == 1:
            covers[pallet] = outlook.covers[0]
            _add(load_ms, outlook.covers[0])
        elif outlook.covers:
            flexible[pallet] = outlook.covers
    chosen, load_ms = _chosen(flexible, load_ms)
    return Plan(load_ms=load_ms, most_ms=max(load_ms, default=0), covers=covers | chosen)


def most_with(load_ms: list[int], cover: Cover) -> int:
    """The load of the busiest station if this cover came on top."""
    return max(map(add, load_ms, cover.work_ms))


def _chosen(
    flexible: dict[str, tuple[Cover, ...]], load_ms: list[int]
) -> tuple[dict[str, Cover], list[int]]:
    """The covers of the pallets that have a choice, and the loads with them."""
    if not flexible:
        return {}, load_ms
    if len(flexible) > GREEDY_MAX:
        return spread(flexible, load_ms)
    greedy, other = _greedy(flexible, list(load_ms)), spread(flexible, load_ms)
    return other if max(other[1]) < max(greedy[1]) else greedy


def _greedy(
    flexible: dict[str, tuple[Cover, ...]], load_ms: list[int]
) -> tuple[dict[str, Cover], list[int]]:
    """One after the other; one more round lets each choose again when it knows what the others took."""
    chosen: dict[str, Cover] = {}
    for pallet, covers in flexible.items():
        chosen[pallet] = _choose(load_ms, covers)
    for pallet, covers in flexible.items():
        _remove(load_ms, chosen[pallet])
        chosen[pallet] = _choose(load_ms, covers)
    return chosen, load_ms


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

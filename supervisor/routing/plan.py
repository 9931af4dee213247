"""Who decides what, over all pallets: each pallet's cover is chosen so that the busiest station has as little to do as possible.

Rules of this file:
- Deterministic on every machine: floats are only divided, multiplied, added and compared (IEEE 754).
- For few pallets there are two ways, and the one that loads the busiest station least counts. Greedily, pallet by pallet, the cheapest of
  equally good covers; and by descent, see ``descent.py``: for many pallets and stations the greedy way ends far from the least.
- For many pallets the plan is kept from one decision to the next and made better bit by bit, see ``upkeep.py``, until nobody has a choice any more.
- Pallets without a choice come first, the others in the order given.
"""

from collections.abc import Mapping
from operator import add
from typing import Literal

from supervisor.cell.value import value
from supervisor.routing.covers import Cover
from supervisor.routing.descent import spread
from supervisor.routing.outlook import Outlook
from supervisor.routing.upkeep import kept_up

NOTHING_KEPT: Mapping[str, tuple[str, ...]] = {}
GREEDY_MAX = 40
"""With more pallets that have a choice a plan is kept, and the greedy way left out: on large cells it was never the better one (seeds 0 to 3)."""


@value
class Plan:
    """The work each station has left in ms, that of the busiest one, the most that any pallet has left, and each pallet's cover.

    ``hands_ms`` is about what the visits take of the handler. ``lasts`` is whether the next decision shall begin with it, ``short_of`` tells what has most to do.
    """

    load_ms: list[int]
    most_ms: int
    longest_ms: int
    hands_ms: int
    covers: dict[str, Cover]
    lasts: Literal["yes", "no"]
    short_of: Literal["stations", "handler"]

    def later_ms(self, station: int, wait_ms: int) -> int:
        """How much later all would be done if a station stood still for so long."""
        return max(0, self.load_ms[station] + max(0, wait_ms) - self.most_ms)


def balanced(
    outlooks: dict[str, Outlook],
    load_ms: list[int],
    *,
    kept: Mapping[str, tuple[str, ...]] = NOTHING_KEPT,
    seed: int = 0,
    tries: int | None = None,
) -> Plan:
    """The plan for these pallets on top of what the stations have to do already; ``load_ms`` is used up.

    ``kept`` holds by pallet the programs planned before, ``seed`` chooses what is tried to make the plan better, ``tries`` how often (None: as often as pays).
    """
    covers: dict[str, Cover] = {}
    flexible: dict[str, tuple[Cover, ...]] = {}
    for pallet, outlook in outlooks.items():
        if len(outlook.covers) == 1:
            covers[pallet] = outlook.covers[0]
            _add(load_ms, outlook.covers[0])
        elif outlook.covers:
            flexible[pallet] = outlook.covers
    hands_ms = sum(cover.hands_ms for cover in covers.values())
    lasts = len(flexible) > GREEDY_MAX or (bool(flexible) and bool(kept))
    if lasts:
        chosen, (*load_ms, hands_ms) = kept_up(flexible, [*load_ms, hands_ms], kept, seed, tries)
    else:
        chosen, load_ms = _chosen(flexible, load_ms)
        hands_ms += sum(cover.hands_ms for cover in chosen.values())
    covers |= chosen
    return Plan(
        load_ms=load_ms,
        most_ms=max(load_ms, default=0),
        longest_ms=max((cover.total_ms for cover in covers.values()), default=0),
        hands_ms=hands_ms,
        covers=covers,
        lasts="yes" if lasts else "no",
        short_of="handler" if hands_ms > max(load_ms, default=0) else "stations",
    )


def most_with(load_ms: list[int], cover: Cover) -> int:
    """The load of the busiest station if this cover came on top."""
    return max(map(add, load_ms, cover.work_ms))


def _chosen(
    flexible: dict[str, tuple[Cover, ...]], load_ms: list[int]
) -> tuple[dict[str, Cover], list[int]]:
    """The covers of a few pallets that have a choice, made anew, and the loads with them."""
    if not flexible:
        return {}, load_ms
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

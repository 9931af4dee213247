"""How scarce the time of each station is, as a price: what a ms of it is worth to all the pallets that are known. And where a pallet goes at these prices.

Rules of this file:
- Deterministic on every machine: floats are only divided, multiplied, added and compared (IEEE 754).
- Prices are not those of the best plan, where many stations are equally busy and a small change turns everything over. They belong to a spread
  of the work in which each pallet may take several covers in parts, and the sum of the squares of the loads is least: a little less load makes
  a station a little cheaper. The handler counts as one station more, whose work are the visits. Found by conditional gradients (Frank and Wolfe, 1956; from memory), always with the same number of rounds.
"""

from collections.abc import Container, Iterable

from supervisor.routing.covers import Cover

ROUNDS = 20
"""Tried on cells of 16 stations with 150 pallets, without a handler: 80 rounds were no better."""
LEAST = 0.01
"""The price of a station that nobody needs, as a share of the mean: not free, so that who has the choice does not go there for nothing."""

Prices = tuple[float, ...]
"""By station, that of the handler last."""


def prices(choices: Iterable[tuple[Cover, ...]], load_ms: list[int]) -> Prices:
    """By station the price, that of the handler last, 1 on average, if each pallet takes one of its covers on top of what they have to do already."""
    groups = _groups(choices)
    loads = _with_cheapest(groups, load_ms, [1.0] * len(load_ms))
    for turn in range(1, ROUNDS):
        step = 2 / (turn + 2)
        others = _with_cheapest(groups, load_ms, loads)
        loads = [load + step * (other - load) for load, other in zip(loads, others, strict=True)]
    mean = sum(loads) / len(loads) if loads else 0.0
    return tuple([max(LEAST, load / mean) if mean else 1.0 for load in loads])


def priced(cover: Cover, by: Prices) -> float:
    """What a cover costs, in ms of a station of mean price."""
    return sum([ms * by[at] for at, ms in cover.work])


Ways = dict[int, tuple[float, Cover]]
"""By station: what is gained if a pallet goes there, in ms of a station of mean price, and the cover that is cheapest if it does."""


def ways(covers: tuple[Cover, ...], by: Prices, idle_ms: int, shut: Container[int] = ()) -> Ways:
    """Everywhere a pallet could go on to, ``shut`` stations left out.

    Its nest and the other one would stand idle for ``idle_ms`` if it did not; the detour costs what its cover is dearer than the cheapest.
    """
    possible: list[tuple[float, Cover, list[int]]] = []
    for cover in covers:
        stations = [
            at for at, ms in enumerate(cover.work_ms) if ms and at not in shut and cover.next_at(at)
        ]
        if stations:
            possible.append((priced(cover, by), cover, stations))
    least = min([cost for cost, _, _ in possible], default=0.0)
    best: Ways = {}
    for cost, cover, stations in possible:
        detour = cost - least
        for at in stations:
            gain = idle_ms * by[at] - detour
            if at not in best or gain > best[at][0]:
                best[at] = gain, cover
    return best


_Group = tuple[int, list[tuple[tuple[int, int], ...]]]
"""How many pallets have the same covers, and the work of these."""


def _groups(choices: Iterable[tuple[Cover, ...]]) -> list[_Group]:
    counts: dict[int, int] = {}
    known: dict[int, tuple[Cover, ...]] = {}
    for covers in choices:
        known[id(covers)] = covers
        counts[id(covers)] = counts.get(id(covers), 0) + 1
    return [
        (counts[at], [cover.work for cover in covers]) for at, covers in known.items() if covers
    ]


def _with_cheapest(groups: list[_Group], load_ms: list[int], by: list[float]) -> list[float]:
    """The loads if every pallet takes the cover that is cheapest at these prices, the first of several."""
    loads = [float(ms) for ms in load_ms]
    for count, works in groups:
        dear = [sum([ms * by[at] for at, ms in work]) for work in works]
        for at, ms in works[dear.index(min(dear))]:
            loads[at] += count * ms
    return loads

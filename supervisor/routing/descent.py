"""Covers for many pallets at once, so that the busiest station has as little to do as possible.

Rules of this file:
- Deterministic on every machine: floats are only divided, multiplied, added and compared (IEEE 754). The same covers give the same answer,
  whoever holds them: groups are told apart by value.
- Pallets with the same covers are a group; what is chosen is how many of a group take which, and they take them in the order given.
- The maximum of the loads is stood in for by the sum of a power of them, because the maximum alone does not tell better from worse while another
  station is the busiest (the p-norm instead of the maximum: common practice). A station's price is the derivative of that sum. Every pallet
  takes the cover that is cheapest at the present prices, then from each cover that is in use one pallet chooses again, in rounds of a
  growing power. The best that was met counts.
"""

from itertools import repeat

from supervisor.routing.covers import Cover

ROUNDS = (2, 2, 3, 3, 4, 4, 5, 5, 6, 6)
"""By round, how often a load is squared: powers from 4 to 64. Of six series tried on large cells of seeds 0 to 3 the one that came nearest to
the linear programme for its time (3 % above it on average, in 6 ms for 200 pallets and 16 stations)."""


def spread(
    flexible: dict[str, tuple[Cover, ...]], load_ms: list[int]
) -> tuple[dict[str, Cover], list[int]]:
    """A cover for each pallet, chosen among its own, and the loads with them; ``load_ms`` is used up."""
    groups = _groups(flexible)
    for group in groups:
        for _ in group.pallets:
            group.take(load_ms, ROUNDS[0])
    best_ms, best = list(load_ms), [list(group.counts) for group in groups]
    for squarings in ROUNDS:
        for group in groups:
            group.choose_again(load_ms, squarings)
        if max(load_ms) < max(best_ms):
            best_ms, best = list(load_ms), [list(group.counts) for group in groups]
    chosen: dict[str, Cover] = {}
    for group, counts in zip(groups, best, strict=True):
        chosen |= group.chosen(counts)
    return {pallet: chosen[pallet] for pallet in flexible}, best_ms


def _groups(flexible: dict[str, tuple[Cover, ...]]) -> list["_Group"]:
    groups: dict[tuple[Cover, ...], _Group] = {}
    known: dict[
        int, _Group
    ] = {}  # most pallets share one tuple, and hashing it costs more than the rest
    for pallet, covers in flexible.items():
        group = known.get(id(covers))
        if group is None:
            group = known[id(covers)] = groups.setdefault(covers, _Group(covers))
        group.pallets.append(pallet)
    return list(groups.values())


class _Group:
    """Pallets with the same covers, and how many of them take which."""

    __slots__ = ("_step_ms", "_work", "counts", "covers", "pallets")

    def __init__(self, covers: tuple[Cover, ...]) -> None:
        self.covers = covers
        self.pallets: list[str] = []
        self.counts = [0] * len(covers)
        self._work = [[(at, ms) for at, ms in enumerate(c.work_ms) if ms] for c in covers]
        works = [ms for work in self._work for _, ms in work]
        self._step_ms = sum(works) // (2 * len(works)) if works else 0

    def take(self, load_ms: list[int], squarings: int) -> None:
        """One more pallet takes the cover that is cheapest at the present prices, the first of several."""
        prices = _prices(load_ms, self._step_ms, squarings)
        dear = [sum([ms * prices[at] for at, ms in work]) for work in self._work]
        self._change(dear.index(min(dear)), 1, load_ms)

    def choose_again(self, load_ms: list[int], squarings: int) -> None:
        """From each cover that is in use one pallet chooses again."""
        for cover, count in enumerate(self.counts):
            if count:
                self._change(cover, -1, load_ms)
                self.take(load_ms, squarings)

    def chosen(self, counts: list[int]) -> dict[str, Cover]:
        """Each pallet's cover, if so many take each."""
        taken = [c for c, count in zip(self.covers, counts, strict=True) for c in repeat(c, count)]
        return dict(zip(self.pallets, taken, strict=True))

    def _change(self, cover: int, pallets: int, load_ms: list[int]) -> None:
        self.counts[cover] += pallets
        for at, ms in self._work[cover]:
            load_ms[at] += pallets * ms


def _prices(load_ms: list[int], step_ms: int, squarings: int) -> list[float]:
    """By station: how steeply the power of its load grows, half a visit from where it is (its factor left out: all have the same)."""
    scale_ms = max(load_ms) + step_ms or 1
    prices: list[float] = []
    for load in load_ms:
        share = power = (load + step_ms) / scale_ms
        for _ in range(squarings):
            power *= power
        prices.append(power / share if share else 0.0)
    return prices

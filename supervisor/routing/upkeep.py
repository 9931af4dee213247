"""A plan that is kept from one decision to the next, and made better bit by bit.

Rules of this file:
- Deterministic on every machine: floats are only divided, multiplied, added and compared (IEEE 754), and what is tried comes from a fixed
  sequence that begins where the seed says.
- The handler counts as one station more, whose work are the visits: a plan of few visits is worth more where it limits.
- Large neighbourhood search (Shaw, 1998; from memory): a few pallets give their covers up, one of them a cover of the busiest station, and
  choose again one after the other. It counts if it makes the sum of a power of the loads less (why a power: ``descent.py``).
- The power is low at first, then high: what evens all loads out makes room for what relieves the busiest. A plan that loads the busiest more in
  the end is dropped, so none gets worse.
"""

from collections.abc import Mapping

from supervisor.routing.covers import Cover
from supervisor.routing.descent import spread
from supervisor.routing.sequence import Sequence

AT_ONCE = (3, 5, 7)
"""How many pallets choose again together, in turn."""
SQUARINGS = (4, 5, 6)
"""How often a load is squared: powers of 16, 32 and 64. Of ten series tried on slow cells of seeds 0 to 5 the one that came nearest to the linear
programme: 1.3 % above it after 15,000 tries, where 64 alone was 1.6 %."""
TRIES = 20
"""For each power in each decision; with 200 pallets and 16 stations the three take about 3 ms."""
DRAWS_MAX = 20
LESS = 1 - 1e-9
"""A sum that is no less than this share of the former one is not less: it may have been added up in another order."""


def kept_up(
    flexible: dict[str, tuple[Cover, ...]],
    load_ms: list[int],
    kept: Mapping[str, tuple[str, ...]],
    seed: int,
    tries: int | None = None,
) -> tuple[dict[str, Cover], list[int]]:
    """A cover for each pallet, chosen among its own, and the loads with them; ``load_ms``, that of the handler last, is used up.

    ``kept`` are the programs that were planned for each pallet before. Where there are none, or a pallet cannot be decided by them any
    more, it chooses anew; ``seed`` chooses what is tried, ``tries`` how often for each power (None: ``TRIES``).
    """
    *stations_ms, handler_ms = load_ms
    chosen = _still_possible(flexible, kept)
    for cover in chosen.values():
        for at, ms in enumerate(cover.work_ms):
            stations_ms[at] += ms
    rest = {pallet: covers for pallet, covers in flexible.items() if pallet not in chosen}
    if rest:
        others, stations_ms = spread(rest, stations_ms)
        chosen |= others
    load_ms = [*stations_ms, handler_ms + sum([each.hands_ms for each in chosen.values()])]
    upkeep = Upkeep(flexible, chosen, load_ms)
    upkeep.improve(TRIES if tries is None else tries, seed)
    return upkeep.chosen(), load_ms


def _still_possible(
    flexible: dict[str, tuple[Cover, ...]], kept: Mapping[str, tuple[str, ...]]
) -> dict[str, Cover]:
    """By pallet: the cover that is left of what was planned, where one is."""
    found: dict[str, Cover] = {}
    known: dict[tuple[int, tuple[str, ...]], Cover | None] = {}  # most pallets share a tuple
    for pallet, covers in flexible.items():
        programs = kept.get(pallet, ())
        key = (id(covers), programs)
        if key not in known:
            planned = frozenset(programs)
            known[key] = next((each for each in covers if planned.issuperset(each.programs)), None)
        cover = known[key]
        if cover is not None:
            found[pallet] = cover
    return found


class _Works:
    """The work of several covers: what they put on whom, each once, and by cover which of these."""

    __slots__ = ("covers", "parts", "shares")

    def __init__(self, covers: tuple[Cover, ...]) -> None:
        self.covers = [cover.work for cover in covers]
        numbers: dict[tuple[int, int], int] = {}
        self.parts = [
            [numbers.setdefault(share, len(numbers)) for share in work] for work in self.covers
        ]
        self.shares = list(numbers)


class Upkeep:
    """Pallets with a choice, and the cover that each has."""

    __slots__ = ("_choice", "_covers", "_load_ms", "_pallets", "_works")

    def __init__(
        self, flexible: dict[str, tuple[Cover, ...]], chosen: dict[str, Cover], load_ms: list[int]
    ) -> None:
        """``load_ms`` holds the loads with what is chosen, that of the handler last, and is kept up to date."""
        self._pallets, self._load_ms = list(flexible), load_ms
        self._covers = list(flexible.values())
        known: dict[int, _Works] = {}
        self._works: list[_Works] = []
        for covers in self._covers:
            works = known.get(id(covers))
            if works is None:
                works = known[id(covers)] = _Works(covers)
            self._works.append(works)
        self._choice = [
            covers.index(chosen[pallet])
            for pallet, covers in zip(self._pallets, self._covers, strict=True)
        ]

    def chosen(self) -> dict[str, Cover]:
        """Each pallet's cover."""
        return {
            pallet: covers[at]
            for pallet, covers, at in zip(self._pallets, self._covers, self._choice, strict=True)
        }

    def improve(self, tries: int, seed: int) -> None:
        """Try so many times with each power to make the plan better."""
        sequence, load_ms, choice = Sequence(seed), self._load_ms, self._choice
        before_ms, before = list(load_ms), list(choice)
        for squarings in SQUARINGS:
            for turn in range(tries):
                self._try(sequence, AT_ONCE[turn % len(AT_ONCE)], squarings)
        if max(load_ms) > max(before_ms):
            load_ms[:], choice[:] = before_ms, before

    def _try(self, sequence: Sequence, count: int, squarings: int) -> None:
        load_ms, choice = self._load_ms, self._choice
        top_ms = max(load_ms) or 1
        given_up = self._drawn(sequence, load_ms.index(top_ms), count)
        before_ms, before = list(load_ms), [choice[who] for who in given_up]
        for who in given_up:
            for at, ms in self._works[who].covers[choice[who]]:
                load_ms[at] -= ms
        powers = [_power(load / top_ms, squarings) for load in load_ms]
        for who in given_up:
            self._choose(who, powers, top_ms, squarings)
        if sum(powers) >= sum([_power(load / top_ms, squarings) for load in before_ms]) * LESS:
            load_ms[:] = before_ms
            for who, at in zip(given_up, before, strict=True):
                choice[who] = at

    def _drawn(self, sequence: Sequence, busiest: int, count: int) -> list[int]:
        """Some pallets, the first one of those that the busiest one, station or handler, has to do with, if one is found soon."""
        size = len(self._pallets)
        first = sequence.below(size)
        for _ in range(DRAWS_MAX):
            if any(at == busiest for at, _ in self._works[first].covers[self._choice[first]]):
                break
            first = sequence.below(size)
        drawn = [first]
        for _ in range(count - 1):
            who = sequence.below(size)
            if who not in drawn:
                drawn.append(who)
        return drawn

    def _choose(self, who: int, powers: list[float], top_ms: int, squarings: int) -> None:
        """The cover that adds least to the sum of the powers."""
        load_ms, best, least = self._load_ms, 0, float("inf")
        works = self._works[who]
        added = [
            _power((load_ms[at] + ms) / top_ms, squarings) - powers[at] for at, ms in works.shares
        ]
        for number, parts in enumerate(works.parts):
            more = 0.0
            for part in parts:
                more += added[part]
            if more < least:
                best, least = number, more
        self._choice[who] = best
        for at, ms in works.covers[best]:
            load_ms[at] += ms
            powers[at] = _power(load_ms[at] / top_ms, squarings)


def _power(share: float, squarings: int) -> float:
    for _ in range(squarings):
        share *= share
    return share

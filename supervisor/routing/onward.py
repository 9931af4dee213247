"""Who stands in whose way where pallets have no home: when a nest can take a pallet without its occupant being left in the jaw.

Rules of this file:
- A pallet without a home that is taken out of a nest goes on to another one, whose occupant is taken out in turn if there is one, and so
  on: a chain, which ends in an empty nest, at an outfeed place, with a pallet that has a home, or in the nest that the first one left.
- A nest need not be clear yet when the swap in the one before begins, only when the handler is there with the occupant.
- A ring of pallets lets a pallet in from outside as well, if the handler may hold the one that is left over until the newcomer's run is over.
- A nest that no chain leads out of is never clear. Where all runs are over and no verdict is awaited, some nest is clear for some pallet: follow
  from any occupant to where it goes on, and from there again, and the way ends or comes back to a nest that it passed.
"""

from collections.abc import Callable, Mapping

NEVER_MS = 1 << 62
NOWHERE = -1
"""For a pallet that leaves no nest empty: it stands outside the stations, or is in hand."""


class WaysOn:
    """The chains of one situation."""

    __slots__ = ("_between_ms", "_ends_ms", "_known", "_leaves_ms", "_nexts")

    def __init__(
        self,
        ends_ms: Mapping[int, int],
        leaves_ms: Mapping[int, int],
        nexts: Mapping[int, tuple[int, ...]],
        between_ms: Callable[[int, int], int],
    ) -> None:
        """By station: when a nest is clear in which a chain ends; when other occupants may leave, and where to they go on.

        ``between_ms`` tells how long after the swap in one nest has begun the handler is before another one.
        """
        self._ends_ms, self._leaves_ms, self._nexts = ends_ms, leaves_ms, nexts
        self._between_ms = between_ms
        self._known: dict[int, dict[int, int]] = {}

    def waits(self, station: int) -> bool:
        """Whether an occupant has to go on to another nest before its own is clear."""
        return station in self._nexts

    def clear_ms(self, station: int, left: int = NOWHERE) -> int:
        """When a station can take the pallet that leaves the nest of station ``left``; ``NEVER_MS`` if nobody knows how."""
        if station in self._ends_ms:
            return self._ends_ms[station]
        if left not in self._known:
            self._known[left] = self._worked_out(left)
        return self._known[left].get(station, NEVER_MS)

    def goes_on(self, station: int) -> bool:
        """Whether the occupant of a station comes to another nest in the end, if the handler holds who is taken out for as long as a run takes."""
        going = set(self._nexts)
        while True:
            ends = self._ends_ms.keys() | going
            left = {at for at in going if not ends.isdisjoint(self._nexts[at])}
            if left == going:
                return station in going
            going = left

    def _worked_out(self, left: int) -> dict[int, int]:
        """For all stations, if the nest of one is left: of all chains from it the one that is clear first."""
        last_ms, then = self._chains(left)
        clear_ms = {at: last_ms[at] for at in last_ms if at not in then}

        def of(station: int) -> int:
            if station not in clear_ms:
                other = then[station]
                there_ms = of(other) - self._between_ms(station, other)
                clear_ms[station] = max(self._leaves_ms[station], there_ms)
            return clear_ms[station]

        for station in then:
            of(station)
        return clear_ms

    def _chains(self, left: int) -> tuple[dict[int, int], dict[int, int]]:
        """When the last of the best chain from each station may leave, ways not counted, and where to each goes on in it; no chain passes a nest twice."""
        last_ms, then = {**self._ends_ms, left: 0}, dict[int, int]()
        changed = True
        while changed:
            changed = False
            for station, nexts in self._nexts.items():
                other = min(nexts, key=lambda at: (last_ms.get(at, NEVER_MS), at))
                at_ms = max(self._leaves_ms[station], last_ms.get(other, NEVER_MS))
                if station != left and at_ms < last_ms.get(station, NEVER_MS):
                    last_ms[station], then[station] = at_ms, other
                    changed = True
        return last_ms, then

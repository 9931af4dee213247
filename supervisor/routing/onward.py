"""Who stands in whose way where pallets have no home: when a nest can take a pallet without its occupant being left in the jaw.

Rules of this file:
- A pallet without a home that is taken out of a nest goes on to another one, whose occupant is taken out in turn if there is one, and so
  on: a chain, which ends in an empty nest, at an outfeed place, with a pallet that has a home, or in the nest that the first one left.
- A nest need not be clear yet when the swap in the one before begins, only when the handler is there with the occupant.
- A ring of pallets lets a pallet in from outside as well, if the handler may hold the one that is left over until the newcomer's run is over.
- A nest that no chain leads out of is never clear. Where all runs are over and no verdict is awaited, some nest is clear for some pallet: follow
  from any occupant to where it goes on, and from there again, and the way ends or comes back to a nest that it passed.
"""

from collections.abc import Mapping, Sequence
from heapq import heapify, heappop, heappush

NEVER_MS = 1 << 62
NOWHERE = -1
"""For a pallet that leaves no nest empty: it stands outside the stations, or is in hand."""


class WaysOn:
    """The chains of one situation."""

    __slots__ = ("_befores", "_between_ms", "_ends_ms", "_known", "_leaves_ms", "_nexts")

    def __init__(
        self,
        ends_ms: Mapping[int, int],
        leaves_ms: Mapping[int, int],
        nexts: Mapping[int, tuple[int, ...]],
        between_ms: Sequence[Sequence[int]],
    ) -> None:
        """By station: when a nest is clear in which a chain ends; when other occupants may leave, and where to they go on.

        ``between_ms`` tells for each two how long after the swap in the first one's nest has begun the handler is before the second.
        """
        self._ends_ms, self._leaves_ms, self._nexts = ends_ms, leaves_ms, nexts
        self._between_ms = between_ms
        self._befores: dict[int, list[int]] = {}
        for station, onward in nexts.items():
            for other in onward:
                self._befores.setdefault(other, []).append(station)
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
        """For all stations from which a chain leads out, if the nest of one is left.

        They are settled in the order in which they would be clear if ways took no time, each by the best of those settled before it (Dijkstra, 1959):
        no chain passes a nest twice, which would seem to gain time with every round.
        """
        ends_ms = {**self._ends_ms, left: 0}
        clear_ms: dict[int, int] = {}
        queue = [(last_ms, station) for station, last_ms in ends_ms.items()]
        heapify(queue)
        queued = set(ends_ms)
        while queue:
            last_ms, station = heappop(queue)
            ends = station in ends_ms
            clear_ms[station] = last_ms if ends else self._begins_ms(station, clear_ms)
            for before in self._befores.get(station, ()):
                if before not in queued:
                    queued.add(before)
                    heappush(queue, (max(self._leaves_ms[before], last_ms), before))
        return clear_ms

    def _begins_ms(self, station: int, clear_ms: Mapping[int, int]) -> int:
        """When the swap in a nest may begin so that one of the nests that its occupant goes on to is clear when the handler is there."""
        nexts, between_ms = self._nexts[station], self._between_ms[station]
        there_ms = [clear_ms[other] - between_ms[other] for other in nexts if other in clear_ms]
        return max(self._leaves_ms[station], min(there_ms))

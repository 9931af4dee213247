"""Who stands in whose way where pallets have no home: when a nest can take a pallet without its occupant being left in the jaw.

Rules of this file:
- A pallet without a home that is taken out of a nest goes on to another one, whose occupant is taken out in turn if there is one, and so
  on: a chain, which ends in an empty nest, at an outfeed place, with a pallet that has a home, or in the nest that the first one left.
- A ring of pallets lets a pallet in from outside as well, if the handler may hold the one that is left over until the newcomer's run is over.
- A nest that no chain leads out of is never clear. Where all runs are over and no verdict is awaited, some nest is clear for some pallet: follow
  from any occupant to where it goes on, and from there again, and the way ends or comes back to a nest that it passed.
"""

from collections.abc import Mapping

NEVER_MS = 1 << 62
NOWHERE = -1
"""For a pallet that leaves no nest empty: it stands outside the stations, or is in hand."""


class WaysOn:
    """The chains of one situation."""

    __slots__ = ("_ends_ms", "_known", "_leaves_ms", "_nexts")

    def __init__(
        self,
        ends_ms: Mapping[int, int],
        leaves_ms: Mapping[int, int],
        nexts: Mapping[int, tuple[int, ...]],
    ) -> None:
        """By station: when a nest is clear in which a chain ends; when other occupants may leave, and where to they go on."""
        self._ends_ms, self._leaves_ms, self._nexts = ends_ms, leaves_ms, nexts
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
        clear_ms = {**self._ends_ms, left: 0}
        changed = True
        while changed:
            changed = False
            for station, nexts in self._nexts.items():
                onward_ms = min(clear_ms.get(other, NEVER_MS) for other in nexts)
                at_ms = max(self._leaves_ms[station], onward_ms)
                if station != left and at_ms < clear_ms.get(station, NEVER_MS):
                    clear_ms[station] = at_ms
                    changed = True
        return clear_ms

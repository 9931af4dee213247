"""Plain rules of sequencing, to compare with: they stand beside the engine in the bench and nowhere else.

Rules of this file:
- Each changes one thing of *first come*: who comes first, or where. None has a plan of who decides what, waits before a station or looks ahead.
- *Shortest queue* and *most work remaining* as sequencing rules of the job shop are old and have many forms; these are ours.
"""

from supervisor.routing.situation import PalletView, Situation, StationView
from tests.unit.routing.first_come import FirstCome


class ShortestQueue(FirstCome):
    """Whoever has waited longest goes where the fewest others wait for; of equal stations to the first."""

    def seats(self, situation: Situation, pallet: PalletView) -> list[StationView]:
        """The stations, the least wanted first."""
        others = [view for view in situation.pallets if view is not pallet and not view.sorting]

        def queue(seat: StationView) -> int:
            return sum(bool(self.next_program(view, seat.station)) for view in others)

        return sorted(situation.stations, key=lambda seat: (queue(seat), seat.station))


class LongestRemaining(FirstCome):
    """Whoever has the most measuring still before it comes first, what is sorted before all; where to as with first come."""

    def rank(self, pallet: PalletView) -> tuple[object, ...]:
        """By the programs that first come would run, each as long as declared."""
        return not pallet.sorting, -self.remaining_ms(pallet), *super().rank(pallet)

    def remaining_ms(self, pallet: PalletView) -> int:
        """How long the programs take that decide what is open, taken in their order."""
        left, remaining_ms = set(pallet.open), 0
        for program, decides in self.programs:
            mine = program.part_type == pallet.part_type and program.program not in pallet.done
            if mine and decides & left:
                left -= decides
                remaining_ms += program.part_free_ms
        return remaining_ms

"""The front door of routing: what the handler does next, and what a station runs next.

Rules of this file: every answer is a function of the declared cell and of what is asked; nothing is carried from one question to the
next but what an answer hands back and the next question brings: the plan, and the way to the end.
"""

from supervisor.cell.model import Cell
from supervisor.cell.value import replace
from supervisor.routing import reasons
from supervisor.routing.choice import for_another, with_empty_hand, with_full_hand
from supervisor.routing.moves import plan_after
from supervisor.routing.outlook import Outlook, Outlooks
from supervisor.routing.picture import Picture
from supervisor.routing.precedence import in_order
from supervisor.routing.situation import Carry, PalletView, Situation, StationView, Stay
from supervisor.routing.tables import RoutingTables, decided_by


class Router:
    """Routing over one declared cell. Pure: it remembers only what it could work out again."""

    __slots__ = ("_outlooks", "_tables")

    def __init__(self, cell: Cell) -> None:
        """Prepare tables from the declaration."""
        self._tables = RoutingTables(cell)
        self._outlooks = Outlooks(self._tables)

    def choose(self, situation: Situation) -> Carry | Stay:
        """What the handler does next.

        With a pallet in hand the answer is a ``Carry`` of that pallet with origin "". It is a ``Stay`` only for a pallet that has no
        home place and that nothing else takes.

        Raises:
            KeyError: a view names a station or home place that is not declared, or the view of the pallet in hand is missing.
        """
        picture = self.picture(situation)
        if situation.hand:
            answer = with_full_hand(picture, picture.pallets[situation.hand])
        else:
            answer = with_empty_hand(picture)
        way = answer.way or tuple([leg for leg in situation.way if leg[0] in picture.pallets])
        return replace(answer, plan=plan_after(picture, answer), way=way)

    def next_place(self, situation: Situation) -> Carry | Stay:
        """Where the pallet in hand goes if whoever carries it is not the cell's handler: it does not swap, and may leave the pallet where it is.

        Raises:
            KeyError: as for ``choose``, or nothing is in hand.
        """
        picture = self.picture(situation)
        return for_another(picture, picture.pallets[situation.hand])

    def picture(self, situation: Situation) -> Picture:
        """The situation worked out, as ``choose`` sees it; for studies that ask further."""
        self._outlooks.make_room()
        return Picture(self._tables, self._outlooks, situation)

    def next_program(
        self, pallet: PalletView, station: str, usable: tuple[str, ...] | None = None
    ) -> str:
        """The program to run now on a pallet in the nest of ``station``; "" if it has nothing more to run there.

        What was announced for the visit comes first. Whether anything more is run depends on who else could do it: ``usable`` names
        the stations that can be used. Where it is None that is not asked, and all that is useful here is run here.
        """
        tables = self._tables
        self._outlooks.make_room()
        at = tables.index[station]
        if usable is not None:
            return _first(self._outlooks.of(pallet, at, tables.station_set(usable)))
        everywhere = tables.every_station
        announced = _first(self._outlooks.of(pallet, at, everywhere))
        if announced or not pallet.planned:
            return announced
        return _first(self._outlooks.of(replace(pallet, planned=()), at, everywhere))

    def decides(self, program: str) -> bool:
        """Whether a program decides any characteristic, so that a pallet may be carried somewhere for it."""
        return any(o.program == program for offers in self._tables.offers.values() for o in offers)

    def unreachable(self, pallet: PalletView, usable: tuple[str, ...]) -> tuple[str, ...]:
        """The open characteristics that no usable station can decide now, in the order of ``pallet.open``."""
        tables = self._tables
        offers = tables.offers_for(pallet, tables.station_set(usable))
        still_open = tables.bit_set(pallet.part_type, pallet.open)
        sooner = tables.sooner.get(pallet.part_type, ())
        decided = decided_by(in_order(offers, still_open, sooner))
        return tables.numbers_beyond(pallet, decided)

    def why_unreachable(self, pallet: PalletView, stations: tuple[StationView, ...]) -> str:
        """In words: which open characteristics cannot be decided now, and for want of which stations; "" if all can."""
        return reasons.why_unreachable(self._tables, pallet, stations)


def _first(outlook: Outlook) -> str:
    return outlook.visit[0].program if outlook.visit else ""

"""What one pallet still needs, regardless of all others: what to run where it stands, and the ways to go on afterwards.

Rules of this file:
- An outlook depends on the pallet's view and on the set of usable stations, on nothing else; so it can be remembered.
- Remembering changes no answer. What is remembered is bounded; when the limit is reached everything is forgotten, but never while a question is
  being answered: pallets that are alike are known by having the same covers, the very same object.
- What a carry announced is run first, and more only if others could not do all of the rest: who decides what was shared out over all pallets, and a program
  more might load the busiest station. A pallet of which nothing was announced runs whatever is useful where it stands: a visit that
  ran nothing would be repeated for ever.
"""

from supervisor.cell.value import value
from supervisor.routing.covers import Cover, covers_of
from supervisor.routing.precedence import in_order
from supervisor.routing.situation import PalletView
from supervisor.routing.tables import Offer, RoutingTables, Sooner, decided_by

REMEMBERED_MAX = 4096

_Key = tuple[
    str, int, tuple[str, ...], tuple[str, ...], tuple[str, ...], tuple[tuple[str, str], ...], int
]


@value
class Outlook:
    """What to run before leaving (``visit``), and the ways to decide the rest, cheapest first (``covers``)."""

    visit: tuple[Offer, ...]
    covers: tuple[Cover, ...]


NOTHING = Outlook(visit=(), covers=())


class Outlooks:
    """Outlooks over one declared cell."""

    __slots__ = ("_known", "_tables")

    def __init__(self, tables: RoutingTables) -> None:
        """Know nothing yet."""
        self._tables = tables
        self._known: dict[_Key, Outlook] = {}

    def make_room(self) -> None:
        """Forget everything if that is too much; to be called before a question, not while one is answered."""
        if len(self._known) >= REMEMBERED_MAX:
            self._known.clear()

    def of(self, pallet: PalletView, station: int, usable: int) -> Outlook:
        """The outlook of a pallet that stands in the nest of ``station`` (-1: in none), with these stations usable."""
        if pallet.sorting or not pallet.open:
            return NOTHING
        key = (
            pallet.part_type,
            station,
            pallet.open,
            pallet.done,
            pallet.planned,
            pallet.barred,
            usable,
        )
        known = self._known.get(key)
        if known is None:
            known = self._known[key] = self._outlook(pallet, station, usable)
        return known

    def _outlook(self, pallet: PalletView, station: int, usable: int) -> Outlook:
        needed = self._tables.bit_set(pallet.part_type, pallet.open)
        offers = self._tables.offers_for(pallet, usable)
        sooner = self._tables.sooner.get(pallet.part_type, ())
        visit: tuple[Offer, ...] = ()
        if station >= 0 and usable >> station & 1:
            visit = self._visit(offers, needed, station, pallet.planned, sooner)
        covers = self._covers(offers, needed & ~decided_by(visit), sooner)
        elsewhere = tuple(cover for cover in covers if station < 0 or not cover.visits[station])
        return Outlook(visit=visit, covers=elsewhere or covers)

    def _covers(self, offers: tuple[Offer, ...], needed: int, sooner: Sooner) -> tuple[Cover, ...]:
        tables = self._tables
        return covers_of(
            offers,
            needed,
            stations=len(tables.stations),
            visit_ms=tables.visit_ms,
            sooner=sooner,
            hands_ms=tables.hands_ms,
        )

    def _visit(
        self,
        offers: tuple[Offer, ...],
        needed: int,
        station: int,
        planned: tuple[str, ...],
        sooner: Sooner,
    ) -> tuple[Offer, ...]:
        """What to run at this station before leaving it."""
        here = [offer for offer in offers if offer.station == station]
        named = [o for name in planned for o in here if o.program == name]
        announced = in_order(_useful(named, needed), needed, sooner)
        if announced:
            return announced
        covers = self._covers(offers, needed, sooner)
        if planned and any(not cover.visits[station] for cover in covers):
            return ()
        if not planned:
            covers = tuple(cover for cover in covers if cover.next_at(station))
        if covers:
            visit_ms = self._tables.visit_ms
            best = min(
                covers,
                key=lambda c: c.total_ms - (visit_ms if c.next_at(station) else 0),
            )
            return best.next_at(station)
        return () if planned else in_order(_useful(here, needed), needed, sooner)


def _useful(offers: list[Offer], needed: int) -> tuple[Offer, ...]:
    """The programs that still add something, in order."""
    chosen: list[Offer] = []
    for offer in offers:
        if offer.decides & needed:
            chosen.append(offer)
            needed &= ~offer.decides
    return tuple(chosen)

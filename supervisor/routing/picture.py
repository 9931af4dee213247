"""One situation, worked out far enough to compare moves: who leaves which nest when, who claims it, and the balanced plan.

Rules of this file: made for one decision and dropped; nothing here prefers one move to another.
"""

from collections.abc import Iterator
from typing import get_args

from supervisor.cell.model import Sorting
from supervisor.cell.value import replace, value
from supervisor.routing.covers import Cover
from supervisor.routing.onward import NEVER_MS, WaysOn
from supervisor.routing.outlook import Outlook, Outlooks
from supervisor.routing.plan import Plan, balanced, most_with
from supervisor.routing.scarcity import Prices, Ways, prices, ways
from supervisor.routing.situation import OutfeedView, PalletView, Situation, StationView
from supervisor.routing.tables import Offer, RoutingTables

NO_WAY_OUT = "no way out"
SORTINGS: frozenset[Sorting] = frozenset(get_args(Sorting))


@value
class Seat:
    """A station with its nest. ``occupant`` is None for an empty nest and for a pallet that is none of ours to move.

    ``leaves_ms`` is when the occupant may leave after all that it still has to run there; ``pending`` holds the programs of that which
    are not started yet. ``obstacle`` is "" or why nothing can be brought: the code of a reason.
    """

    view: StationView
    station: int
    at_mm: int
    occupant: PalletView | None
    pending: tuple[Offer, ...]
    leaves_ms: int
    obstacle: str


Wanted = dict[tuple[int, int, str, bool, bool], list[tuple[Seat, Cover]]]
"""By planned cover, covers, nest, whether there is a home, and whether it is in hand: the stations where a pallet has business, each with the cover that leads there."""


class Picture:
    """The situation with everything that more than one move needs.

    ``leaves_ms`` tells when a pallet may be taken from where it stands, ``seat_at`` finds a seat by the id of its station. ``wanted`` remembers
    where pallets have business that have the same covers and the same of them planned.
    """

    __slots__ = (
        "_outlooks",
        "claims",
        "jaws",
        "leaves_ms",
        "now_ms",
        "outlooks",
        "pallets",
        "plan",
        "prices",
        "seat_at",
        "seats",
        "situation",
        "tables",
        "travel_ms",
        "usable",
        "wanted",
        "ways_of",
        "ways_on",
    )

    def __init__(self, tables: RoutingTables, outlooks: Outlooks, situation: Situation) -> None:
        """Work a situation out."""
        self._outlooks = outlooks
        self.tables = tables
        self.situation = situation
        self.now_ms = situation.now_ms
        self.travel_ms = tables.handler.travel_ms
        self.jaws = min(situation.jaws, tables.handler.jaws)
        self.pallets: dict[str, PalletView] = {view.pallet: view for view in situation.pallets}
        self.usable = 0
        for view in situation.stations:
            if not view.unusable:
                self.usable |= 1 << tables.index[view.station]
        self.outlooks: dict[str, Outlook] = {
            name: outlooks.of(view, tables.index.get(view.place, -1), self.usable)
            for name, view in self.pallets.items()
        }
        self.seats: dict[int, Seat] = {}
        self.seat_at: dict[str, Seat] = {}
        for view in situation.stations:
            seat = self._seat(view)
            self.seats[seat.station] = self.seat_at[view.station] = seat
        self.leaves_ms: dict[str, int] = {
            name: self._free_to_leave_ms(view) for name, view in self.pallets.items()
        }
        self.prices: Prices = self._prices()
        self.plan: Plan = balanced(
            self.outlooks,
            self._busy_ms(),
            kept=dict(situation.plan),
            seed=situation.now_ms,
            tries=0 if self.prices else None,
        )
        self.ways_of: dict[tuple[int, bool], Ways] = {}
        self.ways_on = self._ways_on()
        self.claims: dict[int, list[PalletView]] = self._claims()
        self.wanted: Wanted = {}

    def _seat(self, view: StationView) -> Seat:
        tables = self.tables
        station = tables.index[view.station]
        occupant = self.pallets.get(view.occupant)
        pending = self.outlooks[view.occupant].visit if occupant else ()
        leaves_ms = view.occupant_leaves_ms
        if occupant:
            leaves_ms = max(self.now_ms, leaves_ms, occupant.movable_ms)
            leaves_ms, _ = after_pending(pending, leaves_ms, view.run_free_ms)
        return Seat(
            view=view,
            station=station,
            at_mm=tables.at_mm[view.station],
            occupant=occupant,
            pending=pending,
            leaves_ms=leaves_ms,
            obstacle=self._obstacle(view, occupant, pending),
        )

    def _obstacle(
        self, view: StationView, occupant: PalletView | None, pending: tuple[Offer, ...]
    ) -> str:
        if view.coming not in {"", self.situation.hand}:
            return "expected"
        if not view.occupant:
            return ""
        if self.jaws == 1:
            return "one jaw"
        if occupant is None:
            return "not ours"
        if pending:
            return "more to run"
        may_go = self._may_go(occupant) or self._leaves_next(view, occupant)
        return "" if may_go else NO_WAY_OUT

    def _may_go(self, occupant: PalletView) -> bool:
        """Whether a pallet taken out in a swap has somewhere to be put for certain."""
        return bool(occupant.home) or self.outfeed_for(occupant) is not None

    def _leaves_next(self, view: StationView, occupant: PalletView) -> bool:
        """Whether the last result about a pallet comes when its run ends, and there is an outfeed place for it whatever that says.

        A part that waits for an evaluation elsewhere would wait for it in the jaw; whose that is is not known here.
        """
        leaves_ms = view.occupant_leaves_ms
        if occupant.open or occupant.stays != "no" or not self.now_ms < leaves_ms:
            return False
        if any(
            other.run_free_ms > max(leaves_ms, other.occupant_leaves_ms)
            for other in self.situation.stations
        ):
            return False
        free = {outfeed.sorting for outfeed in self.situation.outfeeds if outfeed.free == "free"}
        return free >= SORTINGS

    def _ways_on(self) -> WaysOn:
        """Free the way to nests whose occupant has no place outside the stations, but a station to go on to, and tell when it is clear.

        Each such carry is a visit less, so they come to an end. Left shut are those who would stand in the way of others in the jaw.
        """
        ends_ms: dict[int, int] = {}
        leaves_ms: dict[int, int] = {}
        nexts: dict[int, tuple[int, ...]] = {}
        for at, seat in self.seats.items():
            if not seat.obstacle:
                ends_ms[at] = seat.leaves_ms if seat.occupant is not None else 0
            elif seat.obstacle == NO_WAY_OUT and seat.occupant is not None:
                onward = self._onward(at, seat.occupant)
                if onward:
                    nexts[at], leaves_ms[at] = onward, seat.leaves_ms
        for at in nexts:
            seat = replace(self.seats[at], obstacle="")
            self.seats[at] = self.seat_at[seat.view.station] = seat
        return WaysOn(ends_ms, leaves_ms, nexts, self.tables.between_ms)

    def _prices(self) -> Prices:
        """What the time of the stations is worth, where pallets without a home go on from nest to nest; () where none does.

        Prices then take the place of a plan that is made better and better: with both the runs ended no sooner.
        """
        if self.jaws == 1 or not any(
            self._goes_from_nest_to_nest(view) for view in self.pallets.values()
        ):
            return ()
        return prices((each.covers for each in self.outlooks.values()), [*self._busy_ms(), 0])

    def _goes_from_nest_to_nest(self, pallet: PalletView) -> bool:
        if pallet.home or not self.outlooks[pallet.pallet].covers:
            return False
        inside = pallet.place in self.seat_at or pallet.pallet == self.situation.hand
        return inside or not self.tables.roomy

    def _onward(self, at: int, pallet: PalletView) -> tuple[int, ...]:
        """The stations that the pallet in a nest may go on to."""
        return tuple(n for n in self.ways(pallet) if n != at and n in self.seats)

    def ways(self, pallet: PalletView) -> Ways:
        """Where a pallet without a home goes by the prices: where something is gained, and from hand anywhere, because all the others wait for it."""
        covers = self.outlooks[pallet.pallet].covers
        in_hand = pallet.pallet == self.situation.hand
        known = self.ways_of.get((id(covers), in_hand))
        if known is None:
            shut = self.left_to_people()
            found = ways(covers, self.prices, self.tables.idle_ms, shut) if self.prices else {}
            known = {at: way for at, way in found.items() if in_hand or way[0] > 0}
            self.ways_of[id(covers), in_hand] = known
        return known

    def covers_elsewhere(self, pallet: PalletView) -> tuple[Cover, ...]:
        """The ways to decide what is open of a pallet, wherever it stands."""
        return self._outlooks.of(pallet, -1, self.usable).covers

    def left_to_people(self) -> frozenset[int]:
        """The stations whose nest only a person clears: what stands there is none of ours, or nobody can do anything with it."""
        return frozenset(at for at, seat in self.seats.items() if self._stuck(seat))

    def _stuck(self, seat: Seat) -> bool:
        if seat.occupant is None:
            return seat.obstacle == "not ours"
        outlook = self.outlooks[seat.occupant.pallet]
        nothing = not outlook.covers and not outlook.visit
        return seat.obstacle == NO_WAY_OUT and bool(seat.occupant.open) and nothing

    def instead(self, pallet: PalletView) -> Iterator[Cover]:
        """The covers that a pallet may take besides the planned one: those that make the busiest station no busier.

        Without a home any will do: one jaw alone can exchange nobody, so all the others may wait for it.
        """
        covers, plan = self.outlooks[pallet.pallet].covers, self.plan
        if len(covers) == 1:
            return
        planned = plan.covers[pallet.pallet]
        most_ms = plan.most_ms if pallet.home else NEVER_MS
        without = [load - work for load, work in zip(plan.load_ms, planned.work_ms, strict=True)]
        for cover in covers:
            if most_with(without, cover) <= most_ms:
                yield cover

    def outfeed_for(self, pallet: PalletView) -> OutfeedView | None:
        """The free outfeed place for a sorted pallet that is nearest to where it is; None if there is none."""
        if not pallet.sorting:
            return None
        held = pallet.pallet == self.situation.hand
        at_mm = self.situation.at_mm if held else pallet.at_mm
        best: OutfeedView | None = None
        for outfeed in self.situation.outfeeds:
            fits = outfeed.free == "free" and outfeed.sorting == pallet.sorting
            if fits and (best is None or _nearer(outfeed, best, at_mm)):
                best = outfeed
        return best

    def _busy_ms(self) -> list[int]:
        """What each station has to do before anything new is brought to it."""
        busy_ms = [0] * len(self.tables.stations)
        for station, seat in self.seats.items():
            if not seat.view.unusable:
                _, free_ms = after_pending(seat.pending, self.now_ms, seat.view.run_free_ms)
                busy_ms[station] = max(0, free_ms - self.now_ms)
        return busy_ms

    def _claims(self) -> dict[int, list[PalletView]]:
        """By station: the pallets that shall go there and could be fetched about now, in the order given."""
        claims: dict[int, list[PalletView]] = {}
        names, latest_ms = self.tables.stations, self.now_ms + self.tables.patience_ms
        for name, cover in self.plan.covers.items():
            pallet = self.pallets[name]
            if self.leaves_ms[name] > latest_ms:
                continue
            for station in range(len(names)):
                if cover.next_at(station) and names[station] != pallet.place:
                    claims.setdefault(station, []).append(pallet)
        return claims

    def _free_to_leave_ms(self, pallet: PalletView) -> int:
        """When a pallet may be taken from where it stands; ``NEVER_MS`` while the handler must not enter, or more has to run there."""
        seat = self.seat_at.get(pallet.place)
        if seat is None:
            return max(self.now_ms, pallet.movable_ms)
        shut = seat.view.unusable and seat.view.fetch == "refused"
        return NEVER_MS if shut or seat.pending else seat.leaves_ms


def _nearer(one: OutfeedView, other: OutfeedView, at_mm: int) -> bool:
    return (abs(one.at_mm - at_mm), one.place) < (abs(other.at_mm - at_mm), other.place)


def after_pending(
    pending: tuple[Offer, ...], part_free_ms: int, run_free_ms: int
) -> tuple[int, int]:
    """When the part is free and the next run may start, after these programs have run one after the other."""
    for offer in pending:
        start_ms = max(part_free_ms, run_free_ms)
        part_free_ms = start_ms + offer.part_free_ms
        run_free_ms = start_ms + offer.result_ms
    return part_free_ms, run_free_ms

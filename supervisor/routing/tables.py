"""What routing looks up in the declaration, prepared once.

Rules of this file: immutable after construction; no situation of the cell. Stations are counted in the order of their ids, and sets
of stations and of a part type's characteristics are bit sets, because they are compared for every pallet in every decision.
"""

from collections.abc import Iterator

from supervisor.cell.model import Cell, PartType, Urgency, racks_for_parts
from supervisor.cell.value import replace, value
from supervisor.routing.situation import PalletView

SOON_TURNS = 2
"""A visit that has just begun, and another one in between. In the small cell of the tests a grace of 10 minutes, 1.2 turns, kept nobody in the
jaw for ever (72 shifts), and one of 8 minutes did."""

ROOMY_HALVES = 3
"""From so many rack places for each two stations. With 16 stations and 60 pallets (slow and large cells 0 and 1) 16 places were better used without
waiting for one, 1.311 of the bound instead of 1.385 on average, and 24 with it, 1.206 instead of 1.262."""
STANDS_PERCENT = 50
"""How long a nest stands idle if a pallet that is ready to go on stays in it, as a share of a run. In a study of four cells with 16 stations and 200
pallets, without a handler, 30, 50 and 80 came to 1.231, 1.227 and 1.260 of the linear programme where exchanges are played on."""


@value
class Offer:
    """A program as routing sees it: where it runs, which of its part type's characteristics it decides, how long it takes.

    ``measures`` adds what it measures without deciding it, not well enough or because its station must not now (0: nothing is added): that spoils what should come before.
    """

    program: str
    station: int
    decides: int
    part_free_ms: int
    result_ms: int
    measures: int = 0


Sooner = tuple[int, ...]
"""By the bit of each characteristic, those that have to be measured before it (bit sets); () where any order will do."""


def _usual_ms(offers: dict[str, tuple[Offer, ...]]) -> tuple[int, int]:
    """How long a run takes on average over the programs, and about how long a nest stands idle if a pallet that is ready to go on stays in it."""
    runs_ms = [offer.result_ms for each in offers.values() for offer in each]
    run_ms = sum(runs_ms) // len(runs_ms) if runs_ms else 0
    return max(1, run_ms), max(1, run_ms * STANDS_PERCENT // 100)


def _interrupted(cell: Cell, soon_ms: int) -> Iterator[str]:
    """The part types that wait for a check that is late by less than this."""
    for part in cell.part_types:
        reference = part.reference
        if reference is not None and any(rule.grace_ms < soon_ms for rule in reference.checks):
            for known in reference.values:
                yield from (vouched.part_type for vouched in known.vouches_for)


def decided_by(offers: tuple[Offer, ...]) -> int:
    """What the programs decide together."""
    together = 0
    for offer in offers:
        together |= offer.decides
    return together


class RoutingTables:
    """Lookups over one declared cell."""

    __slots__ = (
        "at_mm",
        "between_ms",
        "bits",
        "evaluated",
        "every_station",
        "handler",
        "hands_ms",
        "idle_ms",
        "index",
        "interrupted",
        "longest_ms",
        "offers",
        "out_ms",
        "patience_ms",
        "reach_ms",
        "roomy",
        "run_ms",
        "search_steps",
        "sooner",
        "stations",
        "turn_ms",
        "urgency",
        "visit_ms",
        "wandering",
    )

    def __init__(self, cell: Cell) -> None:
        """Prepare the lookups."""
        self.search_steps = cell.routing.look_ahead_steps
        self.urgency: dict[str, Urgency] = {each.part_type: each for each in cell.routing.urgencies}
        self.handler = cell.handler
        self.stations: tuple[str, ...] = tuple(station.station for station in cell.stations)
        self.index: dict[str, int] = {name: at for at, name in enumerate(self.stations)}
        self.every_station = (1 << len(self.stations)) - 1
        self.at_mm: dict[str, int] = {place.place: place.at_mm for place in cell.places}
        self.at_mm.update({station.station: station.at_mm for station in cell.stations})
        self.bits: dict[str, dict[str, int]] = {
            part.part_type: {c.number: 1 << at for at, c in enumerate(part.plan)}
            for part in cell.part_types
        }
        self.offers: dict[str, tuple[Offer, ...]] = {
            part.part_type: self._offers(cell, part) for part in cell.part_types
        }
        self.sooner: dict[str, Sooner] = {
            part.part_type: self._sooner(part) for part in cell.part_types
        }
        self.wandering = frozenset(
            part_type
            for part_type, offers in self.offers.items()
            if len({offer.station for offer in offers}) > 1
        )
        """The part types that more than one station may measure."""
        # Whether it pays to wait for a rack place at the infeed.
        self.roomy = racks_for_parts(cell) * 2 >= len(self.stations) * ROOMY_HALVES
        self.longest_ms = max(
            (offer.result_ms for offers in self.offers.values() for offer in offers), default=0
        )
        self.run_ms, self.idle_ms = _usual_ms(self.offers)
        hands_ms = cell.handler.pick_ms + cell.handler.put_ms
        self.visit_ms = cell.handler.swap_ms if cell.handler.jaws == 2 else 2 * hands_ms  # noqa: PLR2004
        self.patience_ms = hands_ms
        self.hands_ms = self._hands_ms(cell)
        self.out_ms = _out_ms(cell)
        self.evaluated = _evaluated(self.offers)
        self.between_ms = self._between_ms()
        """For each two stations: how long a swap at the first one takes and the way to the second."""
        rail_ms = cell.handler.travel_ms(cell.handler.rail_from_mm, cell.handler.rail_to_mm)
        # How long it may take until the handler is anywhere with a pallet from anywhere, and has waited there.
        self.reach_ms = self.patience_ms + cell.handler.pick_ms + 2 * rail_ms
        self.turn_ms = self.longest_ms + self.visit_ms + hands_ms + 2 * rail_ms
        self.interrupted = frozenset(_interrupted(cell, SOON_TURNS * self.turn_ms))
        """The part types that a due check may keep from a station before its reference part could have been there."""

    def _hands_ms(self, cell: Cell) -> tuple[int, ...]:
        """What a visit takes of the handler that begins and ends in the middle of the places outside the stations."""
        middle_mm = _middle_mm(cell)
        hands_ms = self.visit_ms + cell.handler.pick_ms + cell.handler.put_ms
        return tuple(
            hands_ms + 2 * cell.handler.travel_ms(middle_mm, self.at_mm[name])
            for name in self.stations
        )

    def _between_ms(self) -> tuple[tuple[int, ...], ...]:
        handler, stations_mm = self.handler, [self.at_mm[name] for name in self.stations]
        return tuple(
            tuple(handler.swap_ms + handler.travel_ms(one, other) for other in stations_mm)
            for one in stations_mm
        )

    def _offers(self, cell: Cell, part: PartType) -> tuple[Offer, ...]:
        """The programs for a part type that decide anything of it."""
        required_u = {c.number: c.required_u for c in part.plan}
        bits = self.bits[part.part_type]
        offers: list[Offer] = []
        for program in cell.programs:
            if program.part_type != part.part_type:
                continue
            decides = sum(
                bits[cover.number]
                for cover in program.covers
                if cover.number in required_u and cover.decides(required_u[cover.number])
            )
            if decides and program.station in self.index:
                offers.append(
                    Offer(
                        program=program.program,
                        station=self.index[program.station],
                        decides=decides,
                        part_free_ms=program.part_free_ms,
                        result_ms=program.result_ms,
                        measures=sum(bits.get(cover.number, 0) for cover in program.covers),
                    )
                )
        return tuple(offers)

    def _sooner(self, part: PartType) -> Sooner:
        if not any(each.after for each in part.plan):
            return ()
        return tuple(self.bit_set(part.part_type, each.after) for each in part.plan)

    def numbers_of(self, part_type: str, some: int) -> tuple[str, ...]:
        """The numbers of characteristics in a bit set, in the order of the plan."""
        return tuple(number for number, bit in self.bits[part_type].items() if bit & some)

    def bit_set(self, part_type: str, numbers: tuple[str, ...]) -> int:
        """The characteristics as a bit set; numbers that the plan does not know are left out."""
        bits = self.bits.get(part_type, {})
        return sum(bits.get(number, 0) for number in numbers)

    def station_set(self, stations: tuple[str, ...]) -> int:
        """The stations as a bit set."""
        return sum(1 << self.index[station] for station in stations)

    def offers_for(self, pallet: PalletView, usable: int) -> tuple[Offer, ...]:
        """The programs that may still run on this pallet at these stations."""
        offers = tuple(
            offer
            for offer in self.offers.get(pallet.part_type, ())
            if usable >> offer.station & 1 and offer.program not in pallet.done
        )
        return self._without_barred(pallet, offers) if pallet.barred else offers

    def _without_barred(self, pallet: PalletView, offers: tuple[Offer, ...]) -> tuple[Offer, ...]:
        """The same offers, each without what its station must not decide; those that decide nothing then are left out."""
        bits = self.bits.get(pallet.part_type, {})
        barred: dict[int, int] = {}
        for station, number in pallet.barred:
            at = self.index[station]
            barred[at] = barred.get(at, 0) | bits.get(number, 0)
        less = (
            replace(offer, decides=offer.decides & ~barred.get(offer.station, 0))
            for offer in offers
        )
        return tuple(offer for offer in less if offer.decides)

    def numbers_beyond(self, pallet: PalletView, decided: int) -> tuple[str, ...]:
        """The open characteristics outside a bit set, among them those that the plan does not know."""
        bits = self.bits.get(pallet.part_type, {})
        return tuple(number for number in pallet.open if not bits.get(number, 0) & decided)


def _evaluated(offers: dict[str, tuple[Offer, ...]]) -> frozenset[str]:
    """The part types whose results may come when the part is free already: a pallet of theirs may be home before it is decided."""
    return frozenset(
        part_type
        for part_type, known in offers.items()
        if any(offer.result_ms > offer.part_free_ms for offer in known)
    )


def _middle_mm(cell: Cell) -> int:
    """The middle of the places outside the stations that are no way out."""
    entries_mm = [place.at_mm for place in cell.places if place.kind != "outfeed"] or [0]
    return sum(entries_mm) // len(entries_mm)


def _out_ms(cell: Cell) -> int:
    """What it takes of the handler to bring out a pallet that stands there, and to come back."""
    handler, middle_mm = cell.handler, _middle_mm(cell)
    ways_ms = [
        handler.travel_ms(middle_mm, place.at_mm)
        for place in cell.places
        if place.kind == "outfeed"
    ] or [0]
    return handler.pick_ms + handler.put_ms + 2 * sum(ways_ms) // len(ways_ms)

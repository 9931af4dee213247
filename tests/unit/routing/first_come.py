"""The rule to compare with: first come, first served. Whoever has waited longest goes to the first station that takes it."""

from supervisor.routing.situation import Carry, Stay

NOBODY_IS_READY = Stay(until_ms=None, why="nobody is ready", alternatives=())


class FirstCome:
    """Serves in the order of waiting; swaps where both sides are ready; never waits before a station, never looks ahead."""

    def __init__(self, cell):
        self.homes_mm = {place.place: place.at_mm for place in cell.places}
        required = {(p.part_type, c.number): c.required_u for p in cell.part_types for c in p.plan}
        self.programs = [
            (
                p,
                {
                    c.number
                    for c in p.covers
                    if 2 * c.expanded_u / c.k <= required[p.part_type, c.number]
                },
            )
            for p in cell.programs
        ]

    def next_program(self, pallet, station, _usable=None):
        for program, decides in self.programs:
            mine = program.part_type == pallet.part_type and program.program not in pallet.done
            if mine and program.station == station and decides & set(pallet.open):
                return program.program
        return ""

    def choose(self, situation):
        views = {view.pallet: view for view in situation.pallets}
        if situation.hand:
            pallet = views[situation.hand]
            onward = self.onward(situation, views, pallet, "")
            if onward or not pallet.home:
                return onward or NOBODY_IS_READY
            return self.carry(pallet, "", pallet.home)
        waiting = sorted(situation.pallets, key=self.rank)
        ready = [view for view in waiting if self.may_leave(situation, view)]
        for pallet in ready:
            answer = self.onward(situation, views, pallet, pallet.place)
            if answer:
                return answer
        for pallet in ready:
            if situation.jaws == 1 and pallet.home and self.in_the_way(situation, waiting, pallet):
                return self.carry(pallet, pallet.place, pallet.home)
        return NOBODY_IS_READY

    def rank(self, pallet):
        """Who comes first has the least."""
        return pallet.waiting_since_ms, pallet.pallet

    def seats(self, situation, pallet):  # noqa: ARG002 - other rules look at it
        """Where a pallet is tried, in this order."""
        return situation.stations

    def may_leave(self, situation, pallet):
        if pallet.movable_ms > situation.now_ms:
            return False
        for seat in situation.stations:
            if seat.station == pallet.place:
                if seat.unusable:
                    return seat.fetch == "allowed"
                return not self.next_program(pallet, seat.station)
        return True

    def onward(self, situation, views, pallet, origin):
        if pallet.sorting:
            for outfeed in situation.outfeeds:
                if outfeed.free == "free" and outfeed.sorting == pallet.sorting:
                    return self.carry(pallet, origin, outfeed.place)
            return None
        for seat in self.seats(situation, pallet):
            program = self.next_program(pallet, seat.station)
            if not program or seat.unusable or seat.station == pallet.place:
                continue
            occupant = views.get(seat.occupant)
            if occupant is None:
                return self.carry(pallet, origin, seat.station, program=program)
            if situation.jaws == 2 and self.may_leave(situation, occupant):
                return self.carry(
                    pallet, origin, seat.station, program=program, displaced=seat.occupant
                )
        return None

    def in_the_way(self, situation, waiting, pallet):
        return any(
            seat.station == pallet.place
            and any(
                self.next_program(other, seat.station)
                and other is not pallet
                and self.may_leave(situation, other)
                for other in waiting
            )
            for seat in situation.stations
            if not seat.unusable
        )

    def carry(self, pallet, origin, target, program="", displaced=""):
        return Carry(
            pallet=pallet.pallet,
            origin=origin,
            target=target,
            displaced=displaced,
            program=program,
            then=(),
            cost_ms=0,
            why="first come, first served",
            alternatives=(),
        )

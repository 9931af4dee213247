"""Every state that a declared cell can come into, with the part types, programs, places and jaws that its files have.

Rules of this file:
- As in reachability.py: the moves are those of the production router, no choice is asked, there are no times, runs are over when the handler
  comes, and outfeed places are cleared. A verdict may be any of the three: each is tried.
- As many pallets are in the cell as it has rack places that no reference part keeps, up to a limit; each keeps its place, as the core sees to it.
- Where there is an infeed the pallets begin there, and none comes back. With rack places besides, one is kept for each that comes in; a cell
  where only some can have one is not explored.
- No order of rack places and pallets matters, so mixes of part types are beginnings. Nothing is over before a part got out.
"""

from itertools import combinations_with_replacement
from typing import NamedTuple

from supervisor.cell.model import Cell
from supervisor.routing.choice import candidates, moves_from_hand
from supervisor.routing.router import Router
from supervisor.routing.situation import OutfeedView, PalletView, Situation, StationView
from tests.bench.routing.reachability import Reached, explored

PALLETS_MAX = 3
SORTINGS = ("conforming", "hold", "nonconforming")


class Pallet(NamedTuple):
    """A part type, what is open of its plan, and the verdict ("" = not known)."""

    part_type: str
    still_open: tuple[str, ...]
    sorting: str = ""


NOBODY = Pallet("", ())


class State(NamedTuple):
    """Who is at home, in each nest (``NOBODY``: none) and in hand, the station that the hand was filled for, and who is yet to come in."""

    home: tuple[Pallet, ...]
    nests: tuple[Pallet, ...]
    hand: Pallet = NOBODY
    coming: str = ""
    out: int = 0
    infeed: tuple[Pallet, ...] = ()

    @property
    def inside(self) -> int:
        """How many pallets have come in and are not out yet."""
        nests = sum(bool(nest.part_type) for nest in self.nests)
        return len(self.home) + nests + bool(self.hand.part_type)

    @property
    def over(self) -> bool:
        """Whether everybody is out, and somebody was there."""
        return self.out > 0 and not self.inside and not self.infeed


class DeclaredCell:
    """The states of one declared cell."""

    def __init__(self, cell: Cell) -> None:
        self.cell, self.router = cell, Router(cell)
        self.names = [station.station for station in cell.stations]
        kinds = [place.kind for place in cell.places]
        self.racks = kinds.count("rack") - sum(p.reference is not None for p in cell.part_types)
        self.fed = "infeed" in kinds
        self.parts = {p.part_type: p for p in cell.part_types if p.reference is None}
        self.decides = {
            program.program: {
                cover.number
                for cover in program.covers
                for c in self.parts[program.part_type].plan
                if c.number == cover.number and cover.decides(c.required_u)
            }
            for program in cell.programs
            if program.part_type in self.parts
        }

        self.covers = {p.program: {cover.number for cover in p.covers} for p in cell.programs}
        self.sooner = {
            name: {c.number: set(c.after) for c in part.plan} for name, part in self.parts.items()
        }

    def explored(self) -> Reached[State]:
        """Everything that can be reached, from every mix of pallets."""
        room = PALLETS_MAX if self.fed else min(PALLETS_MAX, self.racks)
        nests = (NOBODY,) * len(self.names)
        whole = [
            Pallet(name, tuple(sorted(c.number for c in part.plan if c.need == "mandatory")))
            for name, part in sorted(self.parts.items())
        ]
        mixes = combinations_with_replacement(whole, max(0, room))
        if self.fed:
            return explored([State((), nests, infeed=tuple(mix)) for mix in mixes], self.after)
        return explored([State(tuple(mix), nests) for mix in mixes], self.after)

    def after(self, state: State) -> set[State]:
        """Where any safe move leads to."""
        picture = self.router.picture(self.situation(state))
        if not state.hand.part_type:
            return {self._fetched(state, move) for move in candidates(picture)}
        moves, home, _ = moves_from_hand(picture, picture.pallets["hand"])
        if moves and state.hand.sorting:
            home = []  # a sorted pallet goes out if it can
        return {other for move in (*moves, *home) for other in self._put(state, move)}

    def _fetched(self, state: State, move) -> State:
        pallet = move.pickup.pallet
        home, nests, infeed = list(state.home), list(state.nests), list(state.infeed)
        if pallet.place in self.names:
            at = self.names.index(pallet.place)
            taken, nests[at] = nests[at], NOBODY
        elif pallet.pallet.startswith("infeed-"):
            taken = infeed.pop(int(pallet.pallet.removeprefix("infeed-")))
        else:
            taken = home.pop(int(pallet.pallet.removeprefix("home-")))
        seat = move.landing.seat
        coming = "" if seat is None else seat.view.station
        return State(tuple(home), tuple(nests), taken, coming, state.out, tuple(infeed))

    def _put(self, state: State, move) -> list[State]:
        landing, nests = move.landing, list(state.nests)
        if landing.aim == "outfeed":
            return [state._replace(hand=NOBODY, coming="", out=1)]
        if landing.seat is None:
            home = tuple(sorted((*state.home, state.hand)))
            return [state._replace(home=home, hand=NOBODY, coming="")]
        at = self.names.index(landing.seat.view.station)
        displaced = nests[at]
        left = self._left_after(state.hand, [offer.program for offer in landing.visit])
        verdicts = ("",) if left else SORTINGS
        found = []
        for sorting in verdicts:
            nests[at] = Pallet(state.hand.part_type, left, sorting)
            found.append(state._replace(nests=tuple(nests), hand=displaced, coming=""))
        return found

    def _left_after(self, pallet: Pallet, programs: list[str]) -> tuple[str, ...]:
        """What a visit leaves open; each of its programs measures nothing before what the plan puts before it."""
        left = set(pallet.still_open)
        for program in programs:
            for number in sorted(self.covers[program] & left):
                lacking = self.sooner[pallet.part_type][number] & left - self.decides[program]
                assert not lacking, f"{program} measures {number} before {sorted(lacking)}"
            left -= self.decides[program]
        return tuple(number for number in pallet.still_open if number in left)

    def situation(self, state: State) -> Situation:
        """The state as routing is asked about it."""
        home = next((p.place for p in self.cell.places if p.kind == "rack"), "")
        first = next((p.place for p in self.cell.places if p.kind == "infeed"), "")
        kept = home if state.inside < self.racks else ""
        pallets = [_view(f"home-{n}", home, home, each) for n, each in enumerate(state.home)]
        pallets += [_view(f"infeed-{n}", first, kept, each) for n, each in enumerate(state.infeed)]
        nests = list(zip(self.names, state.nests, strict=True))
        pallets += [_view(f"in-{name}", name, home, each) for name, each in nests if each.part_type]
        if state.hand.part_type:
            pallets.append(_view("hand", "", home, state.hand))
        return Situation(
            now_ms=0,
            hand="hand" if state.hand.part_type else "",
            jaws=self.cell.handler.jaws,
            at_mm=0,
            pallets=tuple(pallets),
            stations=tuple(
                StationView(
                    station=name,
                    unusable="",
                    occupant=f"in-{name}" if each.part_type else "",
                    occupant_leaves_ms=0,
                    run_free_ms=0,
                    coming="hand" if state.coming == name else "",
                )
                for name, each in nests
            ),
            outfeeds=tuple(
                OutfeedView(place=p.place, at_mm=p.at_mm, sorting=p.sorting, free="free")
                for p in self.cell.places
                if p.kind == "outfeed"
            ),
        )


def _view(pallet: str, place: str, home: str, each: Pallet) -> PalletView:
    return PalletView(
        pallet=pallet,
        part_type=each.part_type,
        place=place,
        at_mm=0,
        movable_ms=0,
        home=home,
        open=each.still_open,
        sorting=each.sorting,
        waiting_since_ms=0,
        done=(),
    )

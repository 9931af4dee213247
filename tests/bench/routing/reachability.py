"""Every state that a cell can come into when the handler does anything at all that the safety filter lets through, without times.

Rules of this file:
- The moves are those of the production router (``candidates``, ``moves_from_hand``), not its choice: whatever any policy would choose is tried.
- A state says which stations each pallet at home, in each nest and in hand has still to visit, and for which station a pallet was fetched.
  Runs are over when the handler comes; outfeed places are cleared. Pallets that are alike are one, and so are states that differ only in the
  names of the stations: each station decides one characteristic and stands at the same position, so the filter treats them alike.
- Every mix of pallets is a beginning. *Dead*: pallets are left, and nothing can be moved. *Doomed*: no way leads to the end from here.
"""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations_with_replacement, permutations
from typing import Generic, NamedTuple, Protocol, TypeVar

from supervisor.cell.value import replace
from supervisor.routing.choice import candidates, moves_from_hand
from supervisor.routing.router import Router
from supervisor.routing.situation import OutfeedView, PalletView, Situation, StationView
from tests.unit.routing.random_cells import cell_of, program

EMPTY = -1


class State(NamedTuple):
    """Stations to visit as bit sets: of those at home, by nest (``EMPTY``), in hand; and the station that the hand was filled for."""

    home: tuple[int, ...]
    nests: tuple[int, ...]
    hand: int = EMPTY
    coming: int = EMPTY

    @property
    def over(self) -> bool:
        """Whether everybody is out."""
        return not self.home and self.hand == EMPTY and all(nest == EMPTY for nest in self.nests)


class Ending(Protocol):
    """A state that knows whether everybody is out."""

    @property
    def over(self) -> bool:
        """Whether everybody is out."""
        ...


S = TypeVar("S", bound=Ending)


@dataclass(frozen=True)
class Reached(Generic[S]):
    """How many states there are, and which of them are dead or doomed."""

    states: int
    dead: tuple[S, ...]
    doomed: tuple[S, ...]


def explored(beginnings: list[S], following: Callable[[S], set[S]]) -> Reached[S]:
    """Everything that can be reached from these beginnings."""
    before: dict[S, list[S]] = {state: [] for state in beginnings}
    dead, over, todo = [], [], list(beginnings)
    while todo:
        state = todo.pop()
        if state.over:
            over.append(state)
            continue
        after = sorted(following(state))
        if not after:
            dead.append(state)
        for other in after:
            if other not in before:
                before[other] = []
                todo.append(other)
            before[other].append(state)
    lost = set(before) - _leading_to(over, before)
    return Reached(len(before), tuple(dead), tuple(sorted(lost)))


class Reachability:
    """The states of one cell."""

    def __init__(self, stations: int, jaws: int, *, homes: str = "kept") -> None:
        names = [f"station-{n}" for n in range(stations)]
        numbers = tuple(str(n) for n in range(stations))
        cell = cell_of(
            [(name, 1000) for name in names],
            [("ring", numbers)],
            [
                program(f"run-{n}", name, "ring", (n,), 60)
                for n, name in zip(numbers, names, strict=True)
            ],
            jaws=jaws,
        )
        come_in = "rack" if homes == "kept" else "infeed"
        self.cell = replace(
            cell,
            places=tuple(
                replace(p, at_mm=1000, kind=come_in if p.kind == "rack" else p.kind)
                for p in cell.places
            ),
        )
        self.router = Router(self.cell)
        self.names, self.numbers, self.homes = names, numbers, homes
        self.ways = [
            (
                way,
                [
                    sum(1 << way[s] for s in range(stations) if rest >> s & 1)
                    for rest in range(1 << stations)
                ],
            )
            for way in permutations(range(stations))
        ]
        """Each way to name the stations anew, and what becomes of each bit set."""

    def beginnings(self, pallets: int) -> list[State]:
        """Every mix of so many pallets: each needs some of the stations."""
        nests = (EMPTY,) * len(self.names)
        needs = range(1, 1 << len(self.names))
        mixes = combinations_with_replacement(needs, pallets)
        return sorted({self.alike(State(tuple(mix), nests)) for mix in mixes})

    def alike(self, state: State) -> State:
        """The first of all states that differ from this one only in the names of the stations."""
        return min(self.renamed(state, way, bits) for way, bits in self.ways)

    def renamed(self, state: State, way: tuple[int, ...], bits: list[int]) -> State:
        """The same state with other names for the stations."""
        nests = [EMPTY] * len(way)
        for at, rest in enumerate(state.nests):
            if rest != EMPTY:
                nests[way[at]] = bits[rest]
        hand = EMPTY if state.hand == EMPTY else bits[state.hand]
        coming = EMPTY if state.coming == EMPTY else way[state.coming]
        return State(tuple(sorted([bits[rest] for rest in state.home])), tuple(nests), hand, coming)

    def explored(self, beginnings: list[State]) -> "Reached[State]":
        """Everything that can be reached from these beginnings."""
        return explored(
            beginnings, lambda state: {self.alike(other) for other in self.after(state)}
        )

    def after(self, state: State) -> list[State]:
        """Where any safe move leads to; fetching a pallet and putting it down are two, because routing is asked in between."""
        picture = self.router.picture(self.situation(state))
        if state.hand == EMPTY:
            moves = candidates(picture)
            return [self._fetched(state, move) for move in moves]
        moves, home, _ = moves_from_hand(picture, picture.pallets["hand"])
        if moves and not state.hand:
            home = []  # a sorted pallet goes out if it can
        return [self._put(state, move) for move in (*moves, *home)]

    def _fetched(self, state: State, move) -> State:
        pallet = move.pickup.pallet
        home, nests = list(state.home), list(state.nests)
        if pallet.place in self.names:
            at = self.names.index(pallet.place)
            rest, nests[at] = nests[at], EMPTY
        else:
            rest = home.pop(int(pallet.pallet.removeprefix("home-")))
        seat = move.landing.seat
        return State(tuple(home), tuple(nests), rest, EMPTY if seat is None else seat.station)

    def _put(self, state: State, move) -> State:
        landing, nests = move.landing, list(state.nests)
        if landing.aim == "outfeed":
            return State(state.home, state.nests)
        if landing.seat is None:
            return State((*state.home, state.hand), state.nests)
        at = landing.seat.station
        displaced, nests[at] = nests[at], state.hand & ~(1 << at)
        return State(state.home, tuple(nests), displaced)

    def situation(self, state: State) -> Situation:
        """The state as routing is asked about it."""
        pallets = [self._view(f"home-{n}", "rack-01", rest) for n, rest in enumerate(state.home)]
        nests = zip(self.names, state.nests, strict=True)
        pallets += [self._view(f"in-{name}", name, rest) for name, rest in nests if rest != EMPTY]
        if state.hand != EMPTY:
            pallets.append(self._view("hand", "", state.hand))
        stations = [
            StationView(
                station=name,
                unusable="",
                occupant="" if rest == EMPTY else f"in-{name}",
                occupant_leaves_ms=0,
                run_free_ms=0,
                coming="hand" if state.coming == at else "",
            )
            for at, (name, rest) in enumerate(zip(self.names, state.nests, strict=True))
        ]
        outfeed = OutfeedView(place="out-ok-1", at_mm=1000, sorting="conforming", free="free")
        return Situation(
            now_ms=0,
            hand="" if state.hand == EMPTY else "hand",
            jaws=self.cell.handler.jaws,
            at_mm=1000,
            pallets=tuple(pallets),
            stations=tuple(stations),
            outfeeds=(outfeed,),
        )

    def _view(self, pallet: str, place: str, rest: int) -> PalletView:
        return PalletView(
            pallet=pallet,
            part_type="ring",
            place=place,
            at_mm=1000,
            movable_ms=0,
            home="rack-01" if self.homes == "kept" else "",
            open=tuple(n for at, n in enumerate(self.numbers) if rest >> at & 1),
            sorting="" if rest else "conforming",
            waiting_since_ms=0,
            done=(),
        )


def _leading_to(ends: list[S], before: dict[S, list[S]]) -> set[S]:
    """The states from which some way leads to one of these."""
    found, todo = set(ends), list(ends)
    while todo:
        for sooner in before[todo.pop()]:
            if sooner not in found:
                found.add(sooner)
                todo.append(sooner)
    return found

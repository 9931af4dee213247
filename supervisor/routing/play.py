"""How a cell whose pallets have no home goes on from one exchange to the next, in a model: who stands where until when, and who comes in.

Rules of this file:
- A model, no promise: every result is good, runs take what was declared, the handler serves one carry after the other and each takes it
  about the same time wherever it comes from, and there is room for whoever is finished.
- Deterministic on every machine: floats are only multiplied, added and compared.
"""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from typing import NamedTuple

from supervisor.cell.value import replace
from supervisor.routing.chains import Gains, Mover, matched, newcomers
from supervisor.routing.covers import Cover
from supervisor.routing.onward import NOWHERE
from supervisor.routing.outlook import Outlook
from supervisor.routing.picture import Picture
from supervisor.routing.scarcity import Ways, ways
from supervisor.routing.sequence import Sequence as Draws
from supervisor.routing.situation import PalletView
from supervisor.routing.tables import Offer, decided_by

HANDS_PERCENT = 50
"""What a carry takes of the handler, as a share of what a visit takes that begins and ends in the middle of the rack: here the way is from nest to nest. With
100 pallets large cells 0, 1 and 3 ended at 1.320 of the bound on average, with 100 % at 1.369."""

Going = tuple[str, int]
"""A pallet, and the station that it goes to."""


def blurred(gains: Gains, draws: Draws, most: int) -> Gains:
    """What is gained, each by chance more or less by up to so much."""
    return {at: gain + draws.below(2 * most + 1) - most for at, gain in gains.items()}


def together(
    goings: Iterable[Going],
    nests: Collection[int],
    stands: Mapping[str, int],
    may_go: Callable[[str, int], bool],
) -> int:
    """How many of these, taken in order, happen now: as many as are possible before one is not, if nobody is left in the jaw after them.

    ``nests`` are those that can take a pallet, ``stands`` tells who keeps which of them until it goes on itself.
    """
    kept, taken, gone = set(stands.values()), set[int](), set[str]()
    most = 0
    for count, (who, at) in enumerate(goings, 1):
        if at not in nests or at in taken or who in gone or not may_go(who, at):
            break
        taken.add(at)
        gone.add(who)
        kept.discard(stands.get(who, NOWHERE))
        if not taken & kept:
            most = count
    return most


class Kind:
    """Pallets on which the same is left to do: by station what is gained there, how long they run there, what the detour costs, and what is left then.

    Without ``covers`` nothing is left.
    """

    __slots__ = ("_kinds", "_then", "_view", "_ways", "covers", "gains")

    def __init__(self, kinds: "Kinds", view: PalletView, covers: tuple[Cover, ...]) -> None:
        self._kinds, self._view, self.covers = kinds, view, covers
        self._ways = kinds.ways(covers)
        self.gains = {at: gain for at, (gain, _) in self._ways.items() if gain > 0}
        self._then: dict[int, tuple[int, float, Kind]] = {}

    def may_go(self, station: int) -> bool:
        """Whether such a pallet has business at a station, worth it or not."""
        return station in self._ways

    def visit(self, station: int) -> tuple[Offer, ...]:
        """What runs on such a pallet if it goes to a station where it has business."""
        return self._ways[station][1].next_at(station)

    def after(self, station: int) -> "tuple[int, float, Kind]":
        """If such a pallet goes to a station: how long it runs there, what the detour costs, and what it is then."""
        known = self._then.get(station)
        if known is None:
            visit = self.visit(station)
            run_ms = sum([offer.result_ms for offer in visit])
            detour = self._kinds.most_at(station) - self._ways[station][0]
            known = run_ms, detour, self._kinds.after(self._view, visit)
            self._then[station] = known
        return known


class Kinds:
    """All kinds that come up in one decision, each once."""

    __slots__ = ("_known", "_picture", "_shut")

    def __init__(self, picture: Picture) -> None:
        """At the prices of this picture."""
        self._picture = picture
        self._shut = picture.left_to_people()
        self._known: dict[int, Kind] = {}

    def of(self, view: PalletView, covers: tuple[Cover, ...]) -> Kind:
        """What a pallet is to which these ways are left; it keeps them, so that what they are known by is not used again."""
        known = self._known.get(id(covers))
        if known is None:
            known = self._known[id(covers)] = Kind(self, view, covers)
        return known

    def now(self, view: PalletView, outlook: Outlook) -> Kind:
        """What a pallet is as soon as it leaves where it stands."""
        visit = outlook.visit
        return self.after(view, visit) if visit else self.of(view, outlook.covers)

    def after(self, view: PalletView, visit: tuple[Offer, ...]) -> Kind:
        """What a pallet is after a visit all of whose results are good."""
        left = replace(
            view,
            pallet="",
            open=self._picture.tables.numbers_beyond(view, decided_by(visit)),
            done=(*view.done, *(offer.program for offer in visit)),
            planned=(),
        )
        return self.of(left, self._picture.covers_elsewhere(left))

    def ways(self, covers: tuple[Cover, ...]) -> Ways:
        """Where to these covers lead, at the prices of the picture."""
        return ways(covers, self._picture.prices, self._picture.tables.idle_ms, self._shut)

    def most_at(self, station: int) -> float:
        """What is gained at a station without any detour."""
        return self._picture.tables.idle_ms * self._picture.prices[station]


class Standing(NamedTuple):
    """A pallet in a nest that has to go on to another one, and what it is then."""

    who: str
    kind: Kind


class Floor:
    """Who stands where until when, and who waits outside.

    By station: when its run ends (``NEVER_MS``: nobody can go there), and whom it holds then that has to go on to another nest (None: nobody).
    Of those outside that are alike the last one comes in first.
    """

    __slots__ = ("ends_ms", "outside", "stands")

    def __init__(
        self, ends_ms: list[int], stands: list[Standing | None], outside: dict[Kind, list[str]]
    ) -> None:
        self.ends_ms, self.stands, self.outside = ends_ms, stands, outside

    def copy(self) -> "Floor":
        """The same, to play on."""
        outside = {kind: [*names] for kind, names in self.outside.items()}
        return Floor([*self.ends_ms], [*self.stands], outside)

    def kind_outside(self, who: str) -> Kind | None:
        """What a pallet is that waits outside; None if it does not."""
        return next((kind for kind, names in self.outside.items() if who in names), None)


class Play:
    """How it goes on, until the horizon. ``goings`` is who went where, in order."""

    __slots__ = (
        "_drawn",
        "_floor",
        "_free_ms",
        "_hands_ms",
        "_horizon_ms",
        "_now_ms",
        "_prices",
        "_rest",
        "_run_ms",
        "_unused",
        "goings",
    )

    def __init__(self, picture: Picture, floor: Floor, horizon_ms: int) -> None:
        """``floor`` is used up."""
        self._floor = floor
        self._now_ms = self._free_ms = picture.now_ms
        self._hands_ms, self._prices = picture.tables.hands_ms, picture.prices
        self._horizon_ms, self._run_ms = horizon_ms, picture.tables.run_ms
        self._unused = 0.0
        self._rest: Sequence[Going] = ()
        self._drawn: Draws | None = None
        self.goings: list[Going] = []

    def go_on(self, rest: Sequence[Going], drawn: Draws | None, least: float) -> float:
        """Whenever a run has ended: ``rest`` as far as it is possible, in its order; after that one exchange that is drawn by chance, if it shall be; after that the one that gains most.

        What of the stations' time was not used then, at their prices, and what detours cost. It never gets less, so as soon as it is not less than ``least`` it is not followed further.
        """
        self._rest, self._drawn = rest, drawn
        while True:
            ends_ms = [end for end in self._floor.ends_ms if end > self._now_ms]
            self._now_ms = min([self._horizon_ms, *ends_ms])
            unused = self._unused_so_far()
            if self._now_ms == self._horizon_ms or unused >= least:
                return unused
            if self._rest:
                self._follow()
            if not self._rest:
                self._best()

    def _unused_so_far(self) -> float:
        stands = [
            self._prices[at] * (self._now_ms - end_ms)
            for at, end_ms in enumerate(self._floor.ends_ms)
            if end_ms < self._now_ms
        ]
        return self._unused + sum(stands)

    def _follow(self) -> None:
        """What comes next of the rest, as far as it is possible now."""
        floor = self._floor
        if floor.ends_ms[self._rest[0][1]] > self._now_ms:
            return  # as ``together`` would find, but mostly it is so
        nests = self._nests()
        standing = self._standing(nests)

        def may_go(who: str, at: int) -> bool:
            kind = standing[who][1] if who in standing else floor.kind_outside(who)
            return kind is not None and kind.may_go(at)

        stands = {who: at for who, (at, _) in standing.items()}
        count = together(self._rest[: len(nests)], nests, stands, may_go)
        going_on: list[tuple[str, Kind, int]] = []
        new: list[tuple[Kind, int]] = []
        for who, at in self._rest[:count]:
            if who in standing:
                going_on.append((who, standing[who][1], at))
            elif (kind := floor.kind_outside(who)) is not None:
                new.append((kind, at))
        if count:
            self.exchange(going_on, new)
            self._rest = self._rest[count:]

    def _nests(self) -> list[int]:
        return [at for at, end_ms in enumerate(self._floor.ends_ms) if end_ms <= self._now_ms]

    def _standing(self, nests: list[int]) -> dict[str, tuple[int, Kind]]:
        """Who keeps which of these nests until it goes on, and what it is then."""
        found = [(at, self._floor.stands[at]) for at in nests]
        return {each.who: (at, each.kind) for at, each in found if each is not None}

    def _best(self) -> None:
        """The exchange that gains most, or would if what is gained were a little more or less."""
        floor, nests = self._floor, self._nests()
        standing = self._standing(nests)
        movers = {who: Mover(at, self._gains(kind)) for who, (at, kind) in standing.items()}
        outside = {kind: self._gains(kind) for kind in floor.outside}
        self._drawn = None
        exchanged = matched(movers, outside, nests)
        self.exchange(
            [(who, standing[who][1], at) for who, at in exchanged.to.items()],
            newcomers(exchanged, movers),
        )

    def _gains(self, kind: Kind) -> Gains:
        return blurred(kind.gains, self._drawn, self._run_ms) if self._drawn else kind.gains

    def exchange(
        self, going_on: list[tuple[str, Kind, int]], new: Iterable[tuple[Kind, int]]
    ) -> None:
        """Who goes on to which nest, and who comes from outside to which."""
        floor, going = self._floor, {who for who, _, _ in going_on}
        floor.stands = [
            None if each is not None and each.who in going else each for each in floor.stands
        ]
        for who, kind, at in going_on:
            self._carry(who, kind, at)
        for kind, at in new:
            if kind in floor.outside:  # one stands for all that are alike, and may be the last
                self._carry(floor.outside[kind].pop(), kind, at)
                if not floor.outside[kind]:
                    del floor.outside[kind]

    def _carry(self, who: str, kind: Kind, at: int) -> None:
        self.goings.append((who, at))
        run_ms, detour, then = kind.after(at)
        free_ms = self._floor.ends_ms[at]
        begin_ms = (
            max(self._now_ms, self._free_ms, free_ms) + self._hands_ms[at] * HANDS_PERCENT // 100
        )
        self._unused += detour + self._prices[at] * (begin_ms - free_ms)
        self._free_ms = begin_ms
        self._floor.ends_ms[at] = begin_ms + run_ms
        self._floor.stands[at] = Standing(who, then) if then.covers else None

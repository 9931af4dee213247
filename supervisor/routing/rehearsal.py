"""Exchanges of pallets between nests, played on for a while before one of them is chosen.

Rules of this file:
- What an exchange gains at once says little of what it leads to: who stands in whose way a run later. So several are played on, each followed by
  the exchange that gains most whenever a nest comes free, and the one counts that leaves least of the stations' time unused (rollout: Tesauro and
  Galperin, 1996; from memory).
- A model, no promise: every result is good, runs take what was declared, the handler serves one carry after the other and each takes it
  about the same time wherever it comes from, and there is room for whoever is finished.
- Deterministic on every machine: a fixed number of tries, floats are only multiplied, added and compared.
"""

from collections.abc import Container, Iterable, Mapping
from itertools import islice

from supervisor.cell.value import replace
from supervisor.routing.chains import Matched, Mover, matched, newcomers
from supervisor.routing.covers import Cover
from supervisor.routing.onward import NEVER_MS, NOWHERE
from supervisor.routing.outlook import Outlook
from supervisor.routing.picture import Picture
from supervisor.routing.scarcity import Ways, ways
from supervisor.routing.situation import PalletView
from supervisor.routing.tables import Offer, decided_by

TRIES = 30
"""In a study of six slow cells with 16 stations and 200 pallets, without a handler (``tests/bench/routing/exchanges.py``), none came to 1.387 of the linear programme, 30
to 1.272, 100 to 1.253; more are no better."""
AHEAD_PERCENT = 150
"""How far they are played on, in runs of mean length. In the same study 60, 100, 150 and 250 came to 1.311, 1.278, 1.272 and 1.273."""
HANDS_PERCENT = 50
"""What a carry takes of the handler, as a share of what a visit takes that begins and ends in the middle of the rack: here the way is from nest to nest. With
100 pallets large cells 0, 1 and 3 ended at 1.320 of the bound on average, with 100 % at 1.369."""


class _Kind:
    """Pallets on which the same is left to do: by station what is gained there, how long they run there, what the detour costs, and what is left then.

    Without ``covers`` nothing is left.
    """

    __slots__ = ("_kinds", "_then", "_view", "_ways", "covers", "gains")

    def __init__(self, kinds: "_Kinds", view: PalletView, covers: tuple[Cover, ...]) -> None:
        self._kinds, self._view, self.covers = kinds, view, covers
        self._ways = kinds.ways(covers)
        self.gains = {at: gain for at, (gain, _) in self._ways.items() if gain > 0}
        self._then: dict[int, tuple[int, float, _Kind]] = {}

    def after(self, station: int) -> "tuple[int, float, _Kind]":
        """If such a pallet goes to a station: how long it runs there, what the detour costs, and what it is then."""
        known = self._then.get(station)
        if known is None:
            gain, cover = self._ways[station]
            visit = cover.next_at(station)
            run_ms = sum([offer.result_ms for offer in visit])
            detour = self._kinds.most_at(station) - gain
            known = run_ms, detour, self._kinds.after(self._view, visit)
            self._then[station] = known
        return known


class _Kinds:
    """All kinds that come up in one decision, each once."""

    __slots__ = ("_known", "_picture", "_shut")

    def __init__(self, picture: Picture) -> None:
        self._picture = picture
        self._shut = picture.left_to_people()
        self._known: dict[int, _Kind] = {}

    def of(self, view: PalletView, covers: tuple[Cover, ...]) -> _Kind:
        """What a pallet is to which these ways are left; it keeps them, so that what they are known by is not used again."""
        known = self._known.get(id(covers))
        if known is None:
            known = self._known[id(covers)] = _Kind(self, view, covers)
        return known

    def now(self, view: PalletView, outlook: Outlook) -> _Kind:
        """What a pallet is as soon as it leaves where it stands."""
        visit = outlook.visit
        return self.after(view, visit) if visit else self.of(view, outlook.covers)

    def after(self, view: PalletView, visit: tuple[Offer, ...]) -> _Kind:
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


def _horizon_ms(picture: Picture) -> int:
    """Until when exchanges are played on."""
    return picture.now_ms + picture.tables.run_ms * AHEAD_PERCENT // 100


class _Floor:
    """Who stands where until when, and who waits outside.

    By station: when its run ends (``NEVER_MS``: nobody can go there), and whom it holds then that has to go on to another nest (None: nobody).
    """

    __slots__ = ("ends_ms", "outside", "stands")

    def __init__(
        self, ends_ms: list[int], stands: list[_Kind | None], outside: dict[_Kind, int]
    ) -> None:
        self.ends_ms, self.stands, self.outside = ends_ms, stands, outside

    def copy(self) -> "_Floor":
        """The same, to play on."""
        return _Floor([*self.ends_ms], [*self.stands], {**self.outside})


class Rehearsal:
    """One situation, from which exchanges are played on."""

    __slots__ = ("_floor", "_kind_of", "_movers", "_picture")

    def __init__(
        self, picture: Picture, movers: Mapping[str, Mover], outside: Container[str]
    ) -> None:
        """``movers`` are those in nests and in hand that may go on, ``outside`` one of each kind that may be fetched."""
        self._picture, self._movers = picture, movers
        kinds = _Kinds(picture)
        self._kind_of: dict[str, _Kind] = {
            name: kinds.now(view, picture.outlooks[name]) for name, view in picture.pallets.items()
        }
        self._floor = _Floor(self._ends_ms(), self._stands(), self._outside(outside))

    def _ends_ms(self) -> list[int]:
        ends_ms = [NEVER_MS] * len(self._picture.tables.stations)
        for at, seat in self._picture.seats.items():
            shut = seat.view.unusable or seat.obstacle
            if seat.occupant is not None and seat.leaves_ms > self._picture.now_ms:
                ends_ms[at] = NEVER_MS if seat.view.unusable else seat.leaves_ms
            elif not shut:
                ends_ms[at] = self._picture.now_ms
        return ends_ms

    def _stands(self) -> list[_Kind | None]:
        stands: list[_Kind | None] = [None] * len(self._picture.tables.stations)
        for at, seat in self._picture.seats.items():
            occupant = seat.occupant
            if occupant is not None and not occupant.home:
                kind = self._kind_of[occupant.pallet]
                stands[at] = kind if kind.covers else None
        return stands

    def _outside(self, some: Container[str]) -> dict[_Kind, int]:
        """How many may be fetched until the horizon of each kind of which one is named: a part may still have to adapt to the temperature of the cell."""
        picture, horizon_ms = self._picture, _horizon_ms(self._picture)
        count = dict.fromkeys([kind for name, kind in self._kind_of.items() if name in some], 0)
        for name, view in picture.pallets.items():
            inside = view.place in picture.seat_at or name == picture.situation.hand
            ready = name in some or picture.leaves_ms[name] < horizon_ms
            if not inside and ready and self._kind_of[name] in count:
                count[self._kind_of[name]] += 1
        return count

    def best_of(
        self, plain: Matched[str, str], others: Iterable[Matched[str, str]]
    ) -> Matched[str, str]:
        """Of the exchange that gains most at once and the first of the others the one that leaves least of the stations' time unused."""
        held = self._picture.situation.hand
        best, least = plain, self._unused(plain)
        known = {self._what(plain)}
        for other in islice(others, TRIES):
            what = self._what(other)
            if what in known or (held in plain.to and held not in other.to):
                continue
            known.add(what)
            unused = self._unused(other, least)
            if unused < least:
                best, least = other, unused
        return best

    def _what(self, exchanged: Matched[str, str]) -> tuple[object, ...]:
        """What tells one exchange from another."""
        return tuple(exchanged.to.items()), tuple(newcomers(exchanged, self._movers))

    def _unused(self, first: Matched[str, str], least: float = float("inf")) -> float:
        """What of the stations' time is not used until the horizon if this exchange begins, at their prices; no matter how much if not less than ``least``."""
        play = _Play(self._picture, self._floor.copy())
        kind_of, movers = self._kind_of, self._movers
        play.exchange(
            {movers[name].station for name in first.to} - {NOWHERE},
            [(kind_of[name], at) for name, at in first.to.items()],
            [(kind_of[who], at) for who, at in newcomers(first, movers)],
        )
        return play.play_on(least)


class _Play:
    """How it goes on, until the horizon."""

    __slots__ = ("_floor", "_free_ms", "_hands_ms", "_horizon_ms", "_now_ms", "_prices", "_unused")

    def __init__(self, picture: Picture, floor: _Floor) -> None:
        """``floor`` is used up."""
        self._floor = floor
        self._now_ms = self._free_ms = picture.now_ms
        self._hands_ms, self._prices = picture.tables.hands_ms, picture.prices
        self._horizon_ms = _horizon_ms(picture)
        self._unused = 0.0

    def play_on(self, least: float) -> float:
        """Whenever a run has ended, the exchange that gains most. What of the stations' time was not used then, at their prices, and what detours cost.

        It never gets less, so as soon as it is not less than ``least`` it is not followed further.
        """
        while True:
            ends_ms = [end for end in self._floor.ends_ms if end > self._now_ms]
            self._now_ms = min([self._horizon_ms, *ends_ms])
            unused = self._unused_so_far()
            if self._now_ms == self._horizon_ms or unused >= least:
                return unused
            self._plain()

    def _unused_so_far(self) -> float:
        stands = [
            self._prices[at] * (self._now_ms - end_ms)
            for at, end_ms in enumerate(self._floor.ends_ms)
            if end_ms < self._now_ms
        ]
        return self._unused + sum(stands)

    def _plain(self) -> None:
        floor = self._floor
        nests = [at for at, end_ms in enumerate(floor.ends_ms) if end_ms <= self._now_ms]
        standing = {at: kind for at in nests if (kind := floor.stands[at]) is not None}
        movers = {at: Mover(at, kind.gains) for at, kind in standing.items()}
        outside = {kind: kind.gains for kind in floor.outside}
        exchanged = matched(movers, outside, nests)
        going_on = [(standing[who], at) for who, at in exchanged.to.items()]
        self.exchange(exchanged.to, going_on, newcomers(exchanged, movers))

    def exchange(
        self, left: Iterable[int], going_on: list[tuple[_Kind, int]], new: list[tuple[_Kind, int]]
    ) -> None:
        """Nests that are left, who goes on to which, and who comes from outside to which."""
        floor = self._floor
        for at in left:
            floor.stands[at] = None
        for kind, at in going_on:
            self._carry(kind, at)
        for kind, at in new:
            if kind in floor.outside:  # one stands for all that are alike, and may be the last
                self._carry(kind, at)
                floor.outside[kind] -= 1
                if not floor.outside[kind]:
                    del floor.outside[kind]

    def _carry(self, kind: _Kind, at: int) -> None:
        run_ms, detour, then = kind.after(at)
        free_ms = self._floor.ends_ms[at]
        begin_ms = (
            max(self._now_ms, self._free_ms, free_ms) + self._hands_ms[at] * HANDS_PERCENT // 100
        )
        self._unused += detour + self._prices[at] * (begin_ms - free_ms)
        self._free_ms = begin_ms
        self._floor.ends_ms[at] = begin_ms + run_ms
        self._floor.stands[at] = then if then.covers else None

"""Exchanges of pallets between nests, played on for a while before one of them is chosen.

Rules of this file:
- What an exchange gains at once says little of what it leads to: who stands in whose way a run later. So several are played on, each followed by
  the exchange that gains most whenever a nest comes free, and the one counts that leaves least of the stations' time unused (rollout: Tesauro and
  Galperin, 1996; from memory).
- What was played before the best one is not lost: how it went on is handed back, tried again in the next decision, and others are made of it
  by going another way from somewhere on.
- Deterministic on every machine: a fixed number of tries, drawn from the time of the question.
"""

from collections.abc import Iterable, Iterator, Mapping
from typing import NamedTuple

from supervisor.routing.chains import Fetched, Matched, Mover, newcomers
from supervisor.routing.onward import NEVER_MS
from supervisor.routing.picture import Picture
from supervisor.routing.play import Floor, Going, Kind, Kinds, Play, Standing, together
from supervisor.routing.sequence import Sequence
from supervisor.routing.situation import Leg

TRIES = 18
"""Besides the exchange that gains most at once and the course of the decision before. Slow cells 0 to 13 with 100 pallets and 16 stations ended at 1.256 of the bound
on average with 18 and at 1.263 with 12 (which may be chance), 12 cells of 6 stations and 60 pallets at 1.150 and 1.160, in 1.15 of the time."""
AHEAD_PERCENT = 250
"""How far they are played on, in runs of mean length. With 200 three of these cells were no better, in a quick form without a handler 2 was as good as 2.5 and 1.5 worse by 1 %."""


class Course(NamedTuple):
    """An exchange to begin with, and who goes where after it, in order; ``begun`` is who goes where in the exchange, once it was played."""

    first: Matched[str, str]
    then: list[Going]
    begun: tuple[Going, ...] = ()


class Rehearsal:
    """One situation, from which exchanges are played on."""

    __slots__ = (
        "_best",
        "_floor",
        "_horizon_ms",
        "_kind_of",
        "_least",
        "_movers",
        "_nests",
        "_outside",
        "_picture",
    )

    def __init__(
        self,
        picture: Picture,
        movers: Mapping[str, Mover],
        outside: Iterable[str],
        nests: list[int],
    ) -> None:
        """``movers`` are those in nests and in hand that may go on, ``outside`` one of each kind that may be fetched, ``nests`` those that can take one."""
        self._picture, self._movers, self._nests = picture, movers, nests
        self._horizon_ms = picture.now_ms + picture.tables.run_ms * AHEAD_PERCENT // 100
        kinds = Kinds(picture)
        self._kind_of: dict[str, Kind] = {
            name: kinds.now(view, picture.outlooks[name]) for name, view in picture.pallets.items()
        }
        self._outside: dict[Kind, str] = {self._kind_of[name]: name for name in outside}
        self._floor = Floor(self._ends_ms(), self._stands(), self._waiting())
        self._best, self._least = Course(Matched({}, {}), []), float("inf")

    def _ends_ms(self) -> list[int]:
        ends_ms = [NEVER_MS] * len(self._picture.tables.stations)
        for at, seat in self._picture.seats.items():
            shut = seat.view.unusable or seat.obstacle
            if seat.occupant is not None and seat.leaves_ms > self._picture.now_ms:
                ends_ms[at] = NEVER_MS if seat.view.unusable else seat.leaves_ms
            elif not shut:
                ends_ms[at] = self._picture.now_ms
        return ends_ms

    def _stands(self) -> list[Standing | None]:
        stands: list[Standing | None] = [None] * len(self._picture.tables.stations)
        for at, seat in self._picture.seats.items():
            occupant = seat.occupant
            if occupant is not None and not occupant.home:
                kind = self._kind_of[occupant.pallet]
                stands[at] = Standing(occupant.pallet, kind) if kind.covers else None
        return stands

    def _waiting(self) -> dict[Kind, list[str]]:
        """Who may be fetched until the horizon of each kind of which one is named, who has waited longest last: a part may still have to adapt to the temperature of the cell."""
        picture = self._picture
        waiting: dict[Kind, list[str]] = {kind: [] for kind in self._outside}
        views = sorted(picture.pallets.values(), key=lambda p: (p.waiting_since_ms, p.pallet))
        for view in reversed(views):
            name, kind = view.pallet, self._kind_of[view.pallet]
            inside = view.place in picture.seat_at or name == picture.situation.hand
            if inside or kind not in waiting or name == self._outside[kind]:
                continue
            if picture.leaves_ms[name] < self._horizon_ms:
                waiting[kind].append(name)
        for kind, name in self._outside.items():
            waiting[kind].append(name)
        return waiting

    def best_of(
        self, plain: Matched[str, str], others: Iterator[Matched[str, str]], draws: Sequence
    ) -> Course:
        """Of the exchange that gains most at once, the course of the decision before, and the first of the others the one that leaves least of the stations' time unused.

        In every second turn, instead of another one, the best course so far is left somewhere by an exchange that is drawn.
        """
        self._try(Course(plain, []))
        known = {self._what(plain)}
        rest = self._still_to_do()
        if rest:
            kept = self._kept(rest)
            if self._may_begin(kept.first, plain):
                self._try(kept)
        for turn in range(TRIES):
            best = self._best
            if turn % 2 and best.then:
                self._try(Course(best.first, best.then[: draws.below(len(best.then))]), draws)
                continue
            other = next(others)
            if self._what(other) not in known and self._may_begin(other, plain):
                known.add(self._what(other))
                self._try(Course(other, []))
        return self._best

    def way(self, course: Course) -> tuple[Leg, ...]:
        """A course, to be handed back."""
        now = {**self._kind_of}
        legs: list[Leg] = []
        for who, at in (*course.begun, *course.then):
            programs = tuple(offer.program for offer in now[who].visit(at))
            legs.append((who, self._picture.tables.stations[at], programs))
            now[who] = now[who].after(at)[2]
        return tuple(legs)

    def _kept(self, rest: list[Going]) -> Course:
        """What of this can happen now, and what is still to be done then."""
        stands = {who: at for who, (at, _) in self._movers.items()}

        def may_go(who: str, at: int) -> bool:
            kind = self._kind_of[who] if who in stands else self._floor.kind_outside(who)
            return kind is not None and kind.may_go(at)

        count = together(rest, self._nests, stands, may_go)
        to = {who: at for who, at in rest[:count] if who in stands}
        fetched: Fetched[str] = {
            at: (0.0, self._outside[self._kind_of[who]])
            for who, at in rest[:count]
            if who not in stands
        }
        return Course(Matched(to, fetched), rest[count:])

    def _still_to_do(self) -> list[Going]:
        """Of the way that was handed back what is not done yet and still possible."""
        picture, now = self._picture, {**self._kind_of}
        rest: list[Going] = []
        for who, place, _ in picture.situation.way:
            view, seat = picture.pallets.get(who), picture.seat_at.get(place)
            if view is None or seat is None or view.place == place:
                continue
            if now[who].may_go(seat.station):
                rest.append((who, seat.station))
                now[who] = now[who].after(seat.station)[2]
        return rest

    def _may_begin(self, exchanged: Matched[str, str], plain: Matched[str, str]) -> bool:
        """Whether it brings the pallet in hand to a nest, if that is possible."""
        held = self._picture.situation.hand
        return held in exchanged.to or held not in plain.to

    def _what(self, exchanged: Matched[str, str]) -> tuple[object, ...]:
        """What tells one exchange from another."""
        return tuple(exchanged.to.items()), tuple(newcomers(exchanged, self._movers))

    def _try(self, course: Course, draws: Sequence | None = None) -> None:
        """Play it, and keep how it went if that leaves less unused than any before."""
        played, unused = self._played(course, draws)
        if unused < self._least:
            self._best, self._least = played, unused

    def _played(self, course: Course, draws: Sequence | None = None) -> tuple[Course, float]:
        """How it went, and what of the stations' time is not used until the horizon, at their prices; no matter how much if not less than with the best one."""
        play = Play(self._picture, self._floor.copy(), self._horizon_ms)
        play.exchange(
            [(who, self._kind_of[who], at) for who, at in course.first.to.items()],
            [(self._kind_of[who], at) for who, at in newcomers(course.first, self._movers)],
        )
        begun = tuple(play.goings)
        unused = play.go_on(course.then, draws, self._least)
        return Course(course.first, play.goings[len(begun) :], begun), unused

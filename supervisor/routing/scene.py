"""From a picture to what look-ahead plays through, and back: pallets, covers, places and moves get numbers, and ways get their names again.

Rules of this file:
- Only so many pallets are followed; of the others the work counts, at the stations and for the handler, but not their order.
- A candidate is a safe move, or waiting for the verdict of a pallet; awaited pallets count on after the moves.
- A pallet has a job for each cover that is compared. In a node one of them stands for it, and the others are ``GONE``.
"""

from collections.abc import Mapping, Sequence

from supervisor.routing.covers import Cover
from supervisor.routing.moves import Move
from supervisor.routing.nominal import (
    AWAY_MS,
    GONE,
    HOME,
    NOBODY,
    OUT,
    Frame,
    Job,
    Node,
    Nominal,
    Step,
    Where,
)
from supervisor.routing.onward import NEVER_MS
from supervisor.routing.picture import Picture, Seat, after_pending
from supervisor.routing.search import Found, Known
from supervisor.routing.situation import Leg, PalletView
from supervisor.routing.tables import Offer
from supervisor.routing.way import along

STRANGER = -3
"""In a nest: a pallet that is none of ours to move."""
FOLLOWED_MAX = 40
"""How many pallets look-ahead follows."""
NOBODY_KEEPS: Mapping[str, Cover] = {}


class Scene:
    """The present, as a node with everybody's planned cover (``root``), and as one with the covers that a way keeps to (``kept_root``)."""

    __slots__ = (
        "_candidates",
        "_covers",
        "_jobs_of",
        "_names",
        "_picture",
        "frame",
        "kept_root",
        "model",
        "root",
    )

    def __init__(
        self,
        picture: Picture,
        moves: Sequence[Move],
        awaited: Sequence[PalletView] = (),
        kept: Mapping[str, Cover] = NOBODY_KEEPS,
    ) -> None:
        """Number the pallets and work out where they stand; ``kept`` are covers that a way keeps to, by pallet."""
        self._picture = picture
        self._candidates: tuple[Move | PalletView, ...] = (*moves, *awaited)
        views, beyond = _followed(picture, moves)
        self._names = [view.pallet for view in views]
        self._covers = [picture.plan.covers.get(name) for name in self._names]
        self._jobs_of = {name: [number] for number, name in enumerate(self._names)}
        for move in moves:
            self._add(move.pickup.pallet.pallet, move.landing.cover)
        for view in views:
            self._add(view.pallet, kept.get(view.pallet))
        self.frame = _frame(picture, len(beyond))
        jobs = [
            _job(picture, picture.pallets[name], cover)
            for name, cover in zip(self._names, self._covers, strict=True)
        ]
        self.model = Nominal(self.frame, tuple(jobs))
        self.root = self.kept_root = self._with_work(beyond, self._root(views))
        for view in views:
            cover = kept.get(view.pallet)
            if cover is not None:
                self.kept_root = self._with_cover(self.kept_root, view.pallet, cover)

    # --- who stands for whom --------------------------------------------------------------------------------------------------

    def _add(self, pallet: str, cover: Cover | None) -> None:
        """One more cover to be compared, if it is not known."""
        jobs = self._jobs_of[pallet]
        if cover is not None and all(self._covers[job] is not cover for job in jobs):
            jobs.append(len(self._names))
            self._names.append(pallet)
            self._covers.append(cover)

    def _job_in(self, node: Node, pallet: str) -> int:
        """The job that stands for a pallet in a node."""
        jobs = self._jobs_of[pallet]
        return next((job for job in jobs if node.rest[job] != GONE), jobs[0])

    def _with_cover(self, node: Node, pallet: str, cover: Cover) -> Node:
        """The same node with this cover for a pallet."""
        job = self._job_in(node, pallet)
        other = next(each for each in self._jobs_of[pallet] if self._covers[each] is cover)
        return node if job == other else self._instead(node, job, other)

    # --- the present ----------------------------------------------------------------------------------------------------------

    def _root(self, views: list[PalletView]) -> Node:
        picture, model = self._picture, self.model
        seats = [picture.seats.get(at) for at in range(len(picture.tables.stations))]
        spare = len(self._names) - len(views)
        covers = self._covers[: len(views)]
        rest = [_stations_of(cover) if cover else 0 for cover in covers]
        known_ms = [_known_ms(picture, view) for view in views]
        held = picture.situation.hand
        home = tuple(number for number, view in enumerate(views) if _outside(picture, view))
        counted = [number for number, ms in enumerate(known_ms) if ms < AWAY_MS]
        hands_ms = sum(self._need_ms(views[number], number, rest[number]) for number in counted)
        load_ms = [
            sum(model.taken_ms(job, at) for job in model.jobs[: len(views)])
            for at in range(len(seats))
        ]
        return Node(
            picture.now_ms,
            picture.situation.at_mm,
            self._jobs_of[held][0] if held else NOBODY,
            tuple([self._occupant(seat) for seat in seats]),
            tuple([_leaves_ms(seat) for seat in seats]),
            tuple([_free_ms(picture, seat) for seat in seats]),
            tuple(load_ms),
            (*rest, *[GONE] * spare),
            (*known_ms, *[0] * spare),
            home,
            hands_ms,
            0,
            len(counted),
        )

    def _need_ms(self, view: PalletView, job: int, rest: int) -> int:
        """The least the handler has to do to bring a pallet from where it is through these stations and out."""
        held = view.pallet == self._picture.situation.hand
        at_mm = self._picture.situation.at_mm if held else view.at_mm
        where: Where = "home" if _outside(self._picture, view) else "nest"
        return self.model.need_ms(job, rest, at_mm, where)

    def _with_work(self, beyond: list[PalletView], node: Node) -> Node:
        """The same node with the work on the pallets that are not followed."""
        load_ms, hands_ms = list(node.load_ms), node.hands_ms
        for view in beyond:
            cover = self._picture.plan.covers.get(view.pallet)
            if cover is None:
                continue
            job = _job(self._picture, view, cover)
            for at in range(len(load_ms)):
                load_ms[at] += self.model.taken_ms(job, at)
            hands_ms += self.model.least_ms(job, _stations_of(cover), view.at_mm, "home")
        return node._replace(load_ms=tuple(load_ms), hands_ms=hands_ms)

    def _occupant(self, seat: Seat | None) -> int:
        if seat is None or not seat.view.occupant:
            return NOBODY
        return self._jobs_of.get(seat.view.occupant, [STRANGER])[0]

    def _instead(self, node: Node, job: int, other: int) -> Node:
        """The same node with another job for a pallet."""
        taken_ms, jobs, cover = self.model.taken_ms, self.model.jobs, self._covers[other]
        view = self._picture.pallets[self._names[job]]
        rest, known_ms = list(node.rest), list(node.known_ms)
        rest[job], rest[other] = GONE, _stations_of(cover) if cover is not None else 0
        known_ms[other] = known_ms[job]
        less_ms = self._need_ms(view, job, node.rest[job])
        return node._replace(
            hand=other if node.hand == job else node.hand,
            occupant=tuple([other if who == job else who for who in node.occupant]),
            home=tuple([other if who == job else who for who in node.home]),
            rest=tuple(rest),
            known_ms=tuple(known_ms),
            load_ms=tuple(
                [
                    load - taken_ms(jobs[job], at) + taken_ms(jobs[other], at)
                    for at, load in enumerate(node.load_ms)
                ]
            ),
            hands_ms=node.hands_ms + self._need_ms(view, other, rest[other]) - less_ms,
        )

    # --- candidates -----------------------------------------------------------------------------------------------------------

    def first_nodes(self, root: Node) -> list[tuple[int, Node]]:
        """Where each candidate leads to from here, by its number; those that are not in view are left out."""
        nodes = [(at, self._after(each, root)) for at, each in enumerate(self._candidates)]
        return [(at, node) for at, node in nodes if node is not None]

    def _after(self, candidate: Move | PalletView, root: Node) -> Node | None:
        if isinstance(candidate, Move):
            return self.node_after(candidate, root)
        job = self._job_in(root, candidate.pallet)
        step = self.model.step_to(root, job, OUT)
        return None if step is None else self.model.after(root, step)

    def node_after(self, move: Move, root: Node | None = None) -> Node:
        """Where a move leads to. A pallet changes its cover for it only if the one that it has would run something else there."""
        landing, pallet, node = move.landing, move.pickup.pallet.pallet, root or self.root
        seat, emptied = landing.seat, move.pickup.emptied
        if landing.cover is not None and seat is not None:
            cover = self._covers[self._job_in(node, pallet)]
            if cover is None or cover.next_at(seat.station) != landing.visit:
                node = self._with_cover(node, pallet, landing.cover)
        target = seat.station if seat is not None else HOME
        if landing.aim == "outfeed":
            target = OUT
        origin = emptied.station if emptied is not None else NOBODY
        step = Step(self._job_in(node, pallet), origin, target, landing.placed_ms, 0)
        return self.model.after(node, step)

    # --- ways and their names -------------------------------------------------------------------------------------------------

    def known(self, legs: list[Leg]) -> Known | None:
        """The way along these legs with the covers that it keeps to, as far as it is possible; None if it begins with no candidate."""
        numbers = {self._what(each): at for at, each in enumerate(self._candidates)}
        begin = next((at for at, leg in enumerate(legs) if leg[:2] in numbers), None)
        if begin is None:
            return None
        first = numbers[legs[begin][:2]]
        node = self._after(self._candidates[first], self.kept_root)
        if node is None:
            return None
        todo = [
            (self._job_in(node, pallet), self._target(place))
            for pallet, place, _ in (*legs[:begin], *legs[begin + 1 :])
            if pallet in self._jobs_of
        ]
        return Known(first, node, along(self.model, node, todo))

    def way(self, found: Found) -> tuple[Leg, ...]:
        """The way that was found, in names; () if it does not lead to the end."""
        if found.way is None:
            return ()
        candidate = self._candidates[found.best]
        programs: tuple[str, ...] = ()
        if isinstance(candidate, Move) and candidate.landing.seat is not None:
            programs = _programs(candidate.landing.cover, candidate.landing.seat.station)
        return ((*self._what(candidate), programs), *[self._leg(step) for step in found.way])

    def _what(self, candidate: Move | PalletView) -> tuple[str, str]:
        """Pallet and place of a candidate, as in a leg."""
        if not isinstance(candidate, Move):
            return candidate.pallet, ""
        landing = candidate.landing
        return candidate.pickup.pallet.pallet, "" if landing.aim == "outfeed" else landing.target

    def _leg(self, step: Step) -> Leg:
        pallet, cover = self._names[step.job], self._covers[step.job]
        if step.target == OUT:
            return pallet, "", ()
        if step.target == HOME:
            return pallet, self._picture.pallets[pallet].home, ()
        return pallet, self._picture.tables.stations[step.target], _programs(cover, step.target)

    def _target(self, place: str) -> int:
        return self._picture.tables.index.get(place, HOME) if place else OUT


def _programs(cover: Cover | None, station: int) -> tuple[str, ...]:
    return tuple([offer.program for offer in cover.visits[station]]) if cover is not None else ()


def _followed(picture: Picture, moves: Sequence[Move]) -> tuple[list[PalletView], list[PalletView]]:
    """The pallets to follow, who waits longest first, and the others: who is in a nest, in hand or could be moved comes first."""
    movers = {move.pickup.pallet.pallet for move in moves} | {picture.situation.hand}
    views = sorted(
        picture.pallets.values(),
        key=lambda v: (
            v.pallet not in movers and v.place not in picture.seat_at,
            v.waiting_since_ms,
            v.pallet,
        ),
    )
    followed, beyond = views[:FOLLOWED_MAX], views[FOLLOWED_MAX:]
    return sorted(followed, key=lambda v: (v.waiting_since_ms, v.pallet)), beyond


def _frame(picture: Picture, beyond: int) -> Frame:
    tables, handler = picture.tables, picture.tables.handler
    at_mm = tuple([tables.at_mm[name] for name in tables.stations])
    shut = 0
    for station, seat in picture.seats.items():
        if seat.view.unusable or seat.obstacle == "expected":
            shut |= 1 << station
    return Frame(
        jaws=picture.jaws,
        pick_ms=handler.pick_ms,
        put_ms=handler.put_ms,
        swap_ms=handler.swap_ms,
        speed_mm_s=handler.speed_mm_s,
        at_mm=at_mm,
        shut=shut,
        beyond=beyond,
        out_ms=tuple(
            [
                handler.pick_ms
                + handler.put_ms
                + min(
                    (handler.travel_ms(mm, out.at_mm) for out in picture.situation.outfeeds),
                    default=0,
                )
                for mm in at_mm
            ]
        ),
    )


def _job(picture: Picture, view: PalletView, cover: Cover | None) -> Job:
    visits = cover.visits if cover is not None else ((),) * len(picture.tables.stations)
    urgency = picture.tables.urgency.get(view.part_type)
    outfeed = picture.outfeed_for(view)
    outfeeds = picture.situation.outfeeds
    at_mm = picture.tables.at_mm
    return Job(
        free_ms=tuple([_free_after_ms(visit) for visit in visits]),
        busy_ms=tuple([sum(offer.result_ms for offer in visit) for visit in visits]),
        stand_mm=view.at_mm if _outside(picture, view) else at_mm.get(view.home, 0),
        home_mm=at_mm[view.home] if view.home else None,
        out_mm=outfeed.at_mm if outfeed else (outfeeds[0].at_mm if outfeeds else 0),
        due_ms=view.entered_ms + (urgency.due_ms if urgency else 0),
        weight=urgency.weight if urgency else 0,
        before=cover.before if cover is not None else (),
        ready_ms=_ready_ms(picture, view),
    )


def _ready_ms(picture: Picture, view: PalletView) -> int:
    """When a pallet outside the stations may be fetched, if not at once; 0 if it may."""
    soaks = _outside(picture, view) and view.movable_ms > picture.now_ms
    return view.movable_ms if soaks else 0


def _outside(picture: Picture, view: PalletView) -> bool:
    """Whether a pallet stands outside the stations; in hand it stands nowhere."""
    return view.place not in picture.seat_at and view.pallet != picture.situation.hand


def _free_after_ms(visit: tuple[Offer, ...]) -> int:
    """How long a pallet stays for a visit: the last program only until the part is free."""
    return sum(offer.result_ms for offer in visit[:-1]) + visit[-1].part_free_ms if visit else 0


def _stations_of(cover: Cover) -> int:
    return sum(1 << station for station, visit in enumerate(cover.visits) if visit)


def _known_ms(picture: Picture, view: PalletView) -> int:
    """When the verdict on a pallet is known that has nothing more to run; ``AWAY_MS`` if it cannot leave the cell in view."""
    if view.sorting:
        return picture.now_ms if picture.outfeed_for(view) else AWAY_MS
    if (
        view.open
        and not picture.outlooks[view.pallet].covers
        and not picture.outlooks[view.pallet].visit
    ):
        return AWAY_MS
    seat = picture.seat_at.get(view.place)
    if seat is not None:
        return _free_ms(picture, seat)
    if view.open:
        return picture.now_ms
    return max((seat.view.run_free_ms for seat in picture.seats.values()), default=picture.now_ms)


def _leaves_ms(seat: Seat | None) -> int:
    if seat is None:
        return AWAY_MS
    shut = seat.view.unusable and seat.view.fetch == "refused"
    stranger = seat.view.occupant and seat.occupant is None
    return AWAY_MS if shut or stranger else min(seat.leaves_ms, NEVER_MS)


def _free_ms(picture: Picture, seat: Seat | None) -> int:
    if seat is None:
        return AWAY_MS
    _, free_ms = after_pending(seat.pending, picture.now_ms, seat.view.run_free_ms)
    return max(free_ms, picture.now_ms)

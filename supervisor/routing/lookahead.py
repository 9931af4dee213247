"""From a picture to look-ahead and back: each safe move is played through, and the one with the earliest end wins.

Rules of this file:
- Only moves that the safety filter has let through are compared; look-ahead never adds one.
- Only so many pallets are followed; of the others the work counts, at the stations and for the handler, but not their order.
"""

from supervisor.cell.value import value
from supervisor.routing.covers import Cover
from supervisor.routing.improvement import improved
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
)
from supervisor.routing.onward import NEVER_MS
from supervisor.routing.picture import Picture, Seat, after_pending
from supervisor.routing.search import Found, Reach, Search
from supervisor.routing.situation import PalletView
from supervisor.routing.tables import Offer
from supervisor.routing.timetable import Orders

STRANGER = -3
"""In a nest: a pallet that is none of ours to move."""
FOLLOWED_MAX = 40
"""How many pallets look-ahead follows."""


@value
class Ahead:
    """What look-ahead found: for each move the ms from now until all is out (None: not seen), the least possible, and the best.

    Awaited pallets count on after the moves.
    """

    ends_ms: tuple[int | None, ...]
    bound_ms: int
    best: int
    steps: int
    reach: Reach

    @property
    def end_ms(self) -> int:
        """When all is out after the best, in ms from now; the bound where no end was reached."""
        end_ms = self.ends_ms[self.best]
        return self.bound_ms if end_ms is None else end_ms


def look_ahead(
    picture: Picture, moves: list[Move], awaited: list[PalletView], budget: int
) -> Ahead:
    """Play the moves through, and waiting for the verdict of each awaited pallet, with at most ``budget`` steps (and the rest of a layer)."""
    scene = Scene(picture, moves)
    nodes = [scene.node_after(move) for move in moves]
    nodes += [scene.node_awaiting(pallet) for pallet in awaited]
    found: Found = Search(scene.model, len(nodes), budget).run(nodes)
    now_ms = picture.now_ms
    return Ahead(
        ends_ms=tuple(None if end is None else end - now_ms for end in found.ends_ms),
        bound_ms=found.bound_ms - now_ms,
        best=found.best,
        steps=found.steps,
        reach=found.reach,
    )


def plan_ms(picture: Picture, moves: list[Move], budget: int) -> int | None:
    """When all is out, in ms from now, after the best plan that ``budget`` carries find; None if none was found.

    The way through all visits with the covers of the balanced plan, put in order by ``improvement.py``. Needs two jaws and homes.
    """
    scene = Scene(picture, moves)
    bound_ms, _ = scene.model.judge(scene.root)
    found = improved(Orders(scene.model, scene.root), budget, bound_ms)
    return None if found is None else found.end_ms - picture.now_ms


def _followed(picture: Picture, moves: list[Move]) -> tuple[list[PalletView], list[PalletView]]:
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


class Scene:
    """The present node, with the pallets by number, and each move's way into it."""

    __slots__ = ("_numbers", "_others", "_picture", "frame", "model", "root")

    def __init__(self, picture: Picture, moves: list[Move]) -> None:
        """Number the pallets and work out where they stand."""
        self._picture = picture
        views, beyond = _followed(picture, moves)
        self._numbers = {view.pallet: number for number, view in enumerate(views)}
        covers = [picture.plan.covers.get(view.pallet) for view in views]
        jobs = [_job(picture, view, cover) for view, cover in zip(views, covers, strict=True)]
        self._others: dict[tuple[str, Cover], int] = {}
        for move in moves:
            view, cover = move.pickup.pallet, move.landing.cover
            if cover is not None and cover is not picture.plan.covers.get(view.pallet):
                key = (view.pallet, cover)
                if key not in self._others:
                    self._others[key] = len(jobs)
                    jobs.append(_job(picture, view, cover))
        self.frame = _frame(picture, len(beyond))
        self.model = Nominal(self.frame, tuple(jobs))
        self.root = self._with_work(beyond, self._root(views, covers, len(self._others)))

    def _root(self, views: list[PalletView], covers: list[Cover | None], spare: int) -> Node:
        picture, model = self._picture, self.model
        seats = [picture.seats.get(at) for at in range(len(picture.tables.stations))]
        rest = [_stations_of(cover) if cover else 0 for cover in covers]
        known_ms = [_known_ms(picture, view) for view in views]
        held = picture.situation.hand
        home = tuple(
            number
            for number, view in enumerate(views)
            if view.place not in picture.seat_at and view.pallet != held
        )
        counted = [number for number, ms in enumerate(known_ms) if ms < AWAY_MS]
        hands_ms = sum(
            model.need_ms(
                number,
                rest[number],
                views[number].at_mm if views[number].pallet != held else picture.situation.at_mm,
                "home" if number in home else "nest",
            )
            for number in counted
        )
        return Node(
            picture.now_ms,
            picture.situation.at_mm,
            self._numbers.get(held, NOBODY) if held else NOBODY,
            tuple([self._occupant(seat) for seat in seats]),
            tuple([_leaves_ms(seat) for seat in seats]),
            tuple([_free_ms(picture, seat) for seat in seats]),
            tuple(
                [
                    sum(model.taken_ms(job, at) for job in model.jobs[: len(views)])
                    for at in range(len(seats))
                ]
            ),
            (*rest, *[GONE] * spare),
            (*known_ms, *[0] * spare),
            home,
            hands_ms,
            0,
            len(counted),
        )

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
        return self._numbers.get(seat.view.occupant, STRANGER)

    def node_after(self, move: Move) -> Node:
        """Where a move leads to."""
        landing, view = move.landing, move.pickup.pallet
        job, node = self._numbers[view.pallet], self.root
        other = self._others.get((view.pallet, landing.cover)) if landing.cover else None
        if other is not None and landing.cover is not None:
            node = self._instead(node, job, other, landing.cover)
            job = other
        seat = move.pickup.emptied
        target = landing.seat.station if landing.seat is not None else HOME
        if landing.aim == "outfeed":
            target = OUT
        origin = seat.station if seat is not None else NOBODY
        return self.model.after(node, Step(job, origin, target, landing.placed_ms, 0))

    def node_awaiting(self, pallet: PalletView) -> Node | None:
        """Where it leads to wait until the verdict on a pallet is known, and to bring it out then; None if that is not in view."""
        job = self._numbers[pallet.pallet]
        steps = (s for s in self.model.steps(self.root) if s.job == job and s.target == OUT)
        step = next(steps, None)
        return None if step is None else self.model.after(self.root, step)

    def _instead(self, node: Node, job: int, other: int, cover: Cover) -> Node:
        """The same node with another cover for one pallet: a job of its own takes the place of the planned one."""
        taken_ms, jobs = self.model.taken_ms, self.model.jobs
        rest = list(node.rest)
        rest[job], rest[other] = GONE, _stations_of(cover)
        known_ms = list(node.known_ms)
        known_ms[other] = known_ms[job]
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
        )


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
        stand_mm=view.at_mm if view.place not in picture.seat_at else at_mm.get(view.home, 0),
        home_mm=at_mm[view.home] if view.home else None,
        out_mm=outfeed.at_mm if outfeed else (outfeeds[0].at_mm if outfeeds else 0),
        due_ms=view.entered_ms + (urgency.due_ms if urgency else 0),
        weight=urgency.weight if urgency else 0,
        before=cover.before if cover is not None else (),
        ready_ms=_ready_ms(picture, view),
    )


def _ready_ms(picture: Picture, view: PalletView) -> int:
    """When a pallet outside the stations may be fetched, if not at once; 0 if it may."""
    outside = view.place not in picture.seat_at and view.pallet != picture.situation.hand
    return view.movable_ms if outside and view.movable_ms > picture.now_ms else 0


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

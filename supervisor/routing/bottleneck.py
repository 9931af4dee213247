"""Moves that are put off because a station that limits the cell would wait for its next pallet meanwhile.

Rules of this file:
- A wait of a station costs what it makes all be done later: nothing, as long as the station has so much less to do than the busiest one. By
  that is judged both what a move makes others wait, and what its own target waits if they are served before it.
- Only where few stations limit and the handler has time to spare. Where many limit, each waits while the handler stands still for one of them.
- Only for a nest whose next pallet can be fetched now or at a known time. A pallet in hand goes home instead, so nobody is put off for ever.
- Only where every pallet has a home; the others go on by what is best for all together (``exchange.py``).
"""

from typing import NamedTuple

from supervisor.routing import reasons
from supervisor.routing.moves import Move, Obstacle, put_off, urgent
from supervisor.routing.onward import NEVER_MS
from supervisor.routing.picture import Picture, Seat
from supervisor.routing.situation import PalletView

FEW = 2
"""How many stations limit at most where others wait for them. With any number a large cell of seed 5 with 100 pallets, all of whose 16
stations limit and whose handler has 10 % of its time left, took 1.18 of the time."""


class _Due(NamedTuple):
    """A nest to be served soon.

    Which pallet comes next, when the nest is ready for it, when the handler could be there with it if nothing else came before, and what time alone
    keeps it from still (None: nothing).
    """

    seat: Seat
    pallet: PalletView
    ready_ms: int
    there_ms: int
    obstacle: Obstacle | None


def in_time(
    picture: Picture, moves: list[Move], obstacles: list[Obstacle]
) -> tuple[list[Move], list[Obstacle], Obstacle | None]:
    """With an empty hand: the best move that makes no station wait that limits, with all that are worse, and those put off that are better.

    None are if nothing would be left to be done or to wait for. Where all are put off, also what is waited for.
    """
    limiting = _limiting(picture)
    if not limiting or urgent(moves):
        return moves, [], None
    later = [each for each in obstacles if each.opens_ms is not None]
    first = {each.target: each for each in sorted(later, key=reasons.soonest_first, reverse=True)}
    now = {move.landing.target: move.pickup.pallet for move in reversed(moves)}
    dues: list[_Due] = []
    for seat in limiting:
        station = seat.view.station
        obstacle = None if station in now else first.get(station)
        pallet = now.get(station, obstacle.pallet if obstacle is not None else None)
        if pallet is not None:
            dues.append(
                _due(picture, seat, pallet, picture.now_ms, picture.situation.at_mm, obstacle)
            )
    kept, undone = _parted(picture, moves, dues)
    if kept or not undone:
        return kept, undone, None
    opens = [due.obstacle for due in dues if due.obstacle is not None]
    following = min(opens, key=reasons.soonest_first, default=None)
    return (moves, [], None) if following is None else ([], undone, following)


def or_home(picture: Picture, moves: list[Move], home: Move) -> tuple[list[Move], list[Obstacle]]:
    """With a pallet in hand that came out in a swap and could go home instead: the same."""
    limiting = _limiting(picture)
    if not limiting or urgent(moves):
        return moves, []
    dues: list[_Due] = []
    for seat in limiting:
        outside = [
            pallet
            for pallet in picture.claims.get(seat.station, ())
            if pallet.place not in picture.seat_at and pallet is not home.pickup.pallet
        ]
        if outside:
            pallet = min(outside, key=lambda each: (abs(each.at_mm - seat.at_mm), each.pallet))
            dues.append(
                _due(picture, seat, pallet, home.landing.placed_ms, home.landing.at_mm, None)
            )
    return _parted(picture, moves, dues)


def comes_before(picture: Picture, seat: Seat, other: int, ms: int) -> bool:
    """Whether the handler does right to stand still before a nest although another station could be served, which then waits for so long.

    It does if that costs nothing, and the other way round it would.
    """
    if all(each is not seat for each in _limiting(picture)):
        return False
    plan, ms = picture.plan, ms + picture.tables.reach_ms
    return plan.later_ms(other, ms) == 0 < plan.later_ms(seat.station, ms)


def _limiting(picture: Picture) -> list[Seat]:
    """The nests of the stations that limit, as far as one can be brought to; [] if the handler limits, or more than a few stations do."""
    plan, tables = picture.plan, picture.tables
    if picture.prices or plan.hands_ms + _out_ms(picture) > plan.most_ms:
        return []
    # No carry with the way back takes longer than that, so who has so much less to do can wait for it.
    longest_ms = 2 * tables.reach_ms
    limiting = [at for at, ms in enumerate(plan.load_ms) if ms + longest_ms >= plan.most_ms]
    if len(limiting) > FEW:
        return []
    seats = [picture.seats[at] for at in limiting if at in picture.seats]
    return [
        seat
        for seat in seats
        if not (seat.obstacle or seat.view.unusable or seat.pending) and seat.leaves_ms < NEVER_MS
    ]


def _out_ms(picture: Picture) -> int:
    """What the handler has to carry out at the end: who is decided, and who will go home before its last result is there."""
    tables = picture.tables
    count = sum(
        not picture.outlooks[name].covers or view.part_type in tables.evaluated
        for name, view in picture.pallets.items()
        if view.stays == "no"
    )
    return count * tables.out_ms


def _due(
    picture: Picture,
    seat: Seat,
    pallet: PalletView,
    free_ms: int,
    at_mm: int,
    obstacle: Obstacle | None,
) -> _Due:
    leaves_ms = seat.leaves_ms if seat.occupant is not None else picture.now_ms
    there_ms = free_ms + _fetching_ms(picture, at_mm, pallet, seat)
    return _Due(seat, pallet, max(picture.now_ms, leaves_ms), there_ms, obstacle)


def _fetching_ms(picture: Picture, at_mm: int, pallet: PalletView, seat: Seat) -> int:
    """What it takes to fetch a pallet and bring it before a nest."""
    there_ms = picture.travel_ms(at_mm, pallet.at_mm)
    return there_ms + picture.tables.handler.pick_ms + picture.travel_ms(pallet.at_mm, seat.at_mm)


def _parted(
    picture: Picture, moves: list[Move], dues: list[_Due]
) -> tuple[list[Move], list[Obstacle]]:
    undone: list[Obstacle] = []
    for move in moves:
        waits = [(_loses_ms(picture, move, due), due) for due in dues]
        loses_ms, due = max(waits, key=lambda wait: wait[0], default=(0, None))
        if due is None or loses_ms <= 0:
            break
        better = reasons.due(picture, due.seat, due.pallet, loses_ms, due.obstacle)
        undone.append(put_off(move, better))
    return moves[len(undone) :], undone


def _loses_ms(picture: Picture, move: Move, due: _Due) -> int:
    """How much later all are done if this move comes before that nest, and not after it; below 0 if sooner."""
    seat, target, plan = due.seat, move.landing.seat, picture.plan
    if seat is target:
        return 0
    after_ms = _there_after_ms(picture, move, due)
    lost_ms = plan.later_ms(seat.station, after_ms - due.ready_ms)
    lost_ms -= plan.later_ms(seat.station, due.there_ms - due.ready_ms)
    if lost_ms <= 0 or target is None:
        return lost_ms
    handler = picture.tables.handler
    back_ms = handler.swap_ms + picture.travel_ms(seat.at_mm, due.pallet.at_mm) + handler.put_ms
    served_ms = max(due.ready_ms, due.there_ms) + back_ms
    return lost_ms - plan.later_ms(target.station, served_ms - picture.now_ms)


def _there_after_ms(picture: Picture, move: Move, due: _Due) -> int:
    """When the handler is before that nest with its next pallet after a move, if it brings anybody else home whom it takes out in a swap."""
    landing, handler = move.landing, picture.tables.handler
    free_ms, at_mm = landing.placed_ms + landing.holds_ms, landing.at_mm
    occupant = landing.seat.occupant if landing.seat is not None else None
    if occupant is due.pallet:
        return free_ms + picture.travel_ms(at_mm, due.seat.at_mm)
    if occupant is not None:
        home_mm = picture.tables.at_mm.get(occupant.home, at_mm)
        free_ms += picture.travel_ms(at_mm, home_mm) + handler.put_ms
        at_mm = home_mm
    return free_ms + _fetching_ms(picture, at_mm, due.pallet, due.seat)

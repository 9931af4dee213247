"""The choice among possible moves.

Rules of this file:
- A pallet in hand goes to the station it was fetched for, else to another that it needs, else home: never in hand between stops
  without a target. Its home place is reserved for it, so there is always an answer. A pallet that has none waits in the jaw until its
  target is free; only a fault can take that from it.
- A pallet leaves home only for a station or an outfeed place, and goes home only after a visit or when its target vanished.
- The handler does not wait for one nest past the moment at which another could be served, unless the first one limits and the other has time.
- By the rule, what would keep a station waiting that limits is put off (``bottleneck.py``).
- Where the declaration allows steps for it, look-ahead chooses among the same safe moves. The rule decides alone without steps, when
  there is nothing to compare, when a pallet has waited longer than is fair, and where pallets without a home go on from nest to nest and
  look-ahead does not see far enough: there those moves come first that begin what is best for all together (``exchange.py``).
- Chosen from sorted lists; equal costs are decided by ids. Every answer says why, and lists what else was possible.
"""

from typing import Literal, NamedTuple

from supervisor.cell.value import replace
from supervisor.routing import bottleneck, foresight, reasons
from supervisor.routing.exchange import Exchange, exchange
from supervisor.routing.lookahead import Ahead, look_ahead, sees_far
from supervisor.routing.moves import (
    LONG_MS,
    Landing,
    Move,
    Obstacle,
    Pickup,
    kept_out,
    move_to,
    moves_of,
    onward,
    put_by,
    put_off,
    to_place,
    urgent,
    visit_of,
    wanted_by,
)
from supervisor.routing.onward import NEVER_MS
from supervisor.routing.picture import Picture, Seat
from supervisor.routing.situation import Carry, Leg, PalletView, Stay
from supervisor.routing.tables import Offer
from supervisor.routing.way import Kept

CANDIDATES_MAX = 32
AGAIN_MS = 1000
"""Where all that is possible is put off, for an exchange or for a station that limits, it is not asked again sooner than that for the sake of others than who goes next: with 200 places of an
infeed, 10 cm apart, that was every 70 ms. What the questions left out had tried is tried in the others (``TRIES`` of ``rehearsal.py``)."""


class Preferred(NamedTuple):
    """The moves to choose from, those that are possible and put off for the sake of a better one, and what was played.

    Where all are put off, ``following`` is who goes next.
    """

    moves: list[Move]
    put_off: list[Obstacle]
    way: tuple[Leg, ...]
    following: Obstacle | None = None


def with_empty_hand(picture: Picture) -> Carry | Stay:
    """The best move of any pallet, or why there is none and until when."""
    moves, obstacles = _by_rule(picture)
    if _looks_ahead(picture) and not _neglected(picture, moves):
        ahead = _by_look_ahead(picture, moves, obstacles)
        if ahead is not None:
            return ahead
    moves, undone, following = bottleneck.in_time(picture, moves, obstacles)
    obstacles = [*undone, *obstacles]
    preferred = _in_exchange(picture, moves, obstacles)
    obstacles = [*preferred.put_off, *obstacles]
    if preferred.moves:
        return replace(_carry(picture, preferred.moves, obstacles), way=preferred.way)
    return replace(_stay(picture, obstacles, preferred.following or following), way=preferred.way)


def _looks_ahead(picture: Picture) -> bool:
    """Whether look-ahead decides; where pallets without a home block each other only if it sees far enough."""
    steps = picture.tables.search_steps
    return bool(steps) and (not picture.prices or sees_far(picture, steps))


def _neglected(picture: Picture, moves: list[Move]) -> bool:
    """Whether someone has waited longer than is fair, and others came in meanwhile: look-ahead could let such go first for ever."""
    views = picture.situation.pallets
    if not urgent(moves):
        return False
    return max(v.entered_ms for v in views) > min(v.waiting_since_ms for v in views)


def _by_look_ahead(
    picture: Picture, by_rule: list[Move], obstacles: list[Obstacle]
) -> Carry | Stay | None:
    """The move that look-ahead prefers, or waiting for it; None where there is nothing to compare."""
    kept = Kept(picture)
    moves = candidates(picture)
    visit = kept.next_visit()
    if visit is not None:
        moves = _with(moves, visit_of(picture, *visit, LONG_MS))
    if not moves:
        return None
    awaited = [
        view
        for view in picture.situation.pallets
        if not view.open and not view.sorting and view.stays == "no"
    ]
    if len(moves) == 1 and by_rule and not awaited:
        return None
    ahead = look_ahead(picture, moves, awaited, picture.tables.search_steps, kept)
    if ahead.best >= len(moves):
        return _stay_for(picture, ahead, moves, awaited[ahead.best - len(moves)], obstacles)
    best = moves[ahead.best]
    # An occupant that is held is taken out at once: the handler stands still with it afterwards.
    early_ms = best.cost.stand_ms - best.landing.holds_ms - picture.tables.patience_ms
    if early_ms > 0:
        return _stay_until(picture, ahead, moves, early_ms, obstacles)
    return _carry_ahead(picture, ahead, moves, obstacles)


def _carry_ahead(
    picture: Picture, ahead: Ahead, moves: list[Move], obstacles: list[Obstacle]
) -> Carry:
    """The best move as the answer, told with what look-ahead found."""
    carry = _carry(picture, [moves[ahead.best]], obstacles)
    return replace(
        carry,
        cost_ms=ahead.end_ms,
        bound_ms=ahead.bound_ms,
        why=f"{carry.why}; {foresight.why(picture, ahead)}",
        alternatives=foresight.alternatives(picture, ahead, moves, obstacles),
        way=ahead.way,
    )


def _stay_until(
    picture: Picture, ahead: Ahead, moves: list[Move], early_ms: int, obstacles: list[Obstacle]
) -> Stay:
    """The best move begins later: the handler stays free until then."""
    said = reasons.why(picture, moves[ahead.best], obstacles)
    return Stay(
        until_ms=picture.now_ms + early_ms,
        why=f"next in {reasons.duration(early_ms)}: {said}; {foresight.why(picture, ahead)}",
        alternatives=foresight.alternatives(picture, ahead, moves, obstacles),
        way=ahead.way,
        bound_ms=ahead.bound_ms,
    )


def _stay_for(
    picture: Picture,
    ahead: Ahead,
    moves: list[Move],
    pallet: PalletView,
    obstacles: list[Obstacle],
) -> Stay:
    """The next to be carried is a pallet whose verdict is awaited."""
    return Stay(
        until_ms=None,
        why=f"{pallet.pallet} leaves next, as soon as its verdict is known; {foresight.why(picture, ahead)}",
        alternatives=foresight.alternatives(picture, ahead, moves, obstacles),
        way=ahead.way,
        bound_ms=ahead.bound_ms,
    )


def _with(moves: list[Move], move: Move | None) -> list[Move]:
    """These moves, and one more if it is not among them."""
    if move is None or any(_what(each) == _what(move) for each in moves):
        return moves
    return [*moves, move]


def _what(move: Move) -> tuple[str, str, tuple[Offer, ...]]:
    return move.pickup.pallet.pallet, move.landing.target, move.landing.visit


def candidates(picture: Picture) -> list[Move]:
    """Every safe move however long the handler would wait, in the order of the rule; of pallets that are alike the first of the way, else the one that waits longest."""
    moves: dict[tuple[object, ...], Move] = {}
    turns = {leg[0]: -at for at, leg in enumerate(reversed(picture.situation.way))}
    for pallet in sorted(
        picture.situation.pallets,
        key=lambda p: (turns.get(p.pallet, 1), p.waiting_since_ms, p.pallet),
    ):
        for move in moves_of(picture, pallet, LONG_MS)[0]:
            landing = move.landing
            alike = (pallet.part_type, pallet.open, pallet.done, pallet.sorting)
            who = pallet.pallet if pallet.place in picture.seat_at else alike
            moves.setdefault((who, landing.target, landing.visit, landing.aim), move)
    return sorted(moves.values(), key=_by_cost)[:CANDIDATES_MAX]


def _by_rule(picture: Picture) -> tuple[list[Move], list[Obstacle]]:
    """The moves that need no long wait, cheapest first, and what prevents others."""
    moves: list[Move] = []
    obstacles: list[Obstacle] = []
    for pallet in picture.situation.pallets:
        possible, prevented = moves_of(picture, pallet, picture.tables.patience_ms)
        obstacles += prevented
        for move in possible:
            overtaken = _overtaken(picture, move) if move.waits_until_ms else None
            if overtaken is None:
                moves.append(move)
            else:
                obstacles.append(overtaken)
    return sorted(moves, key=_by_cost), obstacles


def _in_exchange(picture: Picture, moves: list[Move], obstacles: list[Obstacle]) -> Preferred:
    """Where pallets without a home go on from nest to nest: the moves that begin what is best for all together, and the others, which are put off.

    There are none to begin with if time alone keeps them from it. As soon as somebody has waited longer than is fair, cost alone decides.
    """
    if not picture.prices or not moves or urgent(moves):
        return Preferred(moves, [], ())
    first, way = exchange(picture)
    opens = [each for each in obstacles if _opens(picture, each, first)]
    soon = min(opens, key=reasons.soonest_first, default=None)
    if any(_begins(picture, move, first) for move in moves):
        return Preferred(*_parted(picture, moves, first, soon), way)
    if soon is not None:
        return Preferred([], _put_off(picture, moves, soon), way, soon)
    return Preferred(moves, [], way)


def _parted(
    picture: Picture, moves: list[Move], first: dict[str, int], soon: Obstacle | None = None
) -> tuple[list[Move], list[Obstacle]]:
    """The moves that begin what is best for all together, at least one, and the others. If they only bring somebody out, it is what is possible soon that is better."""
    begin = [move for move in moves if _begins(picture, move, first)]
    others = [move for move in moves if not _begins(picture, move, first)]
    to_station = next((move for move in begin if move.landing.seat is not None), None)
    return begin, _put_off(picture, others, to_station or soon or begin[0])


def _begins(picture: Picture, move: Move, first: dict[str, int]) -> bool:
    """Whether a move is one of those, or takes nobody to a station."""
    return (
        move.landing.seat is None
        or _goes_to(picture, move.pickup.pallet, first) == move.landing.target
    )


def _opens(picture: Picture, obstacle: Obstacle, first: dict[str, int]) -> bool:
    """Whether one of those is possible later."""
    to = _goes_to(picture, obstacle.pallet, first)
    return bool(to) and obstacle.opens_ms is not None and obstacle.target in {"", to}


def _put_off(picture: Picture, moves: list[Move], better: Move | Obstacle) -> list[Obstacle]:
    """Moves that are possible and stay undone for the sake of a better one."""
    detail = reasons.better(picture, better)
    return [put_off(move, detail) for move in moves]


def _goes_to(picture: Picture, pallet: PalletView, first: dict[str, int]) -> str:
    at = first.get(pallet.pallet)
    return "" if at is None else picture.tables.stations[at]


def _by_cost(move: Move) -> tuple[int, str, str]:
    return move.total_ms, move.pickup.pallet.pallet, move.landing.target


def _overtaken(picture: Picture, move: Move) -> Obstacle | None:
    """Another station that could be served before the handler has done with waiting; None if there is none."""
    pallet, landing = move.pickup.pallet, move.landing
    for station, seat in picture.seats.items():
        if seat is landing.seat or seat is move.pickup.emptied:
            continue
        if seat.occupant is None or seat.pending:
            continue
        others = any(claim is not pallet for claim in picture.claims.get(station, ()))
        if not (others and picture.now_ms < seat.leaves_ms < move.waits_until_ms):
            continue
        waits_ms = move.waits_until_ms - seat.leaves_ms
        if landing.seat is None or not bottleneck.comes_before(
            picture, landing.seat, station, waits_ms
        ):
            return Obstacle(
                pallet=pallet,
                target=landing.target,
                code="sooner",
                detail=seat.view.station,
                opens_ms=seat.leaves_ms,
            )
    return None


def with_full_hand(picture: Picture, pallet: PalletView) -> Carry | Stay:
    """Where the pallet in hand goes."""
    moves, home, obstacles = moves_from_hand(picture, pallet)
    kept = Kept(picture)
    visit = kept.next_visit() if _looks_ahead(picture) else None
    if visit is not None:
        _, seat, cover = visit
        patience_ms = _patience_ms(picture, home)
        moves = _with(moves, put_by(picture, _held(picture, pallet), seat, cover, patience_ms))
    goes_on = picture.prices and not pallet.home and not pallet.sorting
    first, way = exchange(picture) if goes_on else Exchange({}, ())
    moves.sort(
        key=lambda move: (
            _fetched_for(move),
            not _begins(picture, move, first),
            _stands_long(picture, move),
            *_by_cost(move),
        )
    )
    if moves and pallet.sorting:
        return _carry(picture, moves, obstacles)
    if moves and home and _fetched_for(moves[0]) and not _looks_ahead(picture):
        moves, undone = bottleneck.or_home(picture, moves, home[0])
        obstacles = [*undone, *obstacles]
    several = bool(moves) and len(moves) + len(home) > 1
    if several and _fetched_for(moves[0]) and _looks_ahead(picture):
        ahead = look_ahead(picture, moves + home, [], picture.tables.search_steps, kept)
        return _carry_ahead(picture, ahead, moves + home, obstacles)
    if moves and _fetched_for(moves[0]) and _begins(picture, moves[0], first):
        moves, undone = _parted(picture, moves, first)
        obstacles = [*undone, *obstacles]
    if moves or home:
        return replace(_carry(picture, moves + home, obstacles), way=way)
    return Stay(
        until_ms=None,
        way=way,
        why=reasons.why_in_hand(picture, pallet, obstacles),
        alternatives=reasons.alternatives(picture, None, [], obstacles),
    )


def for_another(picture: Picture, pallet: PalletView) -> Carry | Stay:
    """Where a pallet goes that somebody else carries, by the simple rule: look-ahead knows one handler only.

    Where no nest is free that it needs, it is the one that the cell's handler can empty first: if that were not kept for it, the handler
    would always be there sooner, with the next pallet in its other jaw.
    """
    outside = not pallet.sorting and pallet.place not in picture.seat_at
    stays_out = kept_out(picture, pallet) if outside else []
    moves, _, obstacles = ([], [], stays_out) if stays_out else moves_from_hand(picture, pallet)
    if moves:
        return _carry(picture, sorted(moves, key=_by_cost), obstacles)
    nest = _first_to_be_emptied(picture, obstacles)
    alternatives = reasons.alternatives(picture, None, [], obstacles)
    if nest is None:
        why = reasons.why_nothing_takes(picture, pallet, obstacles)
        return Stay(until_ms=None, why=why, alternatives=alternatives)
    cover = next(cover for seat, cover in wanted_by(picture, pallet) if seat is nest)
    programs = tuple(offer.program for offer in cover.next_at(nest.station))
    return Carry(
        pallet=pallet.pallet,
        origin="",
        target=nest.view.station,
        displaced="",
        program=programs[0],
        then=programs[1:],
        cost_ms=nest.leaves_ms - picture.now_ms,
        why=reasons.why_next(picture, nest),
        alternatives=alternatives,
    )


def _first_to_be_emptied(picture: Picture, obstacles: list[Obstacle]) -> Seat | None:
    """Of the nests that only an occupant keeps a pallet from, the one that the occupant may leave first; None if there is none."""
    ways = {each.target for each in obstacles if each.code == "one jaw"}
    seats = [
        seat
        for seat in picture.seats.values()
        if seat.view.station in ways
        and seat.occupant is not None
        and picture.leaves_ms[seat.occupant.pallet] < NEVER_MS
    ]
    return min(seats, key=lambda seat: (seat.leaves_ms, seat.view.station), default=None)


def moves_from_hand(
    picture: Picture, pallet: PalletView
) -> tuple[list[Move], list[Move], list[Obstacle]]:
    """Where the pallet in hand could go on to, going home, and what prevents others."""
    pickup = _held(picture, pallet)
    home = _homeward(picture, pickup)
    moves: list[Move] = []
    obstacles: list[Obstacle] = []
    for landing in onward(picture, pickup, _patience_ms(picture, home)):
        if isinstance(landing, Landing):
            moves.append(move_to(picture, pickup, landing))
        else:
            obstacles.append(landing)
    return moves, home, obstacles


def _held(picture: Picture, pallet: PalletView) -> Pickup:
    at_mm = picture.situation.at_mm
    return Pickup(pallet=pallet, at_mm=at_mm, ready_ms=picture.now_ms, stand_ms=0, emptied=None)


def _homeward(picture: Picture, pickup: Pickup) -> list[Move]:
    home = pickup.pallet.home
    if not home:
        return []
    landing = to_place(picture, pickup, "home", home, picture.tables.at_mm[home])
    return [move_to(picture, pickup, landing)]


def _patience_ms(picture: Picture, home: list[Move]) -> int:
    """With a pallet in hand, waiting is worth as long as bringing it home and fetching it again would take."""
    return picture.tables.patience_ms + 2 * home[0].cost.start_ms if home else NEVER_MS


def _fetched_for(move: Move) -> Literal[0, 1]:
    """0 for the station that the pallet was fetched for, which comes first."""
    seat = move.landing.seat
    return 0 if seat is not None and seat.view.coming == move.pickup.pallet.pallet else 1


def _stands_long(picture: Picture, move: Move) -> bool:
    """Whether the handler would stand still for longer than an empty one would, while all others wait for it."""
    return not move.pickup.pallet.home and move.cost.stand_ms > picture.tables.patience_ms


def _carry(picture: Picture, moves: list[Move], obstacles: list[Obstacle]) -> Carry:
    """The first of the moves as the answer."""
    best = moves[0]
    pallet, landing = best.pickup.pallet, best.landing
    programs = tuple(offer.program for offer in landing.visit)
    return Carry(
        pallet=pallet.pallet,
        origin="" if pallet.pallet == picture.situation.hand else pallet.place,
        target=landing.target,
        displaced=landing.seat.view.occupant if landing.seat is not None else "",
        program=programs[0] if programs else "",
        then=programs[1:],
        cost_ms=best.total_ms,
        why=reasons.why(picture, best, obstacles),
        alternatives=reasons.alternatives(picture, best, moves[1:], obstacles),
    )


def _stay(picture: Picture, obstacles: list[Obstacle], following: Obstacle | None) -> Stay:
    """Nothing to carry: until when, if time alone helps."""
    obstacles.sort(key=reasons.soonest_first)
    until_ms = obstacles[0].opens_ms if obstacles else None
    again_ms = picture.now_ms + 1
    if following is not None and following.opens_ms is not None:
        again_ms = max(again_ms, min(following.opens_ms, picture.now_ms + AGAIN_MS))
    return Stay(
        until_ms=None if until_ms is None else max(until_ms, again_ms),
        why=reasons.why_stay(picture, obstacles),
        alternatives=reasons.alternatives(picture, None, [], obstacles),
    )

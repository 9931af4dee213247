"""The moves that are possible in a situation, what each costs, and why others are not possible.

Rules of this file:
- A move is listed only if it can be carried out to its end: the target is free, or its occupant is displaced in a swap and has a
  place to go to. Choosing any listed move is safe; the cost only says which is best.
- How long the handler may wait before a nest is given by who asks.
- The cost is the time until the next run can start, plus what the move makes others wait. A pallet that has waited longer than it
  takes to serve every pallet once with the longest program, fetched along the whole rail, gets cheaper from then on, ms by ms, so that
  none waits for ever.
"""

from collections.abc import Iterable
from typing import Literal

from supervisor.cell.value import replace, value
from supervisor.routing.covers import Cover
from supervisor.routing.onward import NEVER_MS, NOWHERE
from supervisor.routing.picture import NO_WAY_OUT, Picture, Seat
from supervisor.routing.precedence import awaited
from supervisor.routing.situation import Carry, Intent, PalletView, Stay
from supervisor.routing.tables import Offer

BOTTLENECK_PERCENT = 30
LESS_LEFT_PERCENT = 1
"""The more a pallet has left, the sooner it goes: else the last ones have several visits left each, and stations wait for them."""

PUT_OFF = "put off"
"""The code of an obstacle that is none: the move is possible, and put off for the sake of a better one."""

LONG_MS = 1 << 50
"""Patience of look-ahead: it asks what waiting is worth, and then waits for it with an empty hand."""

Aim = Literal["run", "outfeed", "clear", "home"]


@value
class Pickup:
    """A pallet on its way into a jaw.

    Where and when the handler has it, how long it stood still before, and the nest that this empties.
    """

    pallet: PalletView
    at_mm: int
    ready_ms: int
    stand_ms: int
    emptied: Seat | None


@value
class Landing:
    """Where a pallet could be put down.

    ``seat`` is a station's seat (None for a place), ``visit`` what to run there, ``wait_ms`` how long the handler stands still
    before it. ``extra_ms`` is how much more measuring this means than the plan; ``cover`` is the way to decide the rest that leads
    there (None for a place).
    """

    aim: Aim
    target: str
    at_mm: int
    seat: Seat | None
    visit: tuple[Offer, ...]
    cover: Cover | None
    placed_ms: int
    wait_ms: int
    extra_ms: int
    holds_ms: int = 0
    """For how long the handler then holds the occupant, until the nest is clear that it goes on to."""


@value
class Cost:
    """What a move costs, in ms by cause.

    Until the next run can start; the handler standing still; the target having less to do than the busiest station; the pallet having
    less left than others; detours that follow; and, to be taken off, a wait beyond all measure.
    """

    start_ms: int
    stand_ms: int
    slack_ms: int
    less_left_ms: int
    detour_ms: int
    age_ms: int


@value
class Move:
    """A possible move.

    ``waits_until_ms`` is when the handler would have done with standing still (0: it need not). ``claimed_by`` is who needs the nest
    that the move empties, where that is what makes it worth while.
    """

    pickup: Pickup
    landing: Landing
    waits_until_ms: int
    claimed_by: str
    cost: Cost
    total_ms: int


@value
class Obstacle:
    """A move that is wanted and not possible now.

    ``code`` names the reason, ``detail`` completes it; ``opens_ms`` is when time alone removes it (None: something has to change).
    ``cost_ms`` is what it would cost if it is only put off for the sake of a better one (None: it is not possible).
    """

    pallet: PalletView
    target: str
    code: str
    detail: str
    opens_ms: int | None
    cost_ms: int | None = None


def put_off(move: Move, better: str) -> Obstacle:
    """A move that is possible, and stays undone for the sake of what is better for all together."""
    return Obstacle(
        pallet=move.pickup.pallet,
        target=move.landing.target,
        code=PUT_OFF,
        detail=better,
        opens_ms=None,
        cost_ms=move.total_ms,
    )


def urgent(moves: Iterable[Move]) -> bool:
    """Whether somebody who could be carried has waited longer than is fair: then cost alone decides."""
    return any(move.cost.age_ms for move in moves)


def moves_of(
    picture: Picture, pallet: PalletView, patience_ms: int
) -> tuple[list[Move], list[Obstacle]]:
    """What an empty-handed handler could do with a pallet that stands somewhere, standing still for at most ``patience_ms``."""
    if not pallet.sorting:
        if not picture.outlooks[pallet.pallet].covers:
            return _with_nothing_to_run(picture, pallet, patience_ms)
        kept_back = [] if pallet.place in picture.seat_at else _not_fetched(picture, pallet)
        if kept_back:
            return [], kept_back
    pickup = _pickup(picture, pallet, patience_ms)
    if isinstance(pickup, Obstacle):
        return [], [pickup]
    moves: list[Move] = []
    obstacles: list[Obstacle] = []
    for landing in onward(picture, pickup, patience_ms):
        if isinstance(landing, Landing):
            moves.append(move_to(picture, pickup, landing))
        else:
            obstacles.append(landing)
    return moves or _clearing(picture, pickup), obstacles


def visit_of(
    picture: Picture, pallet: PalletView, seat: Seat, cover: Cover, patience_ms: int
) -> Move | None:
    """A pallet that stands somewhere brought to one station for this cover, which need not be the planned one; None where that is not safe now."""
    if pallet.place not in picture.seat_at and kept_out(picture, pallet):
        return None
    pickup = _pickup(picture, pallet, patience_ms)
    return put_by(picture, pickup, seat, cover, patience_ms) if isinstance(pickup, Pickup) else None


def put_by(
    picture: Picture, pickup: Pickup, seat: Seat, cover: Cover, patience_ms: int
) -> Move | None:
    """A pallet in the jaw put into one station for this cover; None where that is not safe now."""
    landing = _to_station(picture, pickup, seat, cover, 0, patience_ms)
    return move_to(picture, pickup, landing) if isinstance(landing, Landing) else None


def _not_fetched(picture: Picture, pallet: PalletView) -> list[Obstacle]:
    """Why a pallet that waits outside the stations need not be thought of further, the commonest case by far; [] if it could be fetched."""
    stays_out = kept_out(picture, pallet)
    if stays_out:
        return stays_out
    wanted = wanted_by(picture, pallet)
    kept_back = [_kept_back(picture, pallet, seat, cover) for seat, cover in wanted]
    return [obstacle for obstacle in kept_back if obstacle is not None] if all(kept_back) else []


def kept_out(picture: Picture, pallet: PalletView) -> list[Obstacle]:
    """Why nobody should bring a pallet in that stands outside the stations, whoever carries it; [] if it may come in."""
    detail = _how_stuck(picture, pallet)
    if not detail:
        return []
    return [Obstacle(pallet=pallet, target="", code="rack full", detail=detail, opens_ms=None)]


def _how_stuck(picture: Picture, pallet: PalletView) -> str:
    """How a pallet that comes in could end where nothing can move it, in words; "" if it could not.

    With one jaw two pallets may stand each in the nest that the other needs next. Who needs which station is not known beforehand,
    because a bad value is measured again elsewhere. So it needs a home, or a single station. And a check that is due may close its station
    to it while it is in the jaw, or stands where the reference part has to go. Where there is room enough in the rack it waits for a place,
    too: with two jaws it would not be stuck, but finished pallets would stand in nests until the next one is clear.
    """
    if pallet.home:
        return ""
    if pallet.part_type in picture.tables.interrupted:
        return "a station that it needs may have to be checked first at any time"
    if pallet.part_type not in picture.tables.wandering:
        return ""
    if picture.tables.handler.jaws == 1:
        return "one jaw alone cannot exchange pallets"
    return "without one it would block the nests of others" if picture.tables.roomy else ""


def _with_nothing_to_run(
    picture: Picture, pallet: PalletView, patience_ms: int
) -> tuple[list[Move], list[Obstacle]]:
    """A pallet that nothing can be done with now only has to leave a nest that another needs."""
    moves: list[Move] = []
    seat = picture.seat_at.get(pallet.place)
    if seat is not None and seat.pending:
        return [], []
    if seat is not None:
        pickup = _pickup(picture, pallet, patience_ms)
        if isinstance(pickup, Pickup):
            moves = _clearing(picture, pickup)
    code = "nobody can" if pallet.open else "result awaited"
    return moves, [Obstacle(pallet=pallet, target="", code=code, detail="", opens_ms=None)]


def _pickup(picture: Picture, pallet: PalletView, patience_ms: int) -> Pickup | Obstacle:
    """Going there and taking it, as soon as it may leave."""
    seat = picture.seat_at.get(pallet.place)
    leaves_ms = picture.leaves_ms[pallet.pallet]
    if leaves_ms == NEVER_MS:
        code = "more to run here" if seat is not None and seat.pending else "shut in"
        detail = seat.view.unusable if seat is not None else ""
        return Obstacle(pallet=pallet, target="", code=code, detail=detail, opens_ms=None)
    arrive_ms = picture.now_ms + picture.travel_ms(picture.situation.at_mm, pallet.at_mm)
    stand_ms = max(0, leaves_ms - arrive_ms)
    if stand_ms > patience_ms:
        opens_ms = picture.now_ms + stand_ms - patience_ms
        code = "soaking" if seat is None else "busy"
        return Obstacle(pallet=pallet, target="", code=code, detail="", opens_ms=opens_ms)
    return Pickup(
        pallet=pallet,
        at_mm=pallet.at_mm,
        ready_ms=arrive_ms + stand_ms + picture.tables.handler.pick_ms,
        stand_ms=stand_ms,
        emptied=seat,
    )


# --- where to ---------------------------------------------------------------------------------------------------------------


def onward(picture: Picture, pickup: Pickup, patience_ms: int) -> list[Landing | Obstacle]:
    """Everywhere a pallet has business, its home place left out; waiting no longer than ``patience_ms`` altogether.

    It has no business at an unusable station: no cover visits one.
    """
    pallet = pickup.pallet
    if pallet.sorting:
        return [_to_outfeed(picture, pickup)]
    planned = picture.plan.covers.get(pallet.pallet)
    if planned is None:
        return []
    return [
        _to_station(picture, pickup, seat, cover, cover.total_ms - planned.total_ms, patience_ms)
        for seat, cover in wanted_by(picture, pallet)
    ]


def wanted_by(picture: Picture, pallet: PalletView) -> list[tuple[Seat, Cover]]:
    """The stations where a pallet has business, each with the cover that leads there."""
    planned = picture.plan.covers.get(pallet.pallet)
    if planned is None:
        return []
    covers = picture.outlooks[pallet.pallet].covers
    place = pallet.place if pallet.place in picture.seat_at else ""
    in_hand = pallet.pallet == picture.situation.hand
    alike = (id(planned), id(covers), place, bool(pallet.home), in_hand)
    found = picture.wanted.get(alike)
    if found is None:
        found = picture.wanted[alike] = _wanted_by(picture, pallet, planned)
    return found


def _wanted_by(picture: Picture, pallet: PalletView, planned: Cover) -> list[tuple[Seat, Cover]]:
    """As ``wanted_by``, worked out.

    Who has no home goes by the prices of the stations' time, if it has any. A plan that is kept was made with care: where the stations
    limit, what is not planned takes time that they do not have, so who has a home waits there instead.
    """
    if picture.prices and not pallet.home:
        ways, seats = picture.ways(pallet), picture.seats.items()
        return [
            (seat, ways[at][1])
            for at, seat in seats
            if at in ways and seat.view.station != pallet.place
        ]
    plan = picture.plan
    may_change = plan.lasts == "no" or plan.short_of == "handler" or not pallet.home
    found: list[tuple[Seat, Cover]] = []
    for seat in picture.seats.values():
        if seat.view.station == pallet.place:
            continue
        cover = planned
        if not planned.visits[seat.station]:
            cover = _instead(picture, pallet, seat) if may_change else None
        if cover is not None:
            found.append((seat, cover))
    return found


def plan_after(picture: Picture, answer: Carry | Stay) -> tuple[Intent, ...]:
    """What each pallet that has anything left to run shall run once this is carried out; () where the next decision plans anew."""
    if picture.plan.lasts == "no":
        return ()
    covers = picture.plan.covers
    seat = picture.seat_at.get(answer.target) if isinstance(answer, Carry) else None
    if isinstance(answer, Carry) and seat is not None:
        ways = wanted_by(picture, picture.pallets[answer.pallet])
        taken = next((cover for at, cover in ways if at is seat), None)
        covers = {**covers, answer.pallet: taken} if taken is not None else covers
    return tuple([(pallet, cover.programs) for pallet, cover in covers.items()])


def _instead(picture: Picture, pallet: PalletView, seat: Seat) -> Cover | None:
    """Another cover that uses this station, the cheapest of those that ``Picture.instead`` allows."""
    covers = picture.instead(pallet)
    return next((cover for cover in covers if cover.visits[seat.station]), None)


def _to_station(
    picture: Picture,
    pickup: Pickup,
    seat: Seat,
    cover: Cover,
    more_ms: int,
    patience_ms: int,
) -> Landing | Obstacle:
    kept_back = _kept_back(picture, pickup.pallet, seat, cover)
    if kept_back is not None:
        return kept_back
    handler = picture.tables.handler
    arrive_ms = pickup.ready_ms + picture.travel_ms(pickup.at_mm, seat.at_mm)
    wait_ms = 0 if seat.occupant is None else max(0, seat.leaves_ms - arrive_ms)
    clear_ms = _clear_ms(picture, pickup, seat, patience_ms)
    if clear_ms == NEVER_MS:
        return _blocked(pickup.pallet, replace(seat, obstacle=NO_WAY_OUT))
    holds_ms = max(0, clear_ms - arrive_ms - wait_ms)
    counted_ms = 0 if _chosen_for(picture, pickup.pallet, seat) else holds_ms
    too_long_ms = pickup.stand_ms + wait_ms + counted_ms - patience_ms
    if too_long_ms > 0:
        return Obstacle(
            pallet=pickup.pallet,
            target=seat.view.station,
            code="occupied",
            detail="",
            opens_ms=picture.now_ms + too_long_ms,
        )
    return Landing(
        aim="run",
        target=seat.view.station,
        at_mm=seat.at_mm,
        seat=seat,
        visit=cover.next_at(seat.station),
        cover=cover,
        placed_ms=arrive_ms
        + wait_ms
        + (handler.put_ms if seat.occupant is None else handler.swap_ms),
        wait_ms=wait_ms,
        extra_ms=max(0, more_ms),
        holds_ms=holds_ms,
    )


def _clear_ms(picture: Picture, pickup: Pickup, seat: Seat, patience_ms: int) -> int:
    """When a seat can take the pallet without its occupant being left in the jaw. In hand without a home it waits there or here: no matter.

    Who has the patience of look-ahead finds out what it costs to hold an occupant that its neighbours could let go on.
    """
    left = pickup.emptied.station if pickup.emptied is not None else NOWHERE
    clear_ms = picture.ways_on.clear_ms(seat.station, left)
    if clear_ms < NEVER_MS:
        return clear_ms
    pallet = pickup.pallet
    in_hand = pallet.pallet == picture.situation.hand and not pallet.home
    chosen = patience_ms >= LONG_MS or _chosen_for(picture, pallet, seat)
    may_hold = chosen and picture.ways_on.goes_on(seat.station)
    return seat.leaves_ms if in_hand or may_hold else NEVER_MS


def _chosen_for(picture: Picture, pallet: PalletView, seat: Seat) -> bool:
    """Whether look-ahead may have fetched a pallet for this nest, knowing for how long its occupant would be held.

    Then that is no reason to bring it home: from there it would be fetched for the same nest again, and so on.
    """
    return bool(picture.tables.search_steps) and seat.view.coming == pallet.pallet


def _kept_back(picture: Picture, pallet: PalletView, seat: Seat, cover: Cover) -> Obstacle | None:
    """Why a station cannot be the next for a pallet however early the handler came; None if it can."""
    if not cover.next_at(seat.station):
        tables = picture.tables
        still_open = tables.bit_set(pallet.part_type, pallet.open)
        first = awaited(cover.visits[seat.station][0], still_open, tables.sooner[pallet.part_type])
        return Obstacle(
            pallet=pallet,
            target=seat.view.station,
            code="not yet",
            detail=", ".join(tables.numbers_of(pallet.part_type, first)),
            opens_ms=None,
        )
    return _blocked(pallet, seat) if seat.obstacle else None


def _blocked(pallet: PalletView, seat: Seat) -> Obstacle:
    """Why a station takes nothing now. Its occupant's own moves tell until when."""
    view = seat.view
    return Obstacle(
        pallet=pallet,
        target=view.station,
        code=seat.obstacle,
        detail=view.coming or view.occupant,
        opens_ms=None,
    )


def _to_outfeed(picture: Picture, pickup: Pickup) -> Landing | Obstacle:
    pallet = pickup.pallet
    outfeed = picture.outfeed_for(pallet)
    if outfeed is None:
        return Obstacle(
            pallet=pallet, target="", code="outfeed full", detail=pallet.sorting, opens_ms=None
        )
    return to_place(picture, pickup, "outfeed", outfeed.place, outfeed.at_mm)


def to_place(picture: Picture, pickup: Pickup, aim: Aim, target: str, at_mm: int) -> Landing:
    """Putting a pallet down at a free place outside the stations."""
    travel_ms = picture.travel_ms(pickup.at_mm, at_mm)
    return Landing(
        aim=aim,
        target=target,
        at_mm=at_mm,
        seat=None,
        visit=(),
        cover=None,
        placed_ms=pickup.ready_ms + travel_ms + picture.tables.handler.put_ms,
        wait_ms=0,
        extra_ms=0,
    )


def _clearing(picture: Picture, pickup: Pickup) -> list[Move]:
    """Bringing a pallet home because another needs its nest and cannot be swapped into it: one jaw cannot, nor can the line."""
    home, seat = pickup.pallet.home, pickup.emptied
    kept_for = seat.view.coming if seat is not None else ""
    if not home or not (kept_for or (picture.jaws == 1 and _claims(picture, pickup))):
        return []
    landing = to_place(picture, pickup, "clear", home, picture.tables.at_mm[home])
    move = move_to(picture, pickup, landing)
    return [replace(move, claimed_by=kept_for) if kept_for else move]


# --- what it costs ----------------------------------------------------------------------------------------------------------


def move_to(picture: Picture, pickup: Pickup, landing: Landing) -> Move:
    """A move with its cost.

    With one jaw a move has two uses, the run at its target and the nest that it empties, and the better one counts. With two jaws
    emptying a nest that another could be swapped into is a detour.
    """
    start_ms, slack_ms = _start_ms(picture, landing), _slack_ms(picture, landing.seat)
    detour_ms, claimant = landing.extra_ms, None
    claims = _claims(picture, pickup)
    if claims and picture.jaws == 1:
        refill_ms, first = _refill(picture, pickup, landing, claims)
        refill_slack_ms = _slack_ms(picture, pickup.emptied)
        if landing.aim == "clear" or refill_ms + refill_slack_ms < start_ms + slack_ms:
            start_ms, slack_ms, claimant = refill_ms, refill_slack_ms, first
    elif claims:
        detour_ms += picture.tables.patience_ms
    cost = Cost(
        start_ms=start_ms,
        stand_ms=pickup.stand_ms + landing.wait_ms + landing.holds_ms,
        slack_ms=slack_ms,
        less_left_ms=_less_left_ms(picture, pickup.pallet, landing),
        detour_ms=detour_ms,
        age_ms=max(_age_ms(picture, who) for who in (pickup.pallet, claimant) if who is not None),
    )
    return Move(
        pickup=pickup,
        landing=landing,
        waits_until_ms=_waits_until_ms(pickup, landing),
        claimed_by=claimant.pallet if claimant is not None else "",
        cost=cost,
        total_ms=cost.start_ms
        + cost.stand_ms
        + cost.slack_ms
        + cost.less_left_ms
        + cost.detour_ms
        - cost.age_ms,
    )


def _claims(picture: Picture, pickup: Pickup) -> list[PalletView]:
    """Who could be brought to the nest that a pickup empties."""
    seat = pickup.emptied
    return [] if seat is None or seat.view.unusable else picture.claims.get(seat.station, [])


def _start_ms(picture: Picture, landing: Landing) -> int:
    """In how many ms the next run can start at the target."""
    free_ms = 0 if landing.seat is None else landing.seat.view.run_free_ms
    return max(landing.placed_ms, free_ms) - picture.now_ms


def _slack_ms(picture: Picture, seat: Seat | None) -> int:
    """How much less than the busiest station the target has to do, weighted; an outfeed has nothing to do."""
    load_ms = 0 if seat is None else picture.plan.load_ms[seat.station]
    return (picture.plan.most_ms - load_ms) * BOTTLENECK_PERCENT // 100


def _less_left_ms(picture: Picture, pallet: PalletView, landing: Landing) -> int:
    """How much less a pallet has left to measure than the one with most, weighted.

    With few pallets it made as much worse as better, and where the handler limits it makes ways longer.
    """
    plan = picture.plan
    if landing.aim != "run" or plan.lasts == "no" or plan.short_of == "handler":
        return 0
    left_ms = plan.covers[pallet.pallet].total_ms
    return (plan.longest_ms - left_ms) * LESS_LEFT_PERCENT // 100


def _refill(
    picture: Picture, pickup: Pickup, landing: Landing, claims: list[PalletView]
) -> tuple[int, PalletView]:
    """In how many ms, at best, a run starts in the emptied nest, and of which pallet: the handler fetches it afterwards."""
    seat = pickup.emptied
    assert seat is not None
    handler = picture.tables.handler

    def fetch_ms(claim: PalletView) -> int:
        there_ms = picture.travel_ms(landing.at_mm, claim.at_mm)
        back_ms = picture.travel_ms(claim.at_mm, seat.at_mm)
        return there_ms + handler.pick_ms + back_ms + handler.put_ms

    nearest = min(claims, key=lambda claim: (fetch_ms(claim), claim.pallet))
    refilled_ms = landing.placed_ms + fetch_ms(nearest)
    return max(refilled_ms, seat.view.run_free_ms) - picture.now_ms, nearest


def _age_ms(picture: Picture, pallet: PalletView) -> int:
    """How much longer than is fair a pallet has waited."""
    fair_ms = len(picture.pallets) * picture.tables.turn_ms
    return max(0, picture.now_ms - pallet.waiting_since_ms - fair_ms)


def _waits_until_ms(pickup: Pickup, landing: Landing) -> int:
    if landing.wait_ms and landing.seat is not None:
        return landing.seat.leaves_ms
    if pickup.stand_ms and pickup.emptied is not None:
        return pickup.emptied.leaves_ms
    return 0

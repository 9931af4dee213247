"""Why a decision was made and why the others lost, in sentences for the shop floor.

Rules of this file:
- Text is made from the same figures that the choice was made from, and only for what is shown.
- A lost alternative names the one cause that weighed most against the winner.
"""

from supervisor.routing.moves import PUT_OFF, Landing, Move, Obstacle
from supervisor.routing.picture import Picture, Seat
from supervisor.routing.precedence import awaited, in_order
from supervisor.routing.situation import Alternative, PalletView, StationView
from supervisor.routing.tables import Offer, RoutingTables, decided_by

ALTERNATIVES_MAX = 6
"""Shown whichever pallet they are about."""

_PREVENTED = {
    "busy": "it may leave {place} in {wait} at the earliest",
    "expected": "{target} is kept for {detail}",
    "more to run": "{detail} has more to run at {target}",
    "more to run here": "it has more to run at {place}",
    "no way out": "{detail} is in {target} and there is no place to put it",
    "not yet": "it waits for {detail} to be measured before",
    "not ours": "{target} holds {detail}, which must not be moved now",
    "occupied": "{target} is occupied; fetching for it begins in {wait} at the earliest",
    "one jaw": "{target} has to be emptied of {detail} first",
    "outfeed full": "no outfeed place for {detail} parts is free",
    PUT_OFF: "it is possible, and better for all together is {detail}",
    "rack full": "no rack place is free that could be kept for it between its visits, and {detail}",
    "result awaited": "not all results are there yet, and nobody needs its place",
    "soaking": "its part adapts to the temperature of the cell; fetching it begins in {wait} at the earliest",
    "shut in": "the handler must not enter {place}: {detail}",
    "sooner": "the handler would wait before {target} while {detail} can be served sooner",
}


def duration(ms: int) -> str:
    """A duration as people say it."""
    seconds = max(0, ms) / 1000
    if seconds < 10:  # noqa: PLR2004 - below ten seconds a tenth matters
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest} s" if minutes else f"{rest} s"


# --- why it won -------------------------------------------------------------------------------------------------------------


def why(picture: Picture, move: Move, obstacles: list[Obstacle]) -> str:
    """Why this move was chosen."""
    pallet, landing = move.pickup.pallet, move.landing
    match landing.aim:
        case "run":
            return _and_frees(move, _why_run(picture, move)) + _for_all(obstacles)
        case "outfeed":
            said = f"{pallet.pallet} is {pallet.sorting} and {landing.target} is free"
            return _and_frees(move, said) + _meanwhile(move, obstacles)
        case "clear":
            return f"{move.claimed_by} needs {pallet.place}, so {pallet.pallet} waits at its home place {landing.target}"
        case "home":
            put_off = _first_put_off(obstacles)
            if put_off is not None:
                return f"{pallet.pallet} goes to its home place {landing.target}: better for all together is {put_off.detail}"
            ahead = why_nothing_takes(picture, pallet, obstacles)
            return f"{pallet.pallet} goes to its home place {landing.target}: {ahead}"


def why_nothing_takes(picture: Picture, pallet: PalletView, obstacles: list[Obstacle]) -> str:
    """Why a pallet can go nowhere else now."""
    ahead = "; ".join(_prevented(picture, obstacle) for obstacle in obstacles[:2])
    return ahead or _nothing_to_do(picture, pallet)


def why_in_hand(picture: Picture, pallet: PalletView, obstacles: list[Obstacle]) -> str:
    """Why a pallet without a home stays in the jaw: what it waits for, or that nothing but a person can help."""
    said = f"{pallet.pallet} is in the jaw and has no home place"
    by_hand = "a person has to take it out"
    if not obstacles:
        return f"{said}, and nothing takes it now: {by_hand}"
    why = f"{said}; {why_nothing_takes(picture, pallet, obstacles)}"
    return f"{why}: {by_hand}" if all(each.code == "one jaw" for each in obstacles) else why


def _why_run(picture: Picture, move: Move) -> str:
    pallet, landing = move.pickup.pallet, move.landing
    seat = landing.seat
    assert seat is not None
    if seat.occupant is None:
        said = f"{landing.target} is free and {pallet.pallet} needs it"
    else:
        soon = f" in {duration(seat.leaves_ms - picture.now_ms)}" if landing.wait_ms else ""
        said = f"{seat.occupant.pallet} may leave {landing.target}{soon}, and {pallet.pallet} takes its place in the same stop"
    load_ms = picture.plan.load_ms[seat.station]
    if len(picture.seats) > 1 and load_ms == picture.plan.most_ms:
        said += f"; of all stations it has the most work left, {duration(load_ms)}"
    if move.pickup.stand_ms and move.pickup.emptied is None:
        soaks_ms = pallet.movable_ms - picture.now_ms
        said += f"; its part adapts to the temperature of the cell for {duration(soaks_ms)} more"
    return said


def why_next(picture: Picture, seat: Seat) -> str:
    """Why a pallet is to wait for an occupied nest."""
    soon = duration(seat.leaves_ms - picture.now_ms)
    return f"no nest is free that it needs; {seat.view.occupant} may leave {seat.view.station} in {soon}, before any other"


def _for_all(obstacles: list[Obstacle]) -> str:
    """That others were put off for it."""
    put_off = _first_put_off(obstacles)
    return "; of what is possible that is best for all together" if put_off is not None else ""


def _first_put_off(obstacles: list[Obstacle]) -> Obstacle | None:
    return next((each for each in obstacles if each.code == PUT_OFF), None)


def _meanwhile(move: Move, obstacles: list[Obstacle]) -> str:
    """That others were put off, and for what: a part that leaves meanwhile is in nobody's way."""
    put_off = _first_put_off(obstacles)
    if put_off is None or put_off.detail == _what(move):
        return ""
    return f"; others are put off, because better for all together is {put_off.detail}"


def due(
    picture: Picture, seat: Seat, pallet: PalletView, loses_ms: int, obstacle: Obstacle | None
) -> str:
    """For whose sake others are put off, and when fetching it begins if time alone keeps it from that still."""
    station = seat.view.station
    said = f"{pallet.pallet} to {station}, which limits the cell: else all would be done {duration(loses_ms)} later"
    if obstacle is None or obstacle.opens_ms is None:
        return said
    return f"{said}; fetching it begins in {duration(obstacle.opens_ms - picture.now_ms)}"


def better(picture: Picture, entry: Move | Obstacle) -> str:
    """What others are put off for, and what it waits for itself."""
    if isinstance(entry, Move):
        return _what(entry)
    return f"{_what(entry)}: {_prevented(picture, entry)}"


def _and_frees(move: Move, said: str) -> str:
    if not move.claimed_by:
        return said
    return f"{said}; {move.claimed_by} needs {move.pickup.pallet.place} then"


def why_stay(picture: Picture, obstacles: list[Obstacle]) -> str:
    """Why nothing is carried now; of the obstacles the one that is removed soonest comes first."""
    if not obstacles:
        return "no pallet has anything to do"
    put_off = _first_put_off(obstacles)
    if put_off is not None:
        return f"nothing is carried now, because better for all together is {put_off.detail}"
    first = obstacles[0]
    said = f"{_what(first)}: {_prevented(picture, first)}"
    if first.opens_ms is None:
        return f"nothing can be carried before something changes; {said}"
    return f"nothing to carry now; next, {said}"


# --- why others lost --------------------------------------------------------------------------------------------------------


def alternatives(
    picture: Picture, best: Move | None, others: list[Move], obstacles: list[Obstacle]
) -> tuple[Alternative, ...]:
    """The best of what else was possible, then of what was put off or prevented; the first few, and the first of every other pallet.

    So whoever asks why a pallet waits finds a reason of its own, however full the rack is.
    """
    shown = 0
    named = {best.pickup.pallet.pallet} if best is not None else set[str]()
    listed: list[Alternative] = []
    for entry in (*others, *sorted(obstacles, key=_possible_first)):
        pallet = _pallet(entry)
        if shown >= ALTERNATIVES_MAX and pallet in named:
            continue
        shown += 1
        named.add(pallet)
        listed.append(_alternative(picture, best, entry))
    return tuple(listed)


def _alternative(picture: Picture, best: Move | None, entry: Move | Obstacle) -> Alternative:
    if isinstance(entry, Move):
        lost = _lost(picture, best, entry)
        return Alternative(what=_what(entry), cost_ms=entry.total_ms, why_lost=lost)
    lost = _prevented(picture, entry)
    return Alternative(what=_what(entry), cost_ms=entry.cost_ms, why_lost=lost)


def _possible_first(obstacle: Obstacle) -> tuple[bool, int, tuple[bool, int, str, str]]:
    cost_ms = obstacle.cost_ms
    return cost_ms is None, cost_ms or 0, soonest_first(obstacle)


def soonest_first(obstacle: Obstacle) -> tuple[bool, int, str, str]:
    """For sorting: what time alone removes, soonest first, then what has to change."""
    opens_ms = obstacle.opens_ms
    return opens_ms is None, opens_ms or 0, obstacle.pallet.pallet, obstacle.target


def _pallet(entry: Move | Obstacle) -> str:
    return entry.pickup.pallet.pallet if isinstance(entry, Move) else entry.pallet.pallet


def named(move: Move) -> str:
    """A move in a few words."""
    return _what(move)


def _what(entry: Move | Obstacle) -> str:
    pallet = _pallet(entry)
    target = entry.landing.target if isinstance(entry, Move) else entry.target
    return f"{pallet} to {target}" if target else pallet


def _lost(picture: Picture, best: Move | None, move: Move) -> str:
    """What weighed most against a move that was possible."""
    assert best is not None
    winner, landing = best.pickup.pallet.pallet, best.landing
    if move.landing.aim == "home":
        return "a pallet goes home only when nothing else takes it"
    if landing.seat is not None and landing.seat.view.coming == winner:
        return f"{winner} was fetched for {landing.target}"
    ours, theirs = best.cost, move.cost
    reason, weight_ms = max(
        (
            ("its use begins {0} later", theirs.start_ms - ours.start_ms),
            ("the handler would stand still {0} longer", theirs.stand_ms - ours.stand_ms),
            (_less_work(picture, landing, move.landing), theirs.slack_ms - ours.slack_ms),
            (_less_left(best, move), theirs.less_left_ms - ours.less_left_ms),
            (_detour(move), theirs.detour_ms - ours.detour_ms),
            (f"{winner} has waited {{0}} longer than is fair", ours.age_ms - theirs.age_ms),
        ),
        key=lambda weighed: weighed[1],
    )
    if weight_ms <= 0:
        return "it is equally good and comes later by name"
    return reason.format(duration(weight_ms))


def _less_left(best: Move, move: Move) -> str:
    one, other = best.landing.cover, move.landing.cover
    if one is None or other is None:
        return "it is not the pallet that has most left to measure"
    has, had = duration(other.total_ms), duration(one.total_ms)
    return (
        f"{move.pickup.pallet.pallet} has {has} left to measure, {best.pickup.pallet.pallet} {had}"
    )


def _detour(move: Move) -> str:
    if move.cost.detour_ms > 2 * move.landing.extra_ms:
        return f"its nest {move.pickup.pallet.place} would stand empty"
    return "it means {0} more measuring than planned"


def _less_work(picture: Picture, best: Landing, landing: Landing) -> str:
    if landing.seat is None:
        return "it gives no station work"
    loads = picture.plan.load_ms
    mine = duration(loads[landing.seat.station])
    if best.seat is None:
        return f"{landing.target} has only {mine} of work left"
    return f"{landing.target} has {mine} of work left, {best.target} {duration(loads[best.seat.station])}"


def _prevented(picture: Picture, obstacle: Obstacle) -> str:
    if obstacle.code == "nobody can":
        return _nothing_to_do(picture, obstacle.pallet)
    opens_ms = obstacle.opens_ms
    return _PREVENTED[obstacle.code].format(
        place=obstacle.pallet.place,
        target=obstacle.target,
        detail=obstacle.detail,
        wait="" if opens_ms is None else duration(opens_ms - picture.now_ms),
    )


def _nothing_to_do(picture: Picture, pallet: PalletView) -> str:
    if not pallet.open:
        return "not all results are there yet"
    return why_unreachable(picture.tables, pallet, picture.situation.stations)


# --- what nobody can decide -------------------------------------------------------------------------------------------------


def why_unreachable(
    tables: RoutingTables, pallet: PalletView, stations: tuple[StationView, ...]
) -> str:
    """Which open characteristics cannot be decided now, and for want of which stations; "" if all can."""
    usable = tuple(view.station for view in stations if not view.unusable)
    offers = tables.offers_for(pallet, tables.station_set(usable))
    still_open, sooner = (
        tables.bit_set(pallet.part_type, pallet.open),
        tables.sooner.get(pallet.part_type, ()),
    )
    able_now = in_order(offers, still_open, sooner)
    missing = tables.numbers_beyond(pallet, decided_by(able_now))
    if not missing:
        return ""
    wanted = tables.bit_set(pallet.part_type, missing)
    able = [
        f"{view.station} could, but: {view.unusable}"
        for view in stations
        if view.unusable and _decides(tables, pallet, view.station) & wanted
    ]
    able += [
        f"{station} could, but: a check with a reference part suspends it"
        for station in sorted({name for name, number in pallet.barred if number in missing})
    ]
    able += [
        f"{offer.program} waits for {', '.join(tables.numbers_of(pallet.part_type, first))} to be measured before"
        for offer in offers
        if (first := awaited(offer, still_open & ~decided_by(able_now), sooner))
    ]
    able += _held_back(tables, pallet, wanted, still_open)
    return f"no station can decide {', '.join(missing)} now ({'; '.join(able) or 'no program is left to try'})"


def _held_back(
    tables: RoutingTables, pallet: PalletView, wanted: int, still_open: int
) -> list[str]:
    """What the programs wait for that are not to be asked for now, because they would also measure what was given up, before what comes before that.

    Told only of what no other program decides: one that was used up looks the same.
    """
    left = wanted & ~decided_by(tables.offers_for(pallet, tables.every_station))
    told: list[str] = []
    for offer in tables.offers.get(pallet.part_type, ()) if left else ():
        spoilt, first = _too_early(tables, pallet, offer, still_open)
        if offer.decides & left and first:
            told.append(
                f"{offer.program} waits for {', '.join(first)} to be measured before, as it measures {', '.join(spoilt)} too"
            )
    return told


def _too_early(
    tables: RoutingTables, pallet: PalletView, offer: Offer, still_open: int
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What a program would measure of what is not open, before something that is open and comes before that; and what comes before."""
    spoilt = first = 0
    for at, before in enumerate(tables.sooner.get(pallet.part_type, ())):
        awaits = before & still_open & ~offer.decides
        if (offer.decides | offer.measures) & ~still_open & 1 << at and awaits:
            spoilt |= 1 << at
            first |= awaits
    return tables.numbers_of(pallet.part_type, spoilt), tables.numbers_of(pallet.part_type, first)


def _decides(tables: RoutingTables, pallet: PalletView, station: str) -> int:
    return decided_by(tables.offers_for(pallet, tables.station_set((station,))))

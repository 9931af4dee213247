"""What look-ahead found, in sentences for the shop floor: when all is out, how far that is from the bound, what the others would cost.

Rules of this file: figures are those of the search; an end is the earliest that was seen, and not every end was looked for.
"""

from supervisor.routing.lookahead import Ahead
from supervisor.routing.moves import Move, Obstacle
from supervisor.routing.picture import Picture
from supervisor.routing.reasons import alternatives as prevented
from supervisor.routing.reasons import duration, named
from supervisor.routing.situation import Alternative


def why(picture: Picture, ahead: Ahead) -> str:
    """How good the choice is as far as can be seen."""
    weighed = bool(picture.tables.urgency)
    if ahead.reach == "part of the way":
        least = duration(ahead.bound_ms)
        cannot = (
            f"the time until all is out and what lateness counts cannot be less than {least}"
            if weighed
            else f"all known pallets cannot be out before {least}"
        )
        return f"as far as was looked ahead nothing begins better; {cannot}"
    if weighed:
        said = (
            f"the time until all is out and what lateness counts come to {duration(ahead.end_ms)}"
        )
        if ahead.end_ms <= ahead.bound_ms:
            return f"{said}, and nothing can come to less"
        return f"{said}; nothing can come to less than {duration(ahead.bound_ms)}"
    said = f"so all known pallets are out in {duration(ahead.end_ms)}"
    if ahead.end_ms <= ahead.bound_ms:
        return f"{said}, and nothing can be quicker"
    return f"{said}; nothing can be quicker than {duration(ahead.bound_ms)}"


def alternatives(
    picture: Picture, ahead: Ahead, moves: list[Move], obstacles: list[Obstacle]
) -> tuple[Alternative, ...]:
    """The other moves, the runner-up first with what it would have cost; then what was prevented, so that every pallet has a reason."""
    others = [(ahead.ends_ms[at], at) for at in range(len(moves)) if at != ahead.best]
    seen = sorted((end_ms, at) for end_ms, at in others if end_ms is not None)
    listed = [
        Alternative(what=named(moves[at]), cost_ms=end_ms, why_lost=_later(picture, ahead, end_ms))
        for end_ms, at in seen[:ALTERNATIVES_MAX]
    ]
    told = {moves[at].pickup.pallet.pallet for _, at in seen[:ALTERNATIVES_MAX]}
    if ahead.best < len(moves):
        told.add(moves[ahead.best].pickup.pallet.pallet)
    for end_ms, at in others:
        pallet = moves[at].pickup.pallet.pallet
        if end_ms is None and pallet not in told:
            told.add(pallet)
            better = "better" if picture.tables.urgency else "quicker"
            lost = f"of what was played through, nothing {better} began with it"
            listed.append(Alternative(what=named(moves[at]), cost_ms=None, why_lost=lost))
    rest = [obstacle for obstacle in obstacles if obstacle.pallet.pallet not in told]
    return (*listed, *prevented(picture, None, [], rest))


ALTERNATIVES_MAX = 3


def _later(picture: Picture, ahead: Ahead, end_ms: int) -> str:
    weighed = bool(picture.tables.urgency)
    if end_ms == ahead.end_ms:
        good = "it would be as good for all" if weighed else "all would be out as early with it"
        return f"{good}; of such moves the first one found is taken"
    later = duration(end_ms - ahead.end_ms)
    if weighed:
        seen = "was looked ahead" if ahead.reach == "part of the way" else "it was played through"
        least = " at least" if ahead.reach == "part of the way" else ""
        return f"as far as {seen}, with what lateness counts it would come to {later} more{least}"
    if ahead.reach == "part of the way":
        return f"as far as was looked ahead, all would be out {later} later at least"
    return f"as far as it was played through, all would be out {later} later"

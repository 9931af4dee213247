"""What follows from a fact, worked out from the whole state until nothing more follows.

Rules of this file: order only. Stations that were touched come first, then the handler, then pallets that nothing takes; then every goal that may go out goes out.
"""

from supervisor.core import (
    calibration,
    gauge,
    interlocks,
    line,
    moves,
    reference_parts,
    runs,
    stations,
    stranded,
    waits,
)
from supervisor.core.draft import Draft

ROUNDS_MAX = 20


def follow(draft: Draft) -> None:
    """Work out the consequences of the facts applied to the draft."""
    if not draft.dirty and draft.handler.stage != "idle" and "pallets" not in draft.owned:
        return  # no station and no pallet was touched, and a handler with an order is not asked what next
    for _ in range(ROUNDS_MAX):
        gauge.look_at_study(draft)
        touched = sorted(draft.dirty)
        draft.dirty = {}
        for station in touched:
            _look_at_station(draft, station)
        if not draft.dirty:
            moves.look_at_handler(draft)
            stranded.look_at_pallets(draft)
        if not draft.dirty:
            return
    message = "the consequences of one fact do not come to an end"
    raise AssertionError(message)


def _look_at_station(draft: Draft, station: str) -> None:
    calibration.look_at_calibration(draft, station)
    reference_parts.look_at_checks(draft, station)
    if draft.stations[station].link != "up":
        return
    stations.look_at_faults(draft, station)
    stations.look_at_nest(draft, station)
    line.look_at_station(draft, station)
    stations.look_at_bay(draft, station)
    runs.look_at_run(draft, station)
    runs.begin_run(draft, station)
    stations.look_at_door_need(draft, station)


def give(draft: Draft) -> None:
    """Send every outstanding goal that has not gone out over a standing link and whose interlocks hold."""
    waiting_for_a_chance = [
        about for about, goal in draft.outstanding.items() if goal.given == "no"
    ]
    for about in sorted(waiting_for_a_chance):
        waiting = draft.outstanding[about]
        if interlocks.allowed(draft, waiting.goal):
            waits.begin_again(draft, about, waiting.goal)
            draft.mark_given(about, "yes")
            draft.give(waiting.goal)

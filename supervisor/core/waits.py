"""Rules of waits that reach their limit.

Rules of this file:
- The limit of a goal counts from when it was wanted, and anew whenever it goes out.
- A wait that is no longer in the state changes nothing (S5), nor does a timer that fires early.
- A machine that cannot be seen, or that a person drives by hand, is not late: the wait begins again and nobody is asked. What people
  see meanwhile is that the machine is not connected, or not in automatic.
"""

from supervisor.core import gauge, line, moves, pallets, runs, stations, stranded
from supervisor.core.commands import (
    AbortRun,
    AcknowledgeResult,
    ClearFault,
    Goal,
    MoveHandler,
    PrepareProgram,
    ReadTag,
    SetDoor,
    StartRun,
)
from supervisor.core.draft import Draft
from supervisor.core.events import TimerFired

UNSEEN_MS_MAX = 60_000

_STATION_TIMERS = {
    "door": stations.on_door_timer,
    "nest": stations.on_nest_timer,
    "fault": stations.on_fault_timer,
    "result": stations.on_result_timer,
    "run": runs.on_run_timer,
    "program": runs.on_program_timer,
}

_OTHER_TIMERS = {
    "stranded": stranded.on_stranded_timer,
    "place": pallets.on_place_timer,
    "tag": pallets.on_tag_timer,
    "reservation": line.on_reservation_timer,
}


def on_timer_fired(draft: Draft, event: TimerFired) -> None:
    """A wait has reached its limit."""
    timer = draft.timers.get(event.timer)
    if timer is None or draft.at_ms < timer.due_ms:
        return
    kind, _, rest = event.timer.partition(" ")
    named = rest.removeprefix("of ").removeprefix("at ")
    if _is_unseen(draft, kind, named):
        draft.start_timer(event.timer, UNSEEN_MS_MAX, timer.why)
        return
    draft.end_timer(event.timer)
    _at_the_limit(draft, kind, named)


def begin_again(draft: Draft, about: str, goal: Goal) -> None:
    """A goal goes out, after it was held back, after its link was lost or after the supervisor died: it has its whole time."""
    timer = draft.timers.get(about)
    limit_ms = _limit_ms(draft, goal)
    if timer is not None and limit_ms and timer.due_ms != draft.at_ms + limit_ms:
        draft.start_timer(about, limit_ms, timer.why)


def _limit_ms(draft: Draft, goal: Goal) -> int:
    """How long a goal may take; 0 for an abort, whose limit is that of its run."""
    match goal:
        case MoveHandler():
            return draft.tables.handler.move_ms_max
        case ReadTag():
            return draft.tables.readers[goal.reader].answer_ms_max
        case SetDoor():
            return draft.tables.stations[goal.station].door_ms_max
        case AbortRun():
            return 0
        case PrepareProgram() | StartRun() | AcknowledgeResult() | ClearFault():
            return draft.tables.stations[goal.station].start_ms_max


def _is_unseen(draft: Draft, kind: str, named: str) -> bool:
    """Whether the machine that a wait is for cannot show now what is waited for."""
    match kind:
        case "routing" | "study" | "calibration" | "check" | "reservation" | "soak":
            return False
        case "handler" | "stranded":
            return draft.handler.link != "up" or draft.handler.mode != "automatic"
        case "place" | "tag":
            reader = draft.tables.places[named].reader
            return draft.readers[reader].link != "up"
        case _:
            station = draft.stations[named]
            by_hand = station.mode == "manual" and kind in ("door", "program")
            return station.link != "up" or by_hand


def _at_the_limit(draft: Draft, kind: str, named: str) -> None:
    match kind:
        case "routing":
            draft.rethink = "yes"
        case "handler":
            moves.on_move_timer(draft)
        case "calibration" | "check" | "soak":
            checked = kind == "check"
            at = draft.tables.checks[named].station if checked else named
            draft.look_again("station", at)
        case "study":
            gauge.on_study_timer(draft)
        case "place" | "tag" | "reservation" | "stranded":
            _OTHER_TIMERS[kind](draft, named)
        case _:
            _STATION_TIMERS[kind](draft, named)
            draft.dirty[named] = None

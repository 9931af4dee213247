"""The interlocks: what must hold before a goal may go out.

Rules of this file:
- Each condition has a name that people read, and passes only on knowledge: an ``unknown`` never passes.
- ``INTERLOCKS`` is the whole truth, one row per kind of goal; ``unmet`` evaluates a row. Nothing else in the core lets a goal out.
- These are process interlocks. They replace no safety function.
"""

from collections.abc import Callable

from supervisor.cell.value import value
from supervisor.core import calibration, reservations
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
from supervisor.core.draft import Draft, held
from supervisor.core.state import StationState


@value
class Condition:
    """One named condition: ``text`` completes the sentence "waits until ..."."""

    name: str
    text: str
    holds: Callable[[Draft, Goal], bool]


def _station(draft: Draft, goal: Goal) -> StationState:
    """The station a goal is about; for a move, the one that it enters."""
    assert not isinstance(goal, ReadTag)
    return draft.stations[goal.place if isinstance(goal, MoveHandler) else goal.station]


def _link_up(draft: Draft, goal: Goal) -> bool:
    return _station(draft, goal).link == "up"


def _mode_automatic(draft: Draft, goal: Goal) -> bool:
    return _station(draft, goal).mode == "automatic"


def _no_station_hold(draft: Draft, goal: Goal) -> bool:
    return held(draft, _station(draft, goal).station) is None and nobody_is_asked_about(draft, goal)


def nobody_is_asked_about(draft: Draft, goal: Goal) -> bool:
    """What waits for a person stays where it is; from the hand it may go home, where it is out of the way of all others."""
    if not isinstance(goal, MoveHandler):
        return True
    place = draft.tables.places.get(goal.place)
    home = place is not None and place.kind == "rack"
    return held(draft, goal.picked) is None and (home or held(draft, goal.put) is None)


def _door_open(draft: Draft, goal: Goal) -> bool:
    station = _station(draft, goal)
    return station.door in ("open", "none") and station.bay in ("open", "entered")


def _door_closed(draft: Draft, goal: Goal) -> bool:
    station = _station(draft, goal)
    return station.door in ("closed", "none") and station.bay == "shut"


def _work_not_running(draft: Draft, goal: Goal) -> bool:
    station = _station(draft, goal)
    quiet = station.work in ("idle", "prepared", "part free", "finished", "aborted")
    return quiet and (station.run is None or station.run.stage not in ("starting", "measuring"))


def _nest_as_expected(draft: Draft, goal: Goal) -> bool:
    assert isinstance(goal, MoveHandler)
    station = _station(draft, goal)
    wanted = "empty" if goal.action == "put" else "occupied"
    return station.nest == wanted and station.pallet == goal.picked


def _station_not_taken(draft: Draft, goal: Goal) -> bool:
    """Neither the arm is inside another station, nor may the line's transport be inside this one."""
    assert isinstance(goal, MoveHandler)
    if reservations.at_station(draft, goal.place):
        return False
    entered = [s.station for s in draft.stations.values() if s.bay == "entered"]
    current = draft.outstanding.get("handler")
    return not entered or (current is not None and current.goal == goal and entered == [goal.place])


def _handler_link_up(draft: Draft, goal: Goal) -> bool:
    return draft.handler.link == "up"


def _handler_automatic(draft: Draft, goal: Goal) -> bool:
    return draft.handler.mode == "automatic"


def _no_handler_hold(draft: Draft, goal: Goal) -> bool:
    return held(draft, draft.tables.handler.handler) is None


def _jaws_as_expected(draft: Draft, goal: Goal) -> bool:
    assert isinstance(goal, MoveHandler)
    seen = draft.handler.jaws_seen
    picks = goal.pick_jaw == 0 or seen[goal.pick_jaw - 1] == "empty"
    puts = goal.put_jaw == 0 or seen[goal.put_jaw - 1] == "occupied"
    return picks and puts


def _place_as_expected(draft: Draft, goal: Goal) -> bool:
    assert isinstance(goal, MoveHandler)
    place = draft.places[goal.place]
    wanted = "empty" if goal.action == "put" else "occupied"
    return place.presence == wanted and place.pallet == goal.picked


def _tag_proven(draft: Draft, goal: Goal) -> bool:
    """A pallet that was out of sight is fetched only when its tag has told that it is the same."""
    assert isinstance(goal, MoveHandler)
    unread = goal.action == "pick" and f"tag at {goal.place}" in draft.outstanding
    return not unread and nobody_is_asked_about(draft, goal)


def _outfeed_matches_verdict(draft: Draft, goal: Goal) -> bool:
    assert isinstance(goal, MoveHandler)
    place = draft.tables.places[goal.place]
    return (
        goal.action != "put"
        or place.kind != "outfeed"
        or draft.pallets[goal.put].sorting == place.sorting
    )


def _handler_clear(draft: Draft, goal: Goal) -> bool:
    station = _station(draft, goal)
    return (
        station.bay != "entered"
        and draft.handler.link == "up"
        and draft.handler.inside not in (station.station, "unknown")
    )


def _nest_holds_pallet_of_run(draft: Draft, goal: Goal) -> bool:
    assert isinstance(goal, StartRun)
    station = _station(draft, goal)
    return station.nest == "occupied" and station.pallet == goal.pallet


def _program_belongs(draft: Draft, goal: Goal) -> bool:
    """What we had prepared, and what the station shows if it can: reading back finds what somebody loaded at its panel since."""
    assert isinstance(goal, StartRun)
    station = _station(draft, goal)
    return (
        station.prepared == goal.program
        and station.program in ("", goal.name, str(goal.number))
        and draft.tables.programs[goal.program].part_type
        == draft.pallets[goal.pallet].part_type
        == goal.part_type
    )


def _station_quiet(draft: Draft, goal: Goal) -> bool:
    return _station(draft, goal).work in ("idle", "prepared")


def _nothing_unfinished(draft: Draft, goal: Goal) -> bool:
    """A result that nobody has to acknowledge stands until the next one: one of the run before, when it is acknowledged, is over.

    A supervisor that died amid a start meets it there, ``finished``, and could not give the start again.
    """
    station = _station(draft, goal)
    waits = f"result of {station.station}" in draft.outstanding
    before = station.work == "finished" and station.run_id != "" and station.run_id in station.ended
    return (before and not waits) or _station_quiet(draft, goal)


def _fit_to_measure(draft: Draft, goal: Goal) -> bool:
    station = _station(draft, goal)
    return station.gate == "" and not calibration.over(draft, station.station)


def _start_not_doubtful(draft: Draft, goal: Goal) -> bool:
    """A start that went out once goes out again only when the station shows that it never began, or would not begin it twice."""
    station = _station(draft, goal)
    current = draft.outstanding.get(f"run of {station.station}")
    if current is None or current.goal != goal or current.times == 0:
        return True
    run = station.run
    assert run is not None
    once = draft.tables.stations[station.station].start_twice == "one run"
    return station.boot == run.boot_before and (
        once or station.run_id != "" or station.counter == run.counter_before >= 0
    )


def _reader_link_up(draft: Draft, goal: Goal) -> bool:
    assert isinstance(goal, ReadTag)
    return draft.readers[goal.reader].link == "up"


def _pallet_seen_there(draft: Draft, goal: Goal) -> bool:
    assert isinstance(goal, ReadTag)
    return draft.places[goal.place].presence == "occupied"


def _rows(*conditions: tuple[str, str, Callable[[Draft, Goal], bool]]) -> tuple[Condition, ...]:
    return tuple(Condition(name=name, text=text, holds=holds) for name, text, holds in conditions)


_LINK = ("station link up", "the station is connected", _link_up)
_AUTOMATIC = ("station automatic", "the station is in automatic mode", _mode_automatic)
_FREE_OF_HOLDS = (
    "station not held",
    "a person has answered the hold of the station, or of the pallet that the move is about",
    _no_station_hold,
)
_NOT_RUNNING = ("work not running", "the station does not measure", _work_not_running)
_HANDLER = (
    ("handler link up", "the handler is connected", _handler_link_up),
    ("handler automatic", "the handler is in automatic mode", _handler_automatic),
    ("handler not held", "a person has answered the hold of the handler", _no_handler_hold),
    ("jaws as expected", "the jaws hold what the move needs", _jaws_as_expected),
)

DOOR_OPEN = _rows(_LINK, _AUTOMATIC, _FREE_OF_HOLDS, _NOT_RUNNING)
DOOR_CLOSED = _rows(
    _LINK,
    _AUTOMATIC,
    ("handler clear", "the handler is clear of the station", _handler_clear),
)
PREPARE = _rows(
    _LINK,
    _AUTOMATIC,
    _FREE_OF_HOLDS,
    ("station quiet", "the former run is over at the station", _station_quiet),
)
START = _rows(
    _LINK,
    _AUTOMATIC,
    _FREE_OF_HOLDS,
    ("door closed", "the door is closed", _door_closed),
    ("handler clear", "the handler is clear of the station", _handler_clear),
    ("nest holds the pallet of the run", "the nest reads occupied", _nest_holds_pallet_of_run),
    (
        "prepared program belongs to the part type",
        "the right program is prepared",
        _program_belongs,
    ),
    ("station quiet", "no other run of the station is unfinished", _nothing_unfinished),
    (
        "station fit to measure",
        "the station's own gate (calibration, sensor) is free and its declared calibration holds",
        _fit_to_measure,
    ),
    (
        "start not doubtful",
        "the station shows whether the start was carried out",
        _start_not_doubtful,
    ),
)
ENTER = _rows(
    *_HANDLER,
    _LINK,
    _AUTOMATIC,
    _FREE_OF_HOLDS,
    ("door open", "the door is open", _door_open),
    _NOT_RUNNING,
    ("nest as expected", "the nest reads as the move expects", _nest_as_expected),
    ("station not taken", "nobody else has the station", _station_not_taken),
)
AT_PLACE = _rows(
    *_HANDLER,
    ("place as expected", "the place reads as the move expects", _place_as_expected),
    (
        "tag proven",
        "the tag of a pallet that was out of sight has been read again, and nobody is asked about the pallet",
        _tag_proven,
    ),
    (
        "outfeed matches the verdict",
        "the outfeed place accepts the part's verdict",
        _outfeed_matches_verdict,
    ),
)
APPROACH = _rows(*_HANDLER[:3])
READ = _rows(
    ("reader link up", "the tag reader is connected", _reader_link_up),
    ("pallet seen there", "the place reads occupied", _pallet_seen_there),
)
TALK = _rows(_LINK)

INTERLOCKS: dict[str, tuple[Condition, ...]] = {
    "door open": DOOR_OPEN,
    "door closed": DOOR_CLOSED,
    "program prepared": PREPARE,
    "run started": START,
    "run aborted": TALK,
    "result acknowledged": TALK,
    "fault cleared": TALK,
    "handler before a place": APPROACH,
    "handler into a station": ENTER,
    "handler at a place": AT_PLACE,
    "tag read": READ,
}


_ROWS: dict[type[Goal], str] = {
    PrepareProgram: "program prepared",
    StartRun: "run started",
    AbortRun: "run aborted",
    AcknowledgeResult: "result acknowledged",
    ClearFault: "fault cleared",
    ReadTag: "tag read",
}


def row_of(draft: Draft, goal: Goal) -> str:
    """The name of the interlock row for a goal."""
    if isinstance(goal, SetDoor):
        return f"door {goal.door}"
    if not isinstance(goal, MoveHandler):
        return _ROWS[type(goal)]
    if goal.action == "approach":
        return "handler before a place"
    return "handler into a station" if goal.place in draft.stations else "handler at a place"


def unmet(draft: Draft, goal: Goal) -> tuple[Condition, ...]:
    """The conditions that keep a goal from going out now; empty = it may."""
    return tuple(
        condition
        for condition in INTERLOCKS[row_of(draft, goal)]
        if not condition.holds(draft, goal)
    )


def allowed(draft: Draft, goal: Goal) -> bool:
    """Whether every condition of a goal's row holds."""
    for condition in INTERLOCKS[row_of(draft, goal)]:  # noqa: SIM110 - asked many times for each fact; a loop costs half of all()
        if not condition.holds(draft, goal):
            return False
    return True

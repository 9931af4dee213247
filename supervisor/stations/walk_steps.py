"""The steps of a walk, in their order: what is asked of a station and what counts as its right answer.

Rules of this file:
- Steps are a table. Each leaves the station as the next one wants it, or the next one says what it misses.
- Negative steps come before the run: a station that does not refuse is found before anything depends on it.
"""

from datetime import UTC, datetime

from supervisor.cell.profile_language import Declared
from supervisor.cell.profile_values import NOT_SUPPORTED
from supervisor.core.commands import AcknowledgeResult
from supervisor.core.events import ResultArrived, StationObserved
from supervisor.stations.opcua import written
from supervisor.stations.walk import (
    ACT_S_MAX,
    CONNECT_S_MAX,
    FACETS,
    LINK_S_MAX,
    REFUSE_S_MAX,
    WORKING,
    NotDone,
    Question,
    StepFailed,
    Walk,
)

ENDED = ("finished", "aborted")
AHEAD_MS_MAX = 2_000
"""How far the time of a result may be ahead of the newest time that the station has shown: nodes are stamped when they change (our choice)."""


async def connects(walk: Walk) -> None:
    """The link comes up, with every node of the profile found and checked."""
    await walk.until("a connection", lambda seen: seen.link == "up", CONNECT_S_MAX)
    report = walk.adapter.report()
    walk.note("connection", report.security)
    walk.note("server started", report.boot)
    if report.revised is not None:
        walk.note("publishing interval granted, ms", report.revised.interval_ms)
        walk.note("nodes watched", report.revised.items)


async def facets_are_known(walk: Walk) -> None:
    """Every facet has a value of good quality."""
    seen, report = walk.seen, walk.adapter.report()
    for name, reading in report.readings:
        walk.note(f"node {name}", f"{written(reading.value)}, {reading.quality}")
    for name in FACETS:
        walk.note(f"facet {name}", getattr(seen, name))
    unknown = [name for name in FACETS if getattr(seen, name) == "unknown"]
    if unknown:
        message = f"not known: {', '.join(unknown)}"
        raise StepFailed(message)
    if seen.mode != "automatic":
        await walk.asks("automatic", "switch the station to automatic")
        await walk.until("mode automatic", lambda now: now.mode == "automatic", ACT_S_MAX)
    await _set_aside_earlier_result(walk)


async def _set_aside_earlier_result(walk: Walk) -> None:
    """Let go of the result of an earlier run, where that sends nothing to the station: what has no acknowledgement shows it on every connection.

    Named is the run of this walk, so that no station is told that a result is stored which the walk has not stored.
    """
    acknowledges = walk.profile.orders.acknowledge != NOT_SUPPORTED
    if walk.visit is None or walk.seen.work not in ENDED or acknowledges:
        return
    walk.give(_acknowledgement(walk, walk.visit.run_id))
    if await walk.settles(lambda seen: seen.work not in ENDED):
        walk.note("remark", "the result of an earlier run stood there, which no order acknowledges; it is set aside")  # fmt: skip


def _nothing_is_left(walk: Walk) -> None:
    """Nobody prepares or starts over a result of an earlier run that an order has to acknowledge: whoever ordered it may not have it yet.

    Raises:
        NotDone: one stands there; says which, and what to do.
    """
    acknowledges = walk.profile.orders.acknowledge != NOT_SUPPORTED
    if walk.started or walk.seen.work != "finished" or not acknowledges:
        return
    result = walk.newest_result()
    run = walk.seen.run_id or (result.run_id if result else "")
    part = walk.seen.serial or (result.serial if result else "")
    which = f"run {run}" if run else "a run that it does not name"
    message = (
        f"work is finished: the result of {which}{f', part {part},' if part else ''} stands there and is not acknowledged. Let the supervisor that "
        "ordered it take it, or see to it that nobody needs it and acknowledge it at the station; then walk again"
    )
    raise NotDone(message)


def _acknowledgement(walk: Walk, run_id: str) -> AcknowledgeResult:
    return AcknowledgeResult(order=walk.order(), station=walk.station.station, run_id=run_id)


async def mode_is_seen(walk: Walk) -> None:
    """The mode selector is followed."""
    await walk.asks("manual", "switch the station to manual")
    await walk.until("mode manual", lambda seen: seen.mode == "manual", ACT_S_MAX)
    await walk.asks("automatic", "switch the station back to automatic")
    await walk.until("mode automatic", lambda seen: seen.mode == "automatic", ACT_S_MAX)


async def door_closes(walk: Walk) -> None:
    """The door closes when ordered."""
    _has_door(walk)
    await walk.may_move("the door closes")
    walk.give(walk.door_goal("closed"))
    await walk.until("door closed", lambda seen: seen.door == "closed", walk.door_s)


async def door_opens(walk: Walk) -> None:
    """The door opens when ordered."""
    _has_door(walk)
    await walk.may_move("the door opens")
    walk.give(walk.door_goal("open"))
    await walk.until("door open", lambda seen: seen.door == "open", walk.door_s)


def _has_door(walk: Walk) -> None:
    if walk.seen.door == "none":
        message = "the station has no door and no area grant"
        raise NotDone(message)


async def empty_start_is_refused(walk: Walk) -> None:
    """A start without a part in the nest is refused by the station."""
    walk.needs_visit()
    if walk.seen.nest != "empty":
        message = f"the nest has to be empty, and it is {walk.seen.nest}"
        raise NotDone(message)
    await walk.may_move(
        "a start is ordered with an empty nest; the station should refuse, and may measure air if it does not"
    )
    await _close(walk)
    await _prepare(walk)
    await _must_refuse(walk, "nest empty")


async def part_is_seen(walk: Walk) -> None:
    """The nest is seen to be filled."""
    await _open(walk)
    await walk.asks("place-part", "set the part down in the nest, and step back")
    await walk.until("nest occupied", lambda seen: seen.nest == "occupied", ACT_S_MAX)


async def open_start_is_refused(walk: Walk) -> None:
    """A start with an open door is refused by the station itself, with everything else in order."""
    walk.needs_visit()
    _has_door(walk)
    _needs_part(walk)
    await walk.may_move(
        "the program is prepared, the door opens, and a start is ordered; the station must refuse. Stand clear: it may move if it does not"
    )
    await _close(walk)
    await _prepare(walk)
    await _open(walk)
    await _must_refuse(walk, "door open")


async def _must_refuse(walk: Walk, condition: str) -> None:
    seen = walk.seen
    walk.note("before the order", ", ".join(f"{n} {getattr(seen, n)}" for n in FACETS))
    if seen.mode != "automatic" or seen.work not in _ready_to_start(walk):
        message = f"a refusal would mean nothing: mode {seen.mode}, work {seen.work}"
        raise NotDone(message)
    order = walk.give(walk.start_goal())
    if not await walk.begins_all_the_same(order):
        walk.start_was_refused(order)
        return
    await walk.stop_what_runs()
    message = f"the station started with {condition}; it has to refuse by itself, whatever a supervisor orders"
    raise StepFailed(message)


async def prepares(walk: Walk) -> None:
    """The program is prepared when ordered, and the station says which."""
    walk.needs_visit()
    await walk.may_move("the door closes and a program is prepared")
    await _close(walk)
    await _prepare(walk)


async def _prepare(walk: Walk) -> None:
    _nothing_is_left(walk)
    if walk.profile.orders.prepare == NOT_SUPPORTED:
        walk.note("the program", "no order prepares one: a start names it")
        return
    goal = walk.prepare_goal()
    order = walk.give(goal)
    echoes = walk.profile.echoes.program is not None

    def is_prepared(seen: StationObserved) -> bool:
        answer = walk.answer(order)
        # It says that it was done where the program was there already, which it may show by nothing.
        told = answer is not None and answer.outcome == "done"
        named = told or not echoes or seen.program in (goal.name, str(goal.number))
        return seen.work == "prepared" and named

    await walk.until(f"{goal.name} prepared", is_prepared, walk.start_s)


def _ready_to_start(walk: Walk) -> tuple[str, ...]:
    """What work shows before a start; where no order prepares a program, it is idle."""
    if walk.profile.orders.prepare == NOT_SUPPORTED:
        return ("idle", "prepared")
    return ("prepared",)


async def runs(walk: Walk) -> None:
    """The run starts when ordered, and the station says which it is."""
    visit = walk.needs_visit()
    _needs_part(walk)
    _nothing_is_left(walk)
    await walk.may_move("the station measures")
    walk.started, walk.clock_ms = True, walk.seen.source_ms
    walk.give(walk.start_goal())
    await walk.until("work running", lambda seen: seen.work in WORKING, walk.start_s)
    if walk.profile.echoes.run is not None:
        names = (visit.run_id, str(visit.run_no))
        await walk.until(
            f"the echo of run {visit.run_id}", lambda seen: seen.run_id in names, REFUSE_S_MAX
        )


async def result_comes(walk: Walk) -> None:
    """The result comes, belongs to the run, and has every characteristic of the program."""
    visit = walk.needs_visit()
    if not walk.started or walk.seen.work not in WORKING:
        message = "no run has started"
        raise NotDone(message)
    await walk.until(
        "the result",
        lambda seen: seen.work in ENDED and bool(walk.results(visit.run_id)),
        walk.result_s,
    )
    found = walk.results(visit.run_id)[0]
    walk.note("belongs to", f"run {found.run_id}, part {found.serial}, counter {found.counter}")
    for measured in found.values:
        walk.note(f"characteristic {measured.number}", f"{measured.value} {measured.unit}, {measured.quality}")  # fmt: skip
    remark = clocks_apart(found, walk.clock_ms, walk.seen.source_ms)
    if remark:
        walk.warn(remark)
    given = {measured.number for measured in found.values}
    missing = [cover.number for cover in visit.program.covers if cover.number not in given]
    if missing:
        message = f"no value for {', '.join(missing)}"
        raise StepFailed(message)


def clocks_apart(result: ResultArrived, before_ms: int, now_ms: int) -> str:
    """Why the time of a result does not go with the clock that the station showed before the start and has shown since; "" where it does."""
    if result.created_ms < 0 or before_ms <= 0:
        return ""
    made = f"the result says that it was made at {_time(result.created_ms)}"
    made_by_ms = result.created_ms + (999 if result.created_ms % 1000 == 0 else 0)
    if made_by_ms <= before_ms:
        return (
            f"{made}, and before the start the station showed {_time(before_ms)}: a result that nothing else proves is kept aside for it; "
            "let both be of one clock, and set that"
        )
    shown_ms = max(now_ms, result.source_ms)
    if result.created_ms > shown_ms + AHEAD_MS_MAX:
        return f"{made}, and the station has shown {_time(shown_ms)} at the most: then a result of an earlier run can look like one of this; let both be of one clock"
    return ""


def _time(ms: int) -> str:
    moment = datetime.fromtimestamp(ms / 1000, UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


async def acknowledged(walk: Walk) -> None:
    """The station forgets the result when it is acknowledged."""
    visit = walk.needs_visit()
    if not walk.started:
        message = "no run has started; a result of an earlier one is left alone"
        raise NotDone(message)
    if walk.seen.work != "finished":
        message = f"there is no result to acknowledge, work is {walk.seen.work}"
        raise NotDone(message)
    walk.give(_acknowledgement(walk, visit.run_id))
    await walk.until("work idle", lambda seen: seen.work in ("idle", "prepared"), walk.start_s)


async def connection_is_lost_and_back(walk: Walk) -> None:
    """A lost connection is noticed, and everything is known again afterwards."""
    before = {name: getattr(walk.seen, name) for name in FACETS}
    await walk.asks("cut-connection", "cut the connection to the station (pull its network cable)")
    await walk.until("the loss noticed", lambda seen: seen.link == "down", LINK_S_MAX)
    unknown = all(getattr(walk.seen, name) == "unknown" for name in FACETS)
    await walk.asks("restore-connection", "restore the connection")
    await walk.until("the connection back", lambda seen: seen.link == "up", LINK_S_MAX)
    if not unknown:
        message = "facets were believed while the connection was down"
        raise StepFailed(message)
    after = {name: getattr(walk.seen, name) for name in FACETS}
    remark = work_went_on(before["work"], after["work"], walk.profile.orders.acknowledge)
    if remark:
        walk.note("remark", remark)
        after["work"] = before["work"]
    if after != before:
        message = f"before the loss {before}, after it {after}"
        raise StepFailed(message)


def work_went_on(before: str, after: str, acknowledge: Declared) -> str:
    """Why work may show something else after an outage than before, by no fault of anybody, in words; "" where it may not.

    What nothing acknowledges stays the newest result and is seen once more. A machine that takes its time to be reset may be ready by then.
    """
    if acknowledge == NOT_SUPPORTED and before in ("idle", "prepared") and after in ENDED:
        return "work shows the newest result again, which no order acknowledges"
    if (before, after) == ("idle", "prepared"):
        return "the station has made itself ready meanwhile"
    return ""


async def quality_is_lost_and_back(walk: Walk) -> None:
    """A value of bad quality is believed by nobody."""
    await walk.asks(
        "bad-quality",
        "make the signals of the station bad (unplug a sensor, or stop its controller)",
    )
    await walk.until(
        "a facet unknown",
        lambda seen: any(getattr(seen, name) == "unknown" for name in FACETS),
        ACT_S_MAX,
    )
    lost = [name for name in FACETS if getattr(walk.seen, name) == "unknown"]
    walk.note("unknown", ", ".join(lost))
    await walk.asks("good-quality", "put the signals back in order")
    await walk.until(
        "every facet known",
        lambda seen: all(getattr(seen, name) != "unknown" for name in FACETS),
        ACT_S_MAX,
    )


async def part_is_gone(walk: Walk) -> None:
    """The nest is seen to be emptied."""
    if walk.seen.nest != "occupied":
        message = f"there is no part in the nest, it is {walk.seen.nest}"
        raise NotDone(message)
    await walk.may_move("the door opens")
    await _open(walk)
    await walk.asks("remove-part", "take the part out of the nest, and step back")
    await walk.until("nest empty", lambda seen: seen.nest == "empty", ACT_S_MAX)


def _needs_part(walk: Walk) -> None:
    if walk.seen.nest != "occupied":
        message = f"there has to be a part in the nest, and it is {walk.seen.nest}"
        raise NotDone(message)


async def _open(walk: Walk) -> None:
    if walk.seen.door not in ("open", "none"):
        walk.give(walk.door_goal("open"))
        await walk.until("door open", lambda seen: seen.door == "open", walk.door_s)


async def _close(walk: Walk) -> None:
    if walk.seen.door not in ("closed", "none"):
        walk.give(walk.door_goal("closed"))
        await walk.until("door closed", lambda seen: seen.door == "closed", walk.door_s)


def _question(name: str, title: str, check: object) -> Question:
    expected = (getattr(check, "__doc__", "") or "").strip()
    return Question(name=name, title=title, expected=expected, check=check)  # pyright: ignore[reportArgumentType]


STEPS: tuple[Question, ...] = (
    _question("connect", "Connection", connects),
    _question("facets", "Facets", facets_are_known),
    _question("mode", "Mode selector", mode_is_seen),
    _question("door-open", "Open the door", door_opens),
    _question("door-close", "Close the door", door_closes),
    _question("refuse-empty", "Start with an empty nest", empty_start_is_refused),
    _question("part", "Part into the nest", part_is_seen),
    _question("refuse-open", "Start with an open door", open_start_is_refused),
    _question("prepare", "Prepare the program", prepares),
    _question("run", "Start the run", runs),
    _question("result", "Result of the run", result_comes),
    _question("acknowledge", "Acknowledge the result", acknowledged),
    _question("connection-loss", "Loss of the connection", connection_is_lost_and_back),
    _question("quality-loss", "Loss of quality", quality_is_lost_and_back),
    _question("part-out", "Part out of the nest", part_is_gone),
)

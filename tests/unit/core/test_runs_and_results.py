"""A run is started at most once, its result is taken with proof, and what ends badly is repeated no more than twice."""

import pytest

from simulators.bench.trial import DAY_MS, finish, serials, troubles
from simulators.bench.world import straight
from supervisor.cell.value import replace
from supervisor.core.commands import AcknowledgeResult, PrepareProgram, StartRun
from supervisor.core.events import (
    CellOrdered,
    HoldReleased,
    ResultArrived,
    StationObserved,
    TimerFired,
)
from supervisor.core.holds import HOLDS

MINUTE_MS = 60_000


def until(world, done):
    world.run(world.now_ms + DAY_MS, done=lambda _: done())
    assert done()


def acquiring(world, station):
    return world.models.stations[station].image().work == "acquiring"


def stands(world):
    return sorted(hold.code for hold in world.state.holds.values())


def answer(world, code, reply):
    (hold,) = [hold for hold in world.state.holds.values() if hold.code == code]
    world.tell(HoldReleased(hold=hold.hold, answer=reply, by="a person", place=""))


def observed(world, station):
    """The last image of a station that the core got."""
    return next(
        entry.event
        for entry in reversed(world.journal.entries)
        if isinstance(entry.event, StationObserved) and entry.event.station == station
    )


# --- results ----------------------------------------------------------------------------------------------------------------------


def results_changed(change):
    def wire(fact):
        return change(fact) if isinstance(fact, ResultArrived) else ((0, fact),)

    return wire


@pytest.mark.hazard(8)
def test_a_late_result_is_taken_when_it_comes(a_world):
    world = a_world()
    world.wire = results_changed(lambda fact: [(25_000, fact)])
    finish(world, parts=3)
    assert troubles(world, parts=serials(world)) == []
    assert world.state.unassigned == ()


@pytest.mark.hazard(9)
def test_a_result_that_comes_twice_counts_once(a_world):
    world = a_world()
    world.wire = results_changed(lambda fact: [(0, fact), (0, fact), (90_000, fact)])
    finish(world, parts=3)
    assert troubles(world, parts=serials(world)) == []
    for record in world.records:
        for finding in record.findings:
            runs = [finding.decided_by.run_id, *(each.run_id for each in finding.monitored_by)]
            assert len(runs) == len(set(runs))


@pytest.mark.hazard(40)
def test_a_partial_result_decides_nothing(a_world):
    world = a_world()
    world.wire = results_changed(
        lambda fact: [(0, replace(fact, scope="partial", values=fact.values[:1])), (9_000, fact)]
    )
    finish(world, parts=3)
    assert troubles(world, parts=serials(world)) == []


FOREIGN = {
    "another run id": {"run_id": "R999999"},
    "the run before": {"run_id": "R1"},
    "another serial number": {"serial": "12345"},
    "no name, another serial number": {"run_id": "", "serial": "12345"},
    "no name, a counter that did not move": {"run_id": "", "counter": 0},
    "no name, a counter that moved by two": {"run_id": "", "counter": 2},
    "no name, another start of the station": {"run_id": "", "boot": "other"},
    "no proof at all": {"run_id": "", "serial": "", "counter": -1},
    "its own run id, made before the start": {"created_ms": 1},
    "its own run id in itself, made before the start, a counter that did not move": {
        "created_ms": 1, "run_said_by": "result", "counter": 0,
    },
    "its own run id in itself, made before the start, another start of the station": {
        "created_ms": 1, "run_said_by": "result", "boot": "other",
    },
    "no name, made before the start": {"run_id": "", "counter": -1, "created_ms": 1},
    "no name, made in time, another start of the station": {
        "run_id": "", "counter": -1, "created_ms": 10**15, "boot": "other",
    },
}  # fmt: skip


@pytest.mark.parametrize("what", FOREIGN)
@pytest.mark.hazard(6)
def test_a_result_without_proof_is_kept_aside_and_the_right_one_taken(a_world, what):
    world = a_world(pallets=1)

    def first_a_foreign_one(fact):
        values = tuple(replace(each, value=999.0) for each in fact.values)
        foreign = replace(fact, result_id="foreign", values=values, **FOREIGN[what])
        return [(0, foreign), (0, fact)]

    world.wire = results_changed(first_a_foreign_one)
    finish(world, parts=1)
    assert troubles(world, parts=serials(world)) == []
    assert {aside.result_id for aside in world.state.unassigned} == {"foreign"}
    assert all(aside.why for aside in world.state.unassigned)


def only_dated(fact):
    """Stations that neither echo nor count: they say when a result was made, on the clock of their images."""
    if isinstance(fact, StationObserved):
        fact = replace(fact, run_id="", serial="", counter=-1)
    if isinstance(fact, ResultArrived):
        fact = replace(fact, run_id="", serial="", counter=-1, created_ms=fact.source_ms)
    return ((0, fact),)


@pytest.mark.hazard(6)
def test_the_time_of_its_making_proves_a_result_where_a_station_has_nothing_else(a_world):
    world = a_world()
    world.wire = only_dated
    finish(world, parts=3)
    assert troubles(world, parts=serials(world)) == []
    assert world.state.unassigned == ()


@pytest.mark.hazard(6)
def test_a_result_that_was_made_when_the_start_was_ordered_is_of_a_run_before(a_world):
    """At the very time that the station had shown last, and by a station that shows no time at all: neither proves anything."""
    world = a_world()
    world.wire = only_dated
    while not (run := world.state.stations["scan-1"].run) or run.stage != "measuring":
        world.run(world.now_ms + 1_000)
    result = ResultArrived(
        station="scan-1", source_ms=run.source_before_ms, boot=run.boot_before, result_id="x",
        run_id="", serial="", counter=-1, scope="final", values=(), created_ms=run.source_before_ms,
    )  # fmt: skip
    world.tell(result)
    (aside,) = world.state.unassigned
    assert "before the start: made 0 ms before what the station showed then" in aside.why
    station = world.state.stations["scan-1"]
    timeless = replace(station, run=replace(run, source_before_ms=0))
    state = replace(world.state, stations={**world.state.stations, "scan-1": timeless})
    decision = world.core.decide(
        state, replace(result, result_id="y", created_ms=10**15), world.now_ms
    )
    assert "neither a run id nor a counter nor a time" in decision.state.unassigned[-1].why


@pytest.mark.hazard(8)
@pytest.mark.parametrize(
    ("later_ms", "made", "taken"), [(200, 0, True), (200, 7, False), (1_000, -1_000, False)]
)
def test_a_time_of_whole_seconds_means_any_time_of_its_second(a_world, later_ms, made, taken):
    """A camera that needs 200 ms and cuts its times is believed; a finer time, or the second before, is of a run before."""
    world = a_world(pallets=1)
    while not (run := world.state.stations["scan-1"].run) or run.stage != "measuring":
        world.run(world.now_ms + 1_000)
    second_ms = run.source_before_ms // 1_000 * 1_000
    station = world.state.stations["scan-1"]
    begun = replace(run, source_before_ms=second_ms + later_ms)
    state = replace(
        world.state, stations={**world.state.stations, "scan-1": replace(station, run=begun)}
    )
    result = ResultArrived(
        station="scan-1", source_ms=second_ms + later_ms, boot=run.boot_before, result_id="x", run_id=run.run_id,
        serial=run.serial, counter=run.counter_before + 1, scope="final", values=(), created_ms=second_ms + made,
    )  # fmt: skip
    decision = world.core.decide(state, result, world.now_ms)
    assert (decision.state.unassigned == ()) == taken
    assert (decision.state.stations["scan-1"].figures.runs == 1) == taken


def test_a_clock_that_was_set_back_contradicts_nothing_that_all_else_proves(a_world):
    """By an hour, while the run went on: the result names its run beside its values, and is counted as the next."""
    world = a_world(pallets=1)
    world.wire = results_changed(
        lambda fact: [
            (0, replace(fact, created_ms=fact.source_ms - 3_600_000, run_said_by="result"))
        ]
    )
    finish(world, parts=1)
    assert troubles(world, parts=serials(world)) == []
    assert world.state.unassigned == ()


@pytest.mark.hazard(8)
def test_who_is_asked_about_a_missing_result_is_told_that_one_came_and_why_it_was_not_believed(
    a_world,
):
    """As from a station whose clock was set back by an hour."""
    world = a_world(pallets=1)
    world.wire = results_changed(
        lambda fact: [(0, replace(fact, created_ms=fact.source_ms - 3_600_000))]
    )
    until(world, lambda: stands(world) == ["result-missing"])
    (hold,) = world.state.holds.values()
    assert "reads 'finished'; a result was kept aside: it is from before the start" in hold.seen


@pytest.mark.hazard(6)
def test_a_result_for_a_station_without_a_run_is_kept_aside(a_world):
    world = a_world(pallets=1)
    result = ResultArrived(
        station="ct-1",
        source_ms=1,
        boot="1",
        result_id="x",
        run_id="R5",
        serial="",
        counter=1,
        scope="final",
        values=(),
    )
    world.tell(result)
    world.tell(result)
    world.tell(replace(result, station="no such station"))
    assert [aside.result_id for aside in world.state.unassigned] == ["x"]


def without_echo(fact):
    """Stations that echo nothing: they only count their results."""
    if isinstance(fact, StationObserved | ResultArrived):
        fact = replace(fact, run_id="", serial="")
    return ((0, fact),)


def test_stations_that_only_count_their_results_do_the_whole_job(a_world):
    world = a_world(pallets=6)
    world.wire = without_echo
    finish(world, parts=6)
    assert troubles(world, parts=serials(world)) == []
    assert world.state.holds == {}


def test_a_value_of_bad_quality_is_measured_once_more_and_then_reported(a_world):
    world = a_world(pallets=1)
    touch = world.models.stations["touch-1"]
    touch.spoil_next()
    finish(world, parts=1)
    assert troubles(world, parts=serials(world)) == []
    (record,) = world.records
    assert record.verdict == "conforming"
    world = a_world(pallets=1)
    for _ in range(9):
        world.models.stations["touch-1"].spoil_next()
        world.models.stations["scan-1"].spoil_next()
    finish(world, parts=1)
    (record,) = world.records
    assert record.verdict == "station error"
    assert len(world.starts) <= 4


@pytest.mark.parametrize(
    ("unseen", "stage"),
    [
        (("running", "part free", "finished"), "starting"),
        (("part free", "finished"), "measuring"),
        (("finished",), "evaluating"),
    ],
)
def test_a_result_may_come_before_the_image_that_shows_the_run_finished(a_world, unseen, stage):
    """Levels and results come on separate ways; whichever is first, the run is over once."""
    world = a_world(pallets=1)
    stages = []

    def wire(fact):
        if isinstance(fact, StationObserved) and fact.station == "scan-1" and fact.work in unseen:
            return ()
        if isinstance(fact, ResultArrived) and fact.station == "scan-1":
            stages.append(world.state.stations["scan-1"].run.stage)
        return ((0, fact),)

    world.wire = wire
    while not stages:
        world.run(world.now_ms + 5_000)
        for hold in list(world.state.holds.values()):
            world.tell(HoldReleased(hold=hold.hold, answer="wait", by="a person", place=""))
    assert stages == [stage]
    world.wire = straight
    world.cut("scan-1")
    world.mend("scan-1")
    finish(world, parts=1)
    assert troubles(world, parts=serials(world)) == []
    assert world.state.unassigned == ()


@pytest.mark.parametrize("unseen", [("running",), ("running", "part free")])
def test_a_run_that_is_first_seen_further_on_is_followed_from_there(a_world, unseen):
    world = a_world(pallets=1)

    def wire(fact):
        return () if isinstance(fact, StationObserved) and fact.work in unseen else ((0, fact),)

    world.wire = wire
    while not world.records:
        world.run(world.now_ms + MINUTE_MS, done=lambda _: bool(world.records))
        for hold in list(world.state.holds.values()):
            world.tell(HoldReleased(hold=hold.hold, answer="wait", by="a person", place=""))
    finish(world, parts=1)
    assert troubles(world, parts=serials(world)) == []


# --- runs that end badly ----------------------------------------------------------------------------------------------------------


@pytest.mark.hazard(31)
def test_a_run_that_the_station_breaks_off_is_repeated_at_most_once(a_world):
    world = a_world(pallets=1)
    touch = world.models.stations["touch-1"]

    def breaks_off(_world):
        if touch.image().work == "acquiring":
            touch.break_off()
            world.look()
        return bool(world.records) and not world.state.pallets

    world.run(world.now_ms + DAY_MS, done=breaks_off)
    assert troubles(world, parts=serials(world)) == []
    (record,) = world.records
    assert record.verdict == "not measured"
    tried = [run for run in world.starts if "touch-1" in started_at(world, run)]
    assert len(tried) == 2


def started_at(world, run_id):
    return {
        command.station
        for entry in world.journal.entries
        for command in entry.commands
        if isinstance(command, StartRun) and command.run_id == run_id
    }


RESTARTS = [
    (station, work)
    for station in ("scan-1", "touch-1", "ct-1")
    for work in ("prepared", "acquiring", "evaluating", "finished")
    if (station, work) != ("touch-1", "evaluating")  # it gives part and result at once
]


@pytest.mark.parametrize(("station", "work"), RESTARTS)
@pytest.mark.hazard(17)
def test_a_station_that_restarts_is_asked_anew_and_every_part_is_finished(a_world, station, work):
    world = a_world(pallets=6)
    model = world.models.stations[station]
    if work == "finished":
        world.wire = results_changed(lambda fact: [(10_000, fact)])
    if work == "prepared":
        pause_before_the_start(world, station)
    until(world, lambda: model.image().work == work)
    world.reboot(station)
    world.tell(CellOrdered(want="run", by="a person"))
    finish(world, parts=6)
    assert troubles(world, parts=serials(world)) == []
    assert world.state.holds == {}


def pause_before_the_start(world, station):
    until(world, lambda: getattr(world.state.stations[station].run, "stage", "") == "preparing")
    world.tell(CellOrdered(want="pause", by="a person"))


@pytest.mark.hazard(7)
def test_an_image_of_a_finished_run_is_no_new_one(a_world):
    """Until the station has taken the acknowledgement it goes on to show the run that is over."""
    world = a_world(pallets=2)
    world.goes_lost = lambda goal: isinstance(goal, AcknowledgeResult)
    world.run(world.now_ms + 10 * MINUTE_MS)
    assert "foreign-run" not in stands(world)
    world.goes_lost = lambda _goal: False
    world.run(world.now_ms + 2 * MINUTE_MS)
    for hold in list(world.state.holds.values()):
        assert hold.code == "prepare-failed"
        world.tell(HoldReleased(hold=hold.hold, answer="try again", by="a person", place=""))
    finish(world, parts=2)
    assert troubles(world, parts=serials(world)) == []


@pytest.mark.parametrize("shown", ["preparing", "prepared"])
@pytest.mark.hazard(4, 19)
def test_somebody_elses_run_is_noticed_while_ours_is_made_ready(a_world, shown):
    """It used to wait in silence."""
    world = a_world(pallets=2)
    pause_before_the_start(world, "touch-1")
    until(world, lambda: world.state.stations["touch-1"].run.stage == shown)
    image = observed(world, "touch-1")
    world.tell(replace(image, source_ms=image.source_ms + 1, work="running", run_id="BY HAND"))
    assert stands(world) == ["foreign-run"]


@pytest.mark.parametrize("work", ["part free", "finished", "aborted"])
def test_somebody_elses_run_that_nobody_saw_is_noticed_by_what_it_left_behind(a_world, work):
    """At a station that shows no names; the cell used to wait in silence (found by the proof)."""
    world = a_world(pallets=2)
    pause_before_the_start(world, "touch-1")
    until(world, lambda: world.state.stations["touch-1"].run.stage == "prepared")
    image = observed(world, "touch-1")
    world.tell(replace(image, source_ms=image.source_ms + 1, work=work, run_id="", program=""))
    assert stands(world) == ["foreign-run"]
    # Whoever ran it may have loaded another program, which such a station cannot tell: ours is prepared anew.
    assert world.state.stations["touch-1"].run is None
    world.tell(replace(image, source_ms=image.source_ms + 2))
    world.tell(CellOrdered(want="run", by="a person"))
    answer(world, "foreign-run", "clear")
    finish(world, parts=2)
    assert troubles(world, parts=serials(world)) == []


def starts_wanted(world):
    return [o.goal for o in world.state.outstanding.values() if isinstance(o.goal, StartRun)]


@pytest.mark.hazard(5)
def test_a_start_whose_fate_is_unknown_is_not_repeated_blindly(a_world):
    """The start was carried out, the link broke, and the station cannot echo: only a counter that did not move speaks for a repeat."""
    world = a_world(pallets=1)
    world.goes_lost = lambda goal: isinstance(goal, StartRun)
    until(world, lambda: bool(starts_wanted(world)))
    (goal,) = starts_wanted(world)
    before = len(world.journal.entries)
    image = observed(world, goal.station)
    for counter in (-1, image.counter + 1):
        world.state = world.core.decide(
            world.state, replace(image, link="down"), world.now_ms
        ).state
        shown = replace(image, source_ms=image.source_ms + 9, work="prepared", run_id="", serial="")
        decision = world.core.decide(world.state, replace(shown, counter=counter), world.now_ms)
        assert not [c for c in decision.commands if isinstance(c, StartRun)]
    assert len(world.journal.entries) == before


def link_lost_until(world, image, **shown):
    """What goes out when a station comes back after a cut and shows this."""
    now_ms = world.now_ms
    world.state = world.core.decide(world.state, replace(image, link="down"), now_ms).state
    back = replace(image, source_ms=image.source_ms + 9, **shown)
    decision = world.core.decide(world.state, back, now_ms)
    world.state = decision.state
    return decision.commands


def lost_at(world, kind, *, after_another=False):
    """The station that a goal of this kind was lost to; ``after_another``: one that has a run behind it."""

    def is_it(goal):
        return isinstance(goal, kind) and (
            not after_another or bool(world.state.stations[goal.station].ended)
        )

    world.goes_lost = is_it
    until(world, lambda: any(is_it(o.goal) for o in world.state.outstanding.values()))
    (goal,) = [o.goal for o in world.state.outstanding.values() if is_it(o.goal)]
    return goal.station


@pytest.mark.hazard(5)
def test_a_start_whose_fate_is_unknown_is_repeated_where_a_second_one_begins_nothing(a_world):
    world = a_world(pallets=1)
    station = lost_at(world, StartRun)
    declared = world.core.tables.stations
    declared[station] = replace(declared[station], start_twice="one run")
    given = link_lost_until(
        world, observed(world, station), work="prepared", run_id="", serial="", counter=-1
    )
    assert [c.station for c in given if isinstance(c, StartRun)] == [station]


@pytest.mark.hazard(5, 17)
def test_a_start_is_repeated_where_the_station_names_the_run_before(a_world):
    """No acknowledgement, no counter: whoever connects anew is shown the result before, and that ours has not begun."""
    world = a_world(pallets=4)
    station = lost_at(world, StartRun, after_another=True)
    before = world.state.stations[station].ended[0]
    given = link_lost_until(
        world, observed(world, station), work="finished", run_id=before, serial="", counter=-1
    )
    assert [c.station for c in given if isinstance(c, StartRun)] == [station]


@pytest.mark.hazard(17)
def test_the_result_before_is_acknowledged_again_where_it_stands_in_the_way_of_the_next_program(
    a_world,
):
    """A supervisor that died amid the order to prepare asked a person about it (found by killing it at machine vision)."""
    world = a_world(pallets=4)
    station = lost_at(world, PrepareProgram, after_another=True)
    image = observed(world, station)
    before = world.state.stations[station].ended[0]
    given = link_lost_until(world, image, work="finished", run_id=before, serial="")
    assert [c.run_id for c in given if isinstance(c, AcknowledgeResult)] == [before]
    assert not [c for c in given if isinstance(c, PrepareProgram)]
    quiet = replace(image, source_ms=image.source_ms + 19, work="idle", run_id="", serial="")
    given = world.core.decide(world.state, quiet, world.now_ms).commands
    assert [c.station for c in given if isinstance(c, PrepareProgram)] == [station]


@pytest.mark.hazard(17)
def test_the_result_before_is_nobody_elses_when_the_next_program_is_prepared(a_world):
    world = a_world(pallets=4)
    until(world, lambda: bool(world.state.stations["touch-1"].ended))
    pause_before_the_start(world, "touch-1")
    until(world, lambda: world.state.stations["touch-1"].run.stage == "prepared")
    before = world.state.stations["touch-1"].ended[0]
    image = observed(world, "touch-1")
    link_lost_until(world, image, work="finished", run_id=before, serial="")
    assert stands(world) == []
    assert world.state.stations["touch-1"].run.stage == "prepared"
    link_lost_until(world, image, work="finished", run_id="BY HAND", serial="")
    assert stands(world) == ["foreign-run"]


@pytest.mark.hazard(35)
def test_a_paused_cell_starts_nothing_and_goes_on_where_it_was(a_world):
    world = a_world(pallets=3)
    until(world, lambda: acquiring(world, "touch-1"))
    world.tell(CellOrdered(want="pause", by="a person"))
    begun = len(world.starts)
    world.run(world.now_ms + 60 * MINUTE_MS)
    assert len(world.starts) == begun
    assert not any(world.state.handler.jaws)
    assert world.state.holds == {}
    world.tell(CellOrdered(want="run", by="a person"))
    finish(world, parts=3)
    assert troubles(world, parts=serials(world)) == []


def test_a_pause_fetches_no_pallet_that_still_stands_in_its_place(a_world):
    """The handler is on its way to a pallet: it stops before it, with nothing in hand."""
    world = a_world(pallets=3)

    def on_its_way():
        carry, handler = world.state.handler.carry, world.state.handler
        return (
            carry is not None
            and carry.pallet not in handler.jaws
            and handler.stage == "approaching"
        )

    until(world, on_its_way)
    world.tell(CellOrdered(want="pause", by="a person"))
    world.run(world.now_ms + 60 * MINUTE_MS)
    assert world.state.handler.carry is None
    assert not any(world.state.handler.jaws)
    world.tell(CellOrdered(want="run", by="a person"))
    finish(world, parts=3)
    assert troubles(world, parts=serials(world)) == []


def test_a_program_that_was_ruled_out_is_left_to_another_station(a_world):
    """The optical station has lost its programs; what the tactile one can decide is decided there, the rest is not measured."""
    world = a_world(pallets=1)
    world.goes_lost = lambda goal: isinstance(goal, PrepareProgram) and goal.station == "scan-1"
    until(world, lambda: stands(world) == ["prepare-failed"])
    answer(world, "prepare-failed", "give up")
    finish(world, parts=1)
    assert troubles(world, parts=serials(world)) == []
    (record,) = world.records
    decided = {finding.number for finding in record.findings if finding.decided_by}
    assert decided == {"1", "2"}
    assert record.verdict == "not measured"


def test_a_timer_that_nobody_waits_for_changes_nothing(a_world):
    world = a_world(pallets=1)
    world.run(world.now_ms + MINUTE_MS)
    state = world.state
    for timer in ("run of touch-1", "handler", "nest of nowhere", "", "tag at rack-99", "x y z"):
        if timer not in state.timers:
            world.tell(TimerFired(timer=timer))
    for timer in state.timers:
        world.tell(TimerFired(timer=timer))
    assert world.state == state


def test_every_hold_about_a_run_ends_with_the_run(a_world):
    world = a_world(pallets=1)
    world.models.stations["touch-1"].duration_factor = 3.0
    until(world, lambda: stands(world) == ["run-late"])
    finish(world, parts=1)
    assert world.state.holds == {}
    assert HOLDS["run-late"].answers == ("wait", "abort")
    assert troubles(world, parts=serials(world)) == []

"""Rules of a run: program prepared, started at most once, followed to its end, its result taken with proof.

Rules of this file:
- A run is ours only if the station's echo says so, or if the station cannot echo and nothing contradicts.
- A result is taken only with proof of belonging: an echoed run id, a counter that moved by one since the start, or a time of its
  making after the start, on the station's own clock; and only if nothing that it says contradicts.
- A run that ends without a result counts as one try of its program for that pallet; tries are bounded by the verdict room.
"""

from supervisor.cell.model import Program
from supervisor.cell.value import replace
from supervisor.core import (
    calibration,
    interlocks,
    pallets,
    reference_parts,
    reservations,
    soaking,
    stations,
    studies,
    trust,
    views,
)
from supervisor.core.commands import PrepareProgram, StartRun
from supervisor.core.draft import Draft, held
from supervisor.core.events import ResultArrived
from supervisor.core.state import Run, StationState
from supervisor.core.transitions import RUN, next_stage
from supervisor.verdict.result import StationResult

UNDER_WAY = ("starting", "measuring", "evaluating", "finished")


def _move_run(draft: Draft, station: str, trigger: str) -> None:
    run = draft.stations[station].run
    assert run is not None
    draft.change_station(station, run=replace(run, stage=next_stage(RUN, run.stage, trigger)))
    draft.rethink = "yes"


def run_names(run: Run) -> tuple[str, str]:
    """The names under which a station may echo a run: as text, or as a number."""
    return run.run_id, str(run.run_no)


def speaks_of(station: StationState, run: Run) -> bool:
    """Whether the station's present work is about this run, as far as it can tell."""
    if station.run_id:
        return station.run_id in run_names(run)
    return not station.serial or station.serial == run.serial


# --- the way of a run -----------------------------------------------------------------------------------------------------------


def begin_run(draft: Draft, station: str) -> None:
    """Choose the next program for the pallet in the nest, unless the handler is about to take it."""
    state = draft.stations[station]
    pallet = draft.pallets.get(state.pallet)
    if (
        soaking.waits_in_nest(draft, station)
        or state.run is not None
        or pallet is None
        or pallet.stage != "visiting"
        or draft.want == "pause"
        or held(draft, pallet.pallet) is not None
        or reservations.of(draft, pallet.pallet) is not None
    ):
        return
    if (
        state.bay == "entered"
        or pallets.stop_due_at(draft, station)
        or stations.unusable(draft, station)
    ):
        return
    usable = tuple(name for name in draft.stations if not stations.unusable(draft, name))
    name = draft.tables.router.next_program(views.view(draft, pallet), station, usable)
    if name:
        _choose_program(draft, station, name)


def _choose_program(draft: Draft, station: str, name: str) -> None:
    state = draft.stations[station]
    pallet = draft.pallets[state.pallet]
    program = draft.tables.programs[name]
    number = draft.number()
    run = Run(
        run_id=f"R{number}",
        run_no=number,
        stage=next_stage(RUN, "none", "program chosen"),
        pallet=pallet.pallet,
        serial=pallet.serial,
        part_type=pallet.part_type,
        program=name,
        counter_before=-1,
        boot_before="",
        started_ms=0,
        study=studies.study_of(draft, pallet.pallet),
    )
    draft.change_station(station, run=run, prepared="")
    _want_program(draft, station, program)
    _acknowledge_leftover(draft, station)


def _want_program(draft: Draft, station: str, program: Program) -> None:
    draft.want_goal(
        PrepareProgram(
            order=draft.number(),
            station=station,
            program=program.program,
            name=program.name,
            number=program.number,
            revision=program.revision,
            part_type=program.part_type,
        )
    )
    limit_ms = draft.tables.stations[station].start_ms_max
    draft.start_timer(
        f"program of {station}", limit_ms, f"{station} should have {program.name} prepared"
    )


def _acknowledge_leftover(draft: Draft, station: str) -> None:
    """A run that is over for us may stand finished at the station still: given up meanwhile, or its acknowledgement went lost."""
    state = draft.stations[station]
    if state.work in ("finished", "aborted") and f"result of {station}" not in draft.outstanding:
        stations.acknowledge(draft, station, state.run_id or next(iter(state.ended), ""))


def look_at_run(draft: Draft, station: str) -> None:
    """Follow the run by what the station's image says of it."""
    run = draft.stations[station].run
    if run is not None and run.stage in UNDER_WAY:
        _look_at_work(draft, station, run)
        return
    _look_for_foreign_work(draft, station)
    run = draft.stations[station].run
    if run is not None:
        _look_at_preparation(draft, station, run)


def _look_for_foreign_work(draft: Draft, station: str) -> None:
    """Somebody else operates the station. What was made ready for us there is made ready anew once a person has seen to it."""
    state = draft.stations[station]
    if f"result of {station}" in draft.outstanding or not _is_foreign(state):
        return
    seen = f"the station reports '{state.work}' for {state.run_id or 'a run'} that was not started from here"
    draft.hold("foreign-run", "station", station, seen)
    withdraw_run(draft, station)


def _is_foreign(state: StationState) -> bool:
    """Whether a station, at which no start of ours is out, shows work of somebody else.

    It was quiet when it took our program: whatever it shows after that is new, unless it names a run that is over. Before, it may still
    show our last run, named or not.
    """
    if state.run is not None and state.run.stage == "prepared":
        over = state.work in ("finished", "aborted") and state.run_id in state.ended
        return not over and state.work in ("running", "part free", "finished", "aborted")
    if state.work not in ("running", "part free", "finished") or state.run_id in state.ended:
        return False
    return state.run_id != "" or state.work == "running"


def _look_at_preparation(draft: Draft, station: str, run: Run) -> None:
    state = draft.stations[station]
    if (
        state.gate
        or calibration.over(draft, station)
        or trust.useless(draft, station, run)
        or held(draft, run.pallet) is not None
        or _comes_too_late(draft, run)
    ):
        withdraw_run(draft, station)  # the part may be wanted elsewhere meanwhile
        return
    program = draft.tables.programs[run.program]
    shown = state.program in (program.name, str(program.number))
    if run.stage == "preparing" and state.run_id in state.ended:
        # Where a standard knows no acknowledgement, whoever connects anew meets the last result as if nobody had taken it.
        _acknowledge_leftover(draft, station)
    if run.stage == "preparing" and state.work == "prepared" and shown:
        program_prepared(draft, station)
    elif run.stage == "prepared" and state.boot != run.boot_before:
        _move_run(draft, station, "program lost")
        draft.change_station(station, prepared="")
        _want_program(draft, station, program)
    elif run.stage == "prepared" and state.program and not shown:
        _move_run(draft, station, "program lost")
        draft.change_station(station, prepared="")
        draft.hold(
            "prepare-failed",
            "station",
            station,
            f"the station shows {state.program}, not {program.name}",
        )
    if run_of(draft, station).stage == "prepared":
        _start(draft, station)


def _comes_too_late(draft: Draft, run: Run) -> bool:
    """Whether another station's result has ended the measuring of the part meanwhile, as its plan says (``verdict.stopping``)."""
    pallet = draft.pallets.get(run.pallet)
    if pallet is None or run.study:
        return False
    ends = draft.tables.plans[run.part_type].part_type.measure == "until_nonconforming"
    return ends and not pallet.open and pallet.stage == "visiting"


def run_of(draft: Draft, station: str) -> Run:
    """The run of a station that is known to have one."""
    run = draft.stations[station].run
    assert run is not None
    return run


def program_prepared(draft: Draft, station: str) -> None:
    """The station has the program ready, as its image or its answer says."""
    state = draft.stations[station]
    run = state.run
    if run is not None and run.stage == "preparing":
        known = replace(run, boot_before=state.boot)
        draft.change_station(station, run=known, prepared=run.program)
        _move_run(draft, station, "program prepared")
        draft.end_goal(f"program of {station}")


def _start(draft: Draft, station: str) -> None:
    """Order the start once every interlock allows it."""
    state = draft.stations[station]
    run = run_of(draft, station)
    program = draft.tables.programs[run.program]
    goal = StartRun(
        order=draft.next_order,
        station=station,
        run_id=run.run_id,
        run_no=run.run_no,
        program=run.program,
        name=program.name,
        number=program.number,
        revision=program.revision,
        part_type=run.part_type,
        serial=run.serial,
        pallet=run.pallet,
    )
    if draft.want == "pause" or not interlocks.allowed(draft, goal):
        return
    draft.number()
    marked = replace(
        run,
        counter_before=state.counter,
        boot_before=state.boot,
        source_before_ms=state.source_ms,
        started_ms=draft.at_ms,
    )
    draft.change_station(station, run=marked)
    _move_run(draft, station, "start ordered")
    draft.want_goal(goal)
    limit_ms = draft.tables.stations[station].start_ms_max
    draft.start_timer(f"run of {station}", limit_ms, f"{station} should show run {run.run_id}")


def _look_at_work(draft: Draft, station: str, run: Run) -> None:
    """Follow a run that was ordered to start."""
    state = draft.stations[station]
    if not speaks_of(state, run):
        if run.stage != "starting" or state.boot != run.boot_before:
            _lost(draft, station)
        return
    if state.work == "aborted":
        _lost(draft, station)
        stations.acknowledge(draft, station, run.run_id)
    elif state.work in ("running", "part free", "finished"):
        _follow(draft, station, run)
    elif state.work in ("idle", "prepared") and (run.stage != "starting" or _restarted(state, run)):
        _lost(draft, station)


def _restarted(state: StationState, run: Run) -> bool:
    return run.boot_before not in ("", state.boot)


FOLLOWS = {"running": "running seen", "part free": "part free seen", "finished": "finished seen"}
RANK = {"starting": 0, "measuring": 1, "evaluating": 2, "finished": 3}
REACHED = {"running": 1, "part free": 2, "finished": 3}


def _follow(draft: Draft, station: str, run: Run) -> None:
    """The station shows the run further on than we knew."""
    state = draft.stations[station]
    if REACHED[state.work] <= RANK[run.stage]:
        return
    program = draft.tables.programs[run.program]
    config = draft.tables.stations[station]
    if run.stage == "starting":
        draft.end_goal(f"run of {station}")
    if run.stage in ("starting", "measuring") and state.work != "running":
        figures = state.figures
        draft.change_station(
            station,
            figures=replace(figures, busy_ms=figures.busy_ms + draft.at_ms - run.started_ms),
        )
    _move_run(draft, station, FOLLOWS[state.work])
    expected_ms = {
        "running": program.part_free_ms,
        "part free": program.result_ms - program.part_free_ms,
        "finished": 0,
    }[state.work]
    limit_ms = config.start_ms_max + int(expected_ms * config.late_factor)
    draft.start_timer(
        f"run of {station}",
        limit_ms,
        f"run {run.run_id} at {station} should go on from '{state.work}'",
    )


def _lost(draft: Draft, station: str) -> None:
    """A run ended without a result: its characteristics are open again, and the try counts."""
    run = run_of(draft, station)
    _end_run(draft, station)
    if run.study:
        studies.count_lost(draft, run)
    elif run.pallet in draft.pallets:
        pallets.count_try(draft, run.pallet, run.program)
    if run.pallet in draft.pallets:
        pallets.look_at_part(draft, run.pallet)


def _end_run(draft: Draft, station: str) -> None:
    """A run that was never ordered to start leaves nothing for the station to show; one before it may stand there still."""
    state = draft.stations[station]
    run = run_of(draft, station)
    ended = run_names(run) if run.stage in UNDER_WAY else state.ended
    _move_run(draft, station, "run given up")
    draft.change_station(station, run=None, ended=ended, prepared="")
    for about in (f"run of {station}", f"program of {station}"):
        draft.end_goal(about)
    _end_run_holds(draft, station)


def withdraw_run(draft: Draft, station: str) -> None:
    """A run that was never ordered to start is not wanted any more, at least not now: that is no try.

    Its part may have waited for nothing else: another station's result can have ended the measuring meanwhile.
    """
    run = draft.stations[station].run
    if run is not None and run.stage not in UNDER_WAY:
        _end_run(draft, station)
        if run.pallet in draft.pallets:
            pallets.look_at_part(draft, run.pallet)


def rule_out_program(draft: Draft, station: str) -> None:
    """A person said that the program of a run that has not started cannot be had: this part is not asked to wait for it again."""
    run = draft.stations[station].run
    if run is not None and run.stage not in UNDER_WAY:
        _end_run(draft, station)
        if run.study:
            studies.give_up(draft, run, "a person gave its program up")
        else:
            pallets.rule_out(draft, run.pallet, run.program)


RUN_HOLDS = ("start-unconfirmed", "run-late", "result-missing")


def _end_run_holds(draft: Draft, station: str) -> None:
    """The run that a person was asked about is over: the question is, too."""
    for hold in sorted(draft.holds):
        if draft.holds[hold].subject == station and draft.holds[hold].code in RUN_HOLDS:
            draft.end_hold(hold)


def give_up_run(draft: Draft, station: str) -> None:
    """A person said that the run of a station is not to be waited for."""
    run = draft.stations[station].run
    if run is not None:
        _lost(draft, station)


def on_run_timer(draft: Draft, station: str) -> None:
    """A run did not get on in time."""
    run = draft.stations[station].run
    if run is None:
        return
    state = draft.stations[station]
    code = {"starting": "start-unconfirmed", "finished": "result-missing"}.get(
        run.stage, "run-late"
    )
    draft.hold(
        code,
        "station",
        station,
        f"run {run.run_id} is {run.stage}, the station reads '{state.work}'{_set_aside(draft, station, run)}",
    )


def _set_aside(draft: Draft, station: str, run: Run) -> str:
    """That a result came during a run and was not believed: whoever is asked about the run has to know it."""
    whys = [
        aside.why
        for aside in draft.unassigned
        if aside.station == station and aside.at_ms >= run.started_ms
    ]
    return f"; a result was kept aside: {whys[-1]}" if whys else ""


def on_program_timer(draft: Draft, station: str) -> None:
    """A program was not prepared in time."""
    state = draft.stations[station]
    if state.run is not None and state.run.stage == "preparing":
        name = draft.tables.programs[state.run.program].name
        seen = f"{name} is not prepared: the station reads '{state.work}' with {state.program or 'no program'}"
        draft.hold("prepare-failed", "station", station, seen)


# --- results --------------------------------------------------------------------------------------------------------------------


def on_result_arrived(draft: Draft, event: ResultArrived) -> None:
    """Take a result that is proven to belong to the station's run; keep any other aside."""
    state = draft.stations.get(event.station)
    if state is None or event.scope == "partial" or _known(draft, event):
        return
    doubt = _doubt(state, event)
    if doubt:
        draft.keep_aside(event, doubt, event.serial)
    else:
        _take(draft, event)


def _known(draft: Draft, event: ResultArrived) -> bool:
    """Whether this very result was taken or kept aside before: a repeat changes nothing."""
    if any(
        aside.station == event.station and aside.result_id == event.result_id
        for aside in draft.unassigned
    ):
        return True
    return any(
        result.station == event.station and result.result_id == event.result_id
        for pallet in draft.pallets.values()
        for result in pallet.results
    ) or studies.knows_result(draft, event.station, event.result_id)


def _doubt(state: StationState, event: ResultArrived) -> str:
    """Why a result cannot be proven to belong to the station's run; "" when it is proven."""
    run = state.run
    if run is None or run.stage not in UNDER_WAY:
        return "no run of ours is under way at the station"
    if event.serial and event.serial != run.serial:
        return f"it names serial number {event.serial}, not {run.serial}"
    too_old = _is_dated(run, event) and _made_by_ms(event) <= run.source_before_ms
    if too_old and not _is_proven_whatever_the_clock(run, event):
        early_ms = run.source_before_ms - event.created_ms
        return f"it is from before the start: made {early_ms} ms before what the station showed then, on its own clock"
    if event.run_id:
        return (
            ""
            if event.run_id in run_names(run)
            else f"it names run {event.run_id}, not {run.run_id}"
        )
    if event.boot != run.boot_before:
        return "the station restarted since the run was started, and the result names no run"
    if event.counter >= 0 and run.counter_before >= 0:
        return (
            ""
            if event.counter == run.counter_before + 1
            else "the station's result counter did not move by one"
        )
    return "" if _is_dated(run, event) else "it carries neither a run id nor a counter nor a time"


def _is_proven_whatever_the_clock(run: Run, event: ResultArrived) -> bool:
    """Whether everything but its time says that a result is of the run: then the station's clock was set back, or results have another.

    It has to name the run beside its own values: a name that the station shows elsewhere may stand over the values of a run before.
    """
    counted = run.counter_before >= 0 and event.counter == run.counter_before + 1
    named = event.run_said_by == "result" and event.run_id in run_names(run)
    return named and counted and event.boot == run.boot_before


def _is_dated(run: Run, event: ResultArrived) -> bool:
    """Whether the result says when it was made, and the station had shown its clock before the start: it is compared with no other."""
    return event.created_ms >= 0 and run.source_before_ms > 0


def _made_by_ms(event: ResultArrived) -> int:
    """When the result was made at the latest: a time of whole seconds is one that was cut, and means any time of its second."""
    is_cut = event.created_ms % 1000 == 0
    return event.created_ms + 999 if is_cut else event.created_ms


def _take(draft: Draft, event: ResultArrived) -> None:
    run = run_of(draft, event.station)
    state = draft.stations[event.station]
    result = StationResult(
        result_id=event.result_id,
        station=event.station,
        run_id=run.run_id,
        program=run.program,
        measured_ms=draft.at_ms,
        values=event.values,
        part_c=event.part_c,
        compensated=event.compensated,
        doubts=trust.doubts(draft, event.station, run.part_type),
        checks=trust.last_checks(draft, event.station, run.part_type),
    )
    reference_parts.note_warmth(draft, event.station, event.part_c)
    figures = replace(state.figures, runs=state.figures.runs + 1)
    if run.stage in ("starting", "measuring"):
        figures = replace(figures, busy_ms=figures.busy_ms + draft.at_ms - run.started_ms)
    _move_run(draft, event.station, "result taken")
    draft.change_station(
        event.station, run=None, ended=run_names(run), prepared="", figures=figures
    )
    draft.end_goal(f"run of {event.station}")
    _end_run_holds(draft, event.station)
    stations.acknowledge(draft, event.station, run.run_id)
    if run.study and studies.add_reading(draft, run, result):
        return
    if run.pallet not in draft.pallets:
        draft.keep_aside(event, f"the part of run {run.run_id} has left the cell", event.serial)
    elif run.study:
        draft.keep_aside(event, f"gauge study {run.study} has ended", event.serial)
        pallets.look_at_part(draft, run.pallet)
    elif run.part_type in draft.tables.references and pallets.is_doubted(draft, run.pallet):
        draft.keep_aside(
            event, f"another carrier claims to be reference part {run.pallet}", event.serial
        )
    elif run.part_type in draft.tables.references:
        reference_parts.take_check(draft, run, result)
    else:
        pallets.add_result(draft, run.pallet, result)

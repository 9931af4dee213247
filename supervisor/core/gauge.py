"""Rules of a gauge study: chosen pallets are loaded into one station again and again, by ordinary moves.

Rules of this file:
- The study plans the visits of its pallets in place of their inspection plan: what is *open* for a pallet is what the studied program
  measures while the pallet is to be loaded or in its loading, and nothing otherwise. Routing, interlocks and runs know no difference.
- A pallet that has had its loading leaves the nest: swapped out by the next one, or carried home when nothing else is to be done. Only
  then does its next loading begin, so that clamping is part of what is studied.
- A study ends by itself: whole, or with the reason why not. What was measured stays in it. From then on its pallets are parts like any
  other, inspected by their plan; none of the study's values is among theirs.
- A fault of the station ends it: what is measured after a repair was not measured under the same conditions (JCGM 200:2012, 2.20).
"""

from supervisor.cell.model import racks_for_parts
from supervisor.cell.value import replace
from supervisor.core import pallets, reservations, stations, studies
from supervisor.core.draft import Draft
from supervisor.core.events import GaugeStudyOrdered, GaugeStudyStopped
from supervisor.core.state import CellState
from supervisor.core.tables import CellTables
from supervisor.process.gauge_study import (
    KEPT,
    LOADINGS_MAX,
    PALLETS_MAX,
    REPEATS_MAX,
    RUNS_MAX,
    End,
    GaugeStudy,
    in_visit,
    is_whole,
    loadings_done,
    next_up,
)
from supervisor.routing.situation import Carry, Stay

LOST_MAX = 3
"""How many runs may end without a result; a station that gives none so often is not studied but mended (our choice)."""


# --- ordered and stopped ------------------------------------------------------------------------------------------------------------


def refusal(tables: CellTables, state: Draft | CellState, order: GaugeStudyOrdered) -> str:
    """Why a study cannot be begun as it was ordered, in words; "" if it can."""
    going_on = studies.running(state)
    if going_on is not None:
        return f"gauge study {going_on.study} goes on: stop it, or wait for its end"
    program = tables.programs.get(order.program)
    if program is None or program.station != order.station:
        known = ", ".join(p.program for p in tables.cell.programs if p.station == order.station)
        return f"{order.station} has no program {order.program}: expected one of {known or 'none, it is no station of this cell'}"
    if not tables.router.decides(program.program):
        return f"program {program.program} decides no characteristic of {program.part_type}: its declared uncertainty is too large for all"
    return (
        _wrong_size(order)
        or _wrong_references(tables, order)
        or _no_room(tables, order)
        or _wrong_pallets(state, order, program.part_type)
    )


def _wrong_size(order: GaugeStudyOrdered) -> str:
    for what, number, most in (
        ("pallets", len(order.pallets), PALLETS_MAX),
        ("loadings", order.loadings, LOADINGS_MAX),
        ("repeats", order.repeats, REPEATS_MAX),
    ):
        if not 1 <= number <= most:
            return f"{number} {what}: expected 1 to {most}"
    runs = len(order.pallets) * order.loadings * order.repeats
    if not 1 < runs <= RUNS_MAX:
        return f"{runs} runs (pallets times loadings times repeats): expected 2 to {RUNS_MAX}"
    return "a pallet is named twice" if len(set(order.pallets)) < len(order.pallets) else ""


def _wrong_references(tables: CellTables, order: GaugeStudyOrdered) -> str:
    if order.references and len(order.pallets) > 1:
        return "calibrated values are of one part: expected one pallet"
    covered = tables.coverage[order.program]
    for reference in order.references:
        if reference.number not in covered:
            return f"program {order.program} does not measure characteristic {reference.number}: expected one of {', '.join(covered)}"
    return ""


def _no_room(tables: CellTables, order: GaugeStudyOrdered) -> str:
    """A pallet of a study comes back between its loadings. One from an infeed place has no place of its own for that."""
    racks = racks_for_parts(tables.cell)
    if tables.infeeds and len(order.pallets) > racks:
        most = f"at most {racks}" if racks > 0 else "none"
        return f"{len(order.pallets)} pallets: expected {most}, as each needs a rack place between its loadings and this cell has {max(racks, 0)} for parts"
    return ""


def _wrong_pallets(state: Draft | CellState, order: GaugeStudyOrdered, part_type: str) -> str:
    for name in order.pallets:
        pallet = state.pallets.get(name)
        if pallet is None:
            return f"{name} is not in the cell: put it into the rack first, best while the cell is paused"
        if pallet.stage not in ("planned", "visiting"):
            return (
                f"{name} is {pallet.stage}: expected one that is identified and has no verdict yet"
            )
        if reservations.claim_on(state, name) is not None:
            return (
                f"{name} is carried by the line: expected one that the cell's own handler carries"
            )
        if pallet.part_type != part_type:
            return f"{name} carries a {pallet.part_type}, the program measures {part_type}"
    return ""


def on_gauge_study_ordered(draft: Draft, event: GaugeStudyOrdered) -> None:
    """Begin a study; one that cannot be begun as ordered changes nothing."""
    if refusal(draft.tables, draft, event):
        return
    study = GaugeStudy(
        study=f"gauge-{draft.number()}",
        pallets=event.pallets,
        part_type=draft.tables.programs[event.program].part_type,
        station=event.station,
        program=event.program,
        loadings=event.loadings,
        repeats=event.repeats,
        references=event.references,
        by=event.by,
        declaration=draft.declaration,
        begun_ms=draft.at_ms,
    )
    draft.studies = (*draft.studies, study)[-KEPT:]
    draft.look_again("station", event.station)
    studies.await_result(draft, study)


def on_gauge_study_stopped(draft: Draft, event: GaugeStudyStopped) -> None:
    """End the study that goes on; another name changes nothing."""
    study = studies.running(draft)
    if study is not None and study.study == event.study:
        _end(draft, study, "stopped", f"{event.by}: {event.why}" if event.why else event.by)
        draft.look_again("station", study.station)


def on_study_timer(draft: Draft) -> None:
    """No result for too long: nobody looks after the study."""
    study = studies.running(draft)
    if study is not None:
        hours = studies.QUIET_MS_MAX // 3_600_000
        _end(draft, study, "too slow", f"it had no new result for {hours} h")
        draft.look_again("station", study.station)


def _end(draft: Draft, study: GaugeStudy, end: End, why: str) -> None:
    """The study is over: its pallets go their ordinary ways, and a run that has not started is an ordinary one."""
    studies.change(draft, replace(study, end=end, why=why, ended_ms=draft.at_ms))
    draft.end_timer(f"study of {study.station}")
    station = draft.stations.get(study.station)
    run = None if station is None else station.run
    if run is not None and run.study and run.stage in ("preparing", "prepared"):
        draft.change_station(study.station, run=replace(run, study=""))
    for pallet in study.pallets:
        if pallet in draft.pallets:
            pallets.look_at_part(draft, pallet)


# --- as it goes on ------------------------------------------------------------------------------------------------------------------


def look_at_study(draft: Draft) -> None:
    """End the study where that is due; else plan the visits of its pallets."""
    study = studies.running(draft)
    if study is None:
        return
    end, why = _ending(draft, study)
    if end:
        _end(draft, study, end, why)
    else:
        _plan_visits(draft, study)


def _ending(draft: Draft, study: GaugeStudy) -> tuple[End, str]:
    """How the study ends now, and why; "" while it goes on."""
    if is_whole(study):
        return "complete", "everything that was ordered has been measured"
    if draft.declaration != study.declaration:
        return "redeclared", "the cell's declaration has changed"
    gone = [pallet for pallet in study.pallets if pallet not in draft.pallets]
    if gone:
        return "pallet gone", f"{', '.join(gone)} left the cell"
    for hold in draft.holds.values():
        if hold.subject == study.station and hold.code == "station-fault":
            return "station failed", hold.seen
    if study.why:
        return "station failed", study.why
    if study.lost > LOST_MAX:
        return "station failed", f"{study.lost} runs ended without a result"
    return "", ""


def _plan_visits(draft: Draft, study: GaugeStudy) -> None:
    """What is open for each pallet of the study: all that the program measures, or nothing."""
    measured = tuple(draft.tables.coverage[study.program])
    others = tuple(
        program.program
        for program in draft.tables.cell.programs
        if program.part_type == study.part_type and program.program != study.program
    )
    up = _next_up(draft, study)
    for name in study.pallets:
        pallet = draft.pallets[name]
        if pallet.stage not in ("planned", "visiting"):
            continue
        wanted = measured if name == up or _in_its_loading(draft, study, name) else ()
        if (pallet.open, pallet.done) != (wanted, others):
            draft.change_pallet(name, open=wanted, done=others)


def _next_up(draft: Draft, study: GaugeStudy) -> str:
    in_nest = draft.stations[study.station].pallet
    in_hand = [jaw for jaw in draft.handler.jaws if jaw]
    ready = {
        name
        for name in study.pallets
        if name in in_hand or pallets.may_travel(draft, draft.pallets[name])
    }
    return next_up(study, in_nest=in_nest, in_hand=in_hand, ready=ready)


def _in_its_loading(draft: Draft, study: GaugeStudy, name: str) -> bool:
    """Whether a pallet stands in the studied nest and has not had all runs of this loading."""
    pallet = draft.pallets[name]
    if pallet.place != study.station:
        return False
    return (
        loadings_done(study)[name] < study.loadings
        and in_visit(study, name, pallet.visits) < study.repeats
    )


def unloading(draft: Draft, stay: Stay) -> Carry | None:
    """Bringing a pallet home from the studied nest, when routing has nothing to carry; None if that is not due or not possible."""
    study = studies.running(draft)
    if study is None or stations.locked(draft, study.station):
        return None
    station = draft.stations[study.station]
    pallet = draft.pallets.get(station.pallet)
    if pallet is None or pallet.pallet not in study.pallets or station.run is not None:
        return None
    if _in_its_loading(draft, study, pallet.pallet) or not pallets.may_travel(draft, pallet):
        return None
    home = draft.places.get(pallet.home)
    if home is None or home.pallet or home.reserved != pallet.pallet:
        return None
    return Carry(
        pallet=pallet.pallet,
        origin=study.station,
        target=pallet.home,
        displaced="",
        program="",
        then=(),
        cost_ms=0,
        why=f"{pallet.pallet} has had its loading in {study.study} and is taken out of {study.station}; the next one clamps anew",
        alternatives=stay.alternatives,
    )

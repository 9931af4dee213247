"""Rules of reference parts: when a check is due, what it found, what a failed one leads to.

Rules of this file:
- A reference part is a pallet like any other whose plan is the checks that are due; between them it stands in the rack and routing does
  not see it. It gets no verdict and never leaves by an outfeed.
- Whether a check is due is a level, worked out from the state; only a fault is remembered, for it passes.
- Two stations that disagree on what a reference part vouches for are both checked with it: a third opinion, by which people see who is off.
- A due check stops nothing until its grace is over; then the station waits for it with what its values vouch for.
- A check fails when a value is missed in so many runs in a row as the declaration says. Then the station is suspended for what the missed values vouch
  for; what it measured of that since the last good check is in doubt: in the cell it is measured anew, elsewhere it is marked.
- Only a person ends the suspension of a failed check: after a good one, or with a reason. That of a late check ends with a good one.
"""

from collections.abc import Mapping, Sequence

from supervisor.cell.model import Vouched
from supervisor.cell.value import replace
from supervisor.core import pallets, reference_trend, stations, trust
from supervisor.core.commands import MarkSuspect
from supervisor.core.draft import Draft
from supervisor.core.state import Check, CheckPoint, PalletState, Run, Suspension
from supervisor.core.tables import DeclaredCheck, end_of_day_ms
from supervisor.routing.situation import Carry, Stay
from supervisor.verdict.merge import Part
from supervisor.verdict.reference_check import Compared, check_record, compare
from supervisor.verdict.result import Doubt, StationResult
from supervisor.verdict.suspicion import Suspicion

TREND_MAX = 60
"""Points of a trend that the state keeps; the records of all checks are in the store (our choice)."""
KNOWN_RESULTS_MAX = 20
"""Results of a reference part by which a repeat is known as one."""

FAILED, GOOD, LATE = "reference-failed", "reference-good", "check-overdue"


# --- when a check is due ------------------------------------------------------------------------------------------------------------


def look_at_checks(draft: Draft, station: str) -> None:
    """Make due what has become due at a station, and suspend it where a check is late."""
    for program in draft.tables.checks_at[station]:
        check = trust.check_of(draft, program)
        if not check.due:
            why = _why_due(draft, draft.tables.checks[program], check)
            if why:
                make_due(draft, program, why)
        _look_whether_late(draft, draft.tables.checks[program])


def _why_due(draft: Draft, declared: DeclaredCheck, check: Check) -> str:
    """Why a check is due now; "" if it is not."""
    rule, state = declared.rule, draft.stations[declared.station]
    if check.done_ms < 0:
        return "no check of it is known"
    if "fault" in rule.after and state.mode == "fault":
        return "the station had a fault"
    if "restart" in rule.after and state.boot and check.boot and state.boot != check.boot:
        return "the station restarted"
    if rule.every_ms and draft.at_ms >= check.done_ms + rule.every_ms:
        return f"the last one was {(draft.at_ms - check.done_ms) // 3_600_000} h ago"
    if rule.every_runs and state.figures.runs - check.runs >= rule.every_runs:
        return f"{state.figures.runs - check.runs} runs have been made since the last one"
    return _why_warmth(declared, check) or _why_disagreement(draft, declared, check)


def _why_disagreement(draft: Draft, declared: DeclaredCheck, check: Check) -> str:
    """An alarm of the agreement monitor about the station, raised by values that were measured after the last check."""
    loud = [
        each.pair
        for each in draft.agreement.values()
        if each.standing == "disagrees"
        and each.since_ms > check.done_ms
        and declared.station in (each.pair.one, each.pair.other)
    ]
    if not loud:
        return ""
    vouched = declared.vouches_for
    for pair in sorted(loud, key=lambda each: each.title):
        if Vouched(part_type=pair.part_type, number=pair.number) in vouched:
            about = f"characteristic {pair.number} of {pair.part_type}"
            return f"{pair.one} and {pair.other} disagree on {about}"
    return ""


def _why_warmth(declared: DeclaredCheck, check: Check) -> str:
    if declared.rule.kelvin is None or check.part_c is None or check.warmth_c is None:
        return ""
    if abs(check.warmth_c - check.part_c) <= float(declared.rule.kelvin):
        return ""
    return f"the part temperature is {check.warmth_c:g}, it was {check.part_c:g} at the last one"


def make_due(draft: Draft, program: str, why: str) -> None:
    """A check is to be made: the reference part may be fetched for it, and from now on its grace runs."""
    declared = draft.tables.checks[program]
    check = trust.check_of(draft, program)
    trust.change_check(draft, replace(check, due=why, due_ms=draft.at_ms, missed=0, misses=()))
    if declared.rule.grace_ms:
        text = f"{declared.station} should be checked with {declared.part_type}: {why}"
        draft.start_timer(f"check of {program}", declared.rule.grace_ms, text)
    for name in _carriers(draft, declared):
        tried = tuple(each for each in draft.pallets[name].tried if each[0] != program)
        draft.change_pallet(name, tried=tried, since_ms=draft.at_ms)
        pallets.look_at_part(draft, name)


def _carriers(draft: Draft, declared: DeclaredCheck) -> list[str]:
    return [
        name
        for name in sorted(draft.pallets)
        if draft.pallets[name].part_type == declared.part_type
    ]


def _look_whether_late(draft: Draft, declared: DeclaredCheck) -> None:
    check = trust.check_of(draft, declared.program)
    late = check.due and draft.at_ms >= check.due_ms + declared.rule.grace_ms
    unseen = draft.stations[declared.station].link != "up"
    if not late or unseen or trust.suspension_of(draft, declared.program) is not None:
        return
    why = f"its check with {declared.part_type} is late: {check.due}"
    about = declared.vouches_for
    _suspend(draft, declared, "late", about, why)
    draft.hold(LATE, "station", declared.station, f"{why}{_why_not_yet(draft, declared)}")


def _why_not_yet(draft: Draft, declared: DeclaredCheck) -> str:
    if certificate_over(draft, declared.part_type):
        return f"; certificate {declared.reference.certificate} of the reference part has ended"
    return "" if _carriers(draft, declared) else "; the reference part is not in the cell"


def certificate_over(draft: Draft, part_type: str) -> bool:
    """Whether the certificate of a reference part has ended, so that nothing is checked with it."""
    return draft.at_ms >= end_of_day_ms(draft.tables.references[part_type].due)


# --- its plan -----------------------------------------------------------------------------------------------------------------------


def homeward(draft: Draft, stay: Stay) -> Carry | None:
    """Bringing a reference part home when routing has nothing to carry, from a nest or an infeed place; None if that is not due or not possible."""
    for name in sorted(draft.pallets):
        pallet = draft.pallets[name]
        if pallet.part_type not in draft.tables.references or pallet.open:
            continue
        home = _free_home(draft, pallet)
        if not home or not _may_leave(draft, pallet):
            continue
        comes_in = pallets.at_infeed(draft, pallet)
        so_far = "has come in" if comes_in else f"has checked {pallet.place}"
        return Carry(
            pallet=name,
            origin=pallet.place,
            target=home,
            displaced="",
            program="",
            then=(),
            cost_ms=0,
            why=f"{name} {so_far} and waits in the rack for its next check",
            alternatives=stay.alternatives,
        )
    return None


def _free_home(draft: Draft, pallet: PalletState) -> str:
    """Where a reference part can be brought from a nest or an infeed place; "" if it stands elsewhere, or nowhere is free."""
    if pallets.at_infeed(draft, pallet):
        return pallets.free_rack_place(draft)
    home = draft.places.get(pallet.home) if pallet.place in draft.stations else None
    free = home is not None and not home.pallet and home.reserved == pallet.pallet
    return pallet.home if free else ""


def _may_leave(draft: Draft, pallet: PalletState) -> bool:
    if pallet.place not in draft.stations:
        return pallets.may_travel(draft, pallet)
    idle = draft.stations[pallet.place].run is None and not stations.locked(draft, pallet.place)
    return idle and pallets.may_travel(draft, pallet)


# --- what it found ------------------------------------------------------------------------------------------------------------------


def note_warmth(draft: Draft, station: str, part_c: float | None) -> None:
    """A station gave a part temperature."""
    if part_c is None:
        return
    for program in draft.tables.checks_at[station]:
        check = trust.check_of(draft, program)
        if check.done_ms >= 0:
            trust.change_check(draft, replace(check, warmth_c=part_c))


def take_check(draft: Draft, run: Run, result: StationResult) -> None:
    """A run of a reference part gave its result."""
    state = draft.pallets[run.pallet]
    known = (*state.results, result)[-KNOWN_RESULTS_MAX:]
    draft.change_pallet(run.pallet, results=known)
    declared = draft.tables.checks.get(run.program)
    if declared is None:
        pallets.look_at_part(draft, run.pallet)
        return
    table = draft.tables.plans[run.part_type]
    compared = compare(table, declared.reference, result)
    _keep(draft, run, result, compared)
    if any(each.outcome == "no value" for each in compared):
        pallets.count_try(draft, run.pallet, run.program)
    else:
        _judge(draft, declared, result, compared)
    pallets.look_at_part(draft, run.pallet)


def _keep(draft: Draft, run: Run, result: StationResult, compared: Sequence[Compared]) -> None:
    """Each run of a check is a record of its own: no two runs on one part begin at the same time."""
    state = draft.pallets[run.pallet]
    part = Part(
        serial=state.serial,
        batch=state.batch,
        produced=state.produced,
        pallet=state.pallet,
        declaration=draft.declaration,
        revision=1,
        entered_ms=run.started_ms,
        decided_ms=draft.at_ms,
    )
    draft.store(check_record(part, draft.tables.plans[run.part_type], result, compared))


def _judge(
    draft: Draft, declared: DeclaredCheck, result: StationResult, compared: Sequence[Compared]
) -> None:
    check = trust.check_of(draft, declared.program)
    missed = [each for each in compared if each.outcome == "missed"]
    before = dict(check.misses)
    misses = tuple((each.number, before.get(each.number, 0) + 1) for each in missed)
    levels = reference_trend.levels_after(check, declared, compared, draft.at_ms)
    level = {each.number: each.level for each in levels}
    points = tuple(_point(draft, result, each, level[each.number]) for each in compared)
    runs = check.missed + 1 if missed else 0
    trend = (*check.trend, *points)[-TREND_MAX:]
    check = replace(check, missed=runs, misses=misses, trend=trend, levels=levels)
    trust.change_check(draft, check)
    failed = _failed(declared, missed, dict(misses), runs)
    if missed and not failed:
        return  # still due: it is run again at once
    good_ms = check.good_ms
    _done(draft, declared, result)
    if failed:
        _fail(draft, declared, result, failed, good_ms)
    else:
        _pass(draft, declared, result)
        reference_trend.look_at_trends(draft, declared.station)


def _failed(
    declared: DeclaredCheck, missed: Sequence[Compared], misses: Mapping[str, int], runs: int
) -> list[Compared]:
    """The values that were missed in so many runs in a row; all that were missed last where no run finds everything for twice as long."""
    enough = declared.rule.runs_to_fail
    if runs >= 2 * enough:
        return list(missed)
    return [each for each in missed if misses[each.number] >= enough]


def _point(draft: Draft, result: StationResult, compared: Compared, level: float) -> CheckPoint:
    assert compared.deviation is not None
    assert compared.en is not None
    return CheckPoint(
        at_ms=draft.at_ms,
        run_id=result.run_id,
        number=compared.number,
        unit=compared.unit,
        deviation=float(compared.deviation),
        limit=float(compared.limit),
        en=compared.en,
        outcome="missed" if compared.outcome == "missed" else "good",
        level=level,
    )


def _done(draft: Draft, declared: DeclaredCheck, result: StationResult) -> None:
    """The check is made: the next one counts from here."""
    state = draft.stations[declared.station]
    check = trust.check_of(draft, declared.program)
    trust.change_check(
        draft,
        replace(
            check,
            due="",
            due_ms=0,
            done_ms=draft.at_ms,
            runs=state.figures.runs,
            boot=state.boot,
            part_c=result.part_c,
            warmth_c=result.part_c,
            missed=0,
            misses=(),
        ),
    )
    draft.end_timer(f"check of {declared.program}")
    if declared.rule.every_ms:
        text = f"{declared.station} is to be checked with {declared.part_type} again"
        draft.start_timer(f"check of {declared.program}", declared.rule.every_ms, text)


def _pass(draft: Draft, declared: DeclaredCheck, result: StationResult) -> None:
    """The values were found: a late check is made good, a failed one waits for a person."""
    check = trust.check_of(draft, declared.program)
    trust.change_check(draft, replace(check, good_ms=draft.at_ms, good_run=result.run_id))
    suspension = trust.suspension_of(draft, declared.program)
    if suspension is None:
        return
    if suspension.cause == "late":
        trust.change_suspension(draft, declared.program, None)
        end_holds(draft, declared.station, LATE)
        return
    trust.change_suspension(draft, declared.program, replace(suspension, good_since="yes"))
    failed = [s for s in trust.of(draft, declared.station).suspensions if s.cause == "failed"]
    if all(each.good_since == "yes" for each in failed):
        end_holds(draft, declared.station, FAILED)
        seen = f"the values of {declared.part_type} were found again; before: {suspension.why}"
        draft.hold(GOOD, "station", declared.station, seen)


def end_holds(draft: Draft, station: str, code: str) -> None:
    """Nothing of this kind is to be asked about a station any more."""
    for hold in sorted(draft.holds):
        if (draft.holds[hold].code, draft.holds[hold].subject) == (code, station):
            draft.end_hold(hold)


# --- a failed check -----------------------------------------------------------------------------------------------------------------


def _fail(
    draft: Draft,
    declared: DeclaredCheck,
    result: StationResult,
    missed: Sequence[Compared],
    good_ms: int,
) -> None:
    values = ", ".join(f"{each.number}: {each.why}" for each in missed)
    why = f"{declared.station} missed {declared.part_type} {declared.reference.serial} in run {result.run_id} ({values})"
    about = declared.vouched([each.number for each in missed])
    _suspend(draft, declared, "failed", about, why)
    end_holds(draft, declared.station, LATE)
    end_holds(draft, declared.station, GOOD)
    reference_trend.forget(draft, declared.program)
    draft.hold(FAILED, "station", declared.station, why)
    suspicion = Suspicion(
        station=declared.station,
        program=declared.program,
        run_id=result.run_id,
        about=about,
        from_ms=good_ms,
        to_ms=draft.at_ms,
        why=why,
    )
    draft.give(MarkSuspect(suspicion=suspicion))
    for name in sorted(draft.pallets):
        _doubt_part(draft, name, suspicion)


def _suspend(
    draft: Draft,
    declared: DeclaredCheck,
    cause: str,
    about: tuple[Vouched, ...],
    why: str,
) -> None:
    before = trust.suspension_of(draft, declared.program)
    kept = before.about if before is not None and before.cause == "failed" else ()
    suspension = Suspension(
        program=declared.program,
        cause="failed" if cause == "failed" else "late",
        about=tuple(sorted({*kept, *about}, key=lambda v: (v.part_type, v.number))),
        since_ms=draft.at_ms,
        why=why,
    )
    trust.change_suspension(draft, declared.program, suspension)


def _doubt_part(draft: Draft, name: str, suspicion: Suspicion) -> None:
    """A part in the cell: what is in doubt decides nothing any more and is open again where somebody is left who may be asked."""
    state = draft.pallets[name]
    if state.part_type in draft.tables.references or state.stage == "sorted":
        return
    results = tuple(_doubted(result, state.part_type, suspicion) for result in state.results)
    if results == state.results:
        return
    if state.stage == "decided" and _is_put_out(draft, name):
        return  # it leaves with its record, which is marked
    draft.change_pallet(name, results=results)
    if state.verdict:
        pallets.reopen(draft, name)
    pallets.look_at_part(draft, name)


def _doubted(result: StationResult, part_type: str, suspicion: Suspicion) -> StationResult:
    known = {doubt.number for doubt in result.doubts}
    more = tuple(
        Doubt(number=vouched.number, why=f"it is suspect: {suspicion.why}")
        for vouched in suspicion.about
        if vouched.number not in known
        and suspicion.covers(result.station, part_type, vouched.number, result.measured_ms)
    )
    return replace(result, doubts=(*result.doubts, *more)) if more else result


def _is_put_out(draft: Draft, name: str) -> bool:
    """Whether the order to put a pallet down at an outfeed place has been given."""
    waiting = draft.outstanding.get("handler")
    goal = waiting.goal if waiting is not None else None
    place = draft.tables.places.get(getattr(goal, "place", ""))
    return getattr(goal, "put", "") == name and place is not None and place.kind == "outfeed"


# --- what people answer -------------------------------------------------------------------------------------------------------------


def check_again(draft: Draft, station: str, code: str, seen: str) -> None:
    """Have every check that suspends a station made once more; the question stands until it is."""
    for suspension in trust.of(draft, station).suspensions:
        make_due(draft, suspension.program, "a person asked for it")
    draft.hold(code, "station", station, seen)


def check_what_moves(draft: Draft, station: str) -> None:
    """Have the checks by which a station moves made once more; the question stands."""
    for program in reference_trend.moving_programs(draft, station):
        make_due(draft, program, "a person asked for it")
    reference_trend.look_at_trends(draft, station)


def release(draft: Draft, station: str) -> None:
    """A person lets a station decide again what failed checks had suspended."""
    for suspension in trust.of(draft, station).suspensions:
        if suspension.cause == "failed":
            trust.change_suspension(draft, suspension.program, None)


def measure_on(draft: Draft, station: str) -> None:
    """A person gives late checks their grace once more."""
    for suspension in trust.of(draft, station).suspensions:
        if suspension.cause == "late":
            trust.change_suspension(draft, suspension.program, None)
            make_due(draft, suspension.program, trust.check_of(draft, suspension.program).due)

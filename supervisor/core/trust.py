"""What other rules ask about the trust in stations. It names no other rules, so that they all may name it.

Rules of this file: looked up, nothing decided; what follows from checks is worked out in ``reference_parts``.
"""

from supervisor.cell.model import Vouched
from supervisor.cell.value import replace
from supervisor.core.draft import Draft
from supervisor.core.state import Check, Run, StationTrust, Suspension
from supervisor.verdict.asking import RUNS_WITHOUT_GOOD_VALUE_MAX
from supervisor.verdict.result import Doubt, LastCheck


def of(draft: Draft, station: str) -> StationTrust:
    """What is known of a station."""
    return draft.trust.get(station) or StationTrust(station=station)


def check_of(draft: Draft, program: str) -> Check:
    """How the check by a program stands."""
    station = draft.tables.checks[program].station
    known = (each for each in of(draft, station).checks if each.program == program)
    return next(known, None) or Check(program=program)


def change_check(draft: Draft, check: Check) -> None:
    """Put a check into the state as it is now."""
    station = draft.tables.checks[check.program].station
    others = (c for c in of(draft, station).checks if c.program != check.program)
    checks = tuple(sorted((*others, check), key=lambda each: each.program))
    draft.change_trust(station, checks=checks)


def suspension_of(draft: Draft, program: str) -> Suspension | None:
    """What is suspended because of a program's checks, or None."""
    station = draft.tables.checks[program].station
    return next((s for s in of(draft, station).suspensions if s.program == program), None)


def change_suspension(draft: Draft, program: str, suspension: Suspension | None) -> None:
    """Put a suspension into the state as it is now; None ends it. All that share the station's work are looked at again."""
    station = draft.tables.checks[program].station
    others = [s for s in of(draft, station).suspensions if s.program != program]
    kept = others if suspension is None else [*others, suspension]
    draft.change_trust(station, suspensions=tuple(sorted(kept, key=lambda each: each.program)))
    draft.look_again("station", station)


def barred(draft: Draft, part_type: str) -> tuple[tuple[str, str], ...]:
    """(station, characteristic): what stations must not decide of a part type now, in order."""
    if not draft.tables.checks:
        return ()
    found = {
        (station, vouched.number)
        for station, known in draft.trust.items()
        for suspension in known.suspensions
        for vouched in suspension.about
        if vouched.part_type == part_type
    }
    return tuple(sorted(found))


def doubts(draft: Draft, station: str, part_type: str) -> tuple[Doubt, ...]:
    """What may not be believed of a result that a station gives now."""
    found = {
        vouched.number: suspension.why
        for suspension in of(draft, station).suspensions
        for vouched in suspension.about
        if vouched.part_type == part_type
    }
    return tuple(Doubt(number=number, why=why) for number, why in sorted(found.items()))


def last_checks(draft: Draft, station: str, part_type: str) -> tuple[LastCheck, ...]:
    """The last good checks that vouch for what a station measures of a part type now, by program."""
    found: list[LastCheck] = []
    for program in draft.tables.checks_at[station]:
        check = check_of(draft, program)
        vouched = draft.tables.checks[program].vouches_for if check.good_ms >= 0 else ()
        numbers = tuple(each.number for each in vouched if each.part_type == part_type)
        if numbers:
            found.append(
                LastCheck(
                    program=program, run_id=check.good_run, at_ms=check.good_ms, numbers=numbers
                )
            )
    return tuple(found)


def useless(draft: Draft, station: str, run: Run) -> bool:
    """Whether a run that has not started could decide nothing any more."""
    suspended = {
        vouched for suspension in of(draft, station).suspensions for vouched in suspension.about
    }
    decided = draft.tables.decides[run.program] or draft.tables.coverage[run.program]
    return bool(suspended) and all(
        Vouched(part_type=run.part_type, number=number) in suspended for number in decided
    )


def to_check(draft: Draft, pallet: str) -> tuple[str, ...]:
    """The programs that have to run on a reference part now: those of due checks that have not gone without a result too often."""
    state = draft.pallets[pallet]
    tried = dict(state.tried)
    return tuple(
        program
        for program, declared in draft.tables.checks.items()
        if declared.part_type == state.part_type
        and check_of(draft, program).due
        and tried.get(program, 0) < RUNS_WITHOUT_GOOD_VALUE_MAX
    )


def forget_undeclared(draft: Draft) -> None:
    """Under another declaration only the checks that it declares are known; what hangs on others is over."""
    checks = draft.tables.checks
    for station in sorted(draft.trust):
        known = draft.trust[station]
        kept = tuple(each for each in known.checks if each.program in checks)
        lasting = tuple(each for each in known.suspensions if each.program in checks)
        if (kept, lasting) != (known.checks, known.suspensions):
            draft.change_trust(station, checks=kept, suspensions=lasting)
    for timer in sorted(draft.timers):
        kind, _, program = timer.partition(" of ")
        if kind == "check" and program not in checks:
            draft.end_timer(timer)


def begin_anew(draft: Draft) -> None:
    """History was lost: every check is due, as if none had been made; what is suspended stays so."""
    for station in sorted(draft.trust):
        checks = tuple(
            replace(each, done_ms=-1, due="", missed=0, misses=())
            for each in draft.trust[station].checks
        )
        draft.change_trust(station, checks=checks)

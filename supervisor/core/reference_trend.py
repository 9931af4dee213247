"""What the trend of reference checks leads to: a question to people, nothing else.

Rules of this file:
- A run of a check in which every value was there is one more point of each trend, whether its values were found or missed.
- One question stands for a station, about all that moves there; when more comes to move, it is asked anew.
- A failed check says more than a trend: its trends begin anew, and the question ends.
"""

from collections.abc import Sequence

from supervisor.cell.value import replace
from supervisor.core import trust
from supervisor.core.draft import Draft
from supervisor.core.state import Check
from supervisor.core.tables import DeclaredCheck
from supervisor.verdict.reference_check import Compared
from supervisor.verdict.reference_trend import Trend, accepted, after, begun

MOVES = "reference-trend"


def levels_after(
    check: Check, declared: DeclaredCheck, compared: Sequence[Compared], at_ms: int
) -> tuple[Trend, ...]:
    """The trends of a check after one more run; those of values that it did not compare stay as they are."""
    certificate = declared.reference.certificate
    levels = {each.number: each for each in check.levels}
    for each in compared:
        if each.en is not None:
            before = levels.get(each.number) or begun(each.number, certificate)
            levels[each.number] = after(before, certificate, each.en, at_ms)
    return tuple(levels[number] for number in sorted(levels))


def look_at_trends(draft: Draft, station: str) -> None:
    """Ask about what moves at a station, once."""
    seen = _what_moves(draft, station)
    for name in sorted(draft.holds):
        hold = draft.holds[name]
        if (hold.code, hold.subject) == (MOVES, station) and hold.seen != seen:
            draft.end_hold(name)
    if seen:
        draft.hold(MOVES, "station", station, seen)


def _what_moves(draft: Draft, station: str) -> str:
    """What the trends of a station alarm about, in words that stay the same as long as it is the same; "" if nothing moves."""
    moving = [
        f"{draft.tables.checks[check.program].part_type} {trend.number}"
        for check in _checks(draft, station)
        for trend in check.levels
        if trend.standing == "moves"
    ]
    return f"its checks have moved: {', '.join(moving)}" if moving else ""


def forget(draft: Draft, program: str) -> None:
    """The trends of a program begin anew: its check has failed."""
    check = trust.check_of(draft, program)
    trust.change_check(draft, replace(check, levels=()))
    look_at_trends(draft, draft.tables.checks[program].station)


def accept(draft: Draft, station: str) -> None:
    """A person has looked at what moves: moves count from the next runs on."""
    for check in _checks(draft, station):
        levels = tuple(accepted(each) for each in check.levels)
        trust.change_check(draft, replace(check, levels=levels))


def moving_programs(draft: Draft, station: str) -> tuple[str, ...]:
    """The programs of a station by which something moves."""
    return tuple(
        check.program
        for check in _checks(draft, station)
        if any(each.standing == "moves" for each in check.levels)
    )


def _checks(draft: Draft, station: str) -> list[Check]:
    """The known checks of a station that are still declared."""
    declared = draft.tables.checks_at[station]
    return [each for each in trust.of(draft, station).checks if each.program in declared]

"""How far a station may be believed, for people.

Rules of this file: nothing here decides; what the core holds of a station stands beside what was declared of it.
"""

from typing import Literal

from supervisor.api.schema import Instant, Schema, instant, shown_by
from supervisor.api.waits import Now
from supervisor.cell.model import Vouched
from supervisor.cell.reading_order import reading_order
from supervisor.core.state import Check, StationTrust, Suspension
from supervisor.core.tables import DAY_MS, end_of_day_ms
from supervisor.verdict.reference_trend import LIMIT, Trend
from supervisor.verdict.suspicion import Suspicion

Standing = Literal["not declared", "valid", "due soon", "overdue"]


class CalibrationView(Schema):
    """The declared calibration of a station, seen from now."""

    certificate: str
    due: str
    """Its last day, UTC ("" = none declared)."""
    standing: Standing
    days_left: int | None
    """Whole days until it ends; negative where it has ended."""
    stops: bool
    """Whether the station measures nothing once it has ended."""
    extended_until: Instant | None
    """Until when a person lets it measure on all the same."""


class VouchedView(Schema):
    """A characteristic of a part type."""

    part_type: str
    number: str


class CheckPointView(Schema):
    """One calibrated value as one run of a check found it."""

    at: Instant
    run_id: str
    number: str
    unit: str
    deviation: float
    """Found minus calibrated, in the unit."""
    limit: float
    en: float
    """Deviation over the root of the sum of squares of both expanded uncertainties (k = 2)."""
    outcome: Literal["good", "missed"]
    level: float
    """The average of the trend after it, in standard uncertainties from its base."""


class TrendView(Schema):
    """Whether the station moves against one calibrated value: an average of the deviations of its runs, the newest weighing 0.2."""

    number: str
    count: int
    """Runs since it began."""
    base: float
    """The mean of the first ten runs, in standard uncertainties from the calibrated value: from there a move counts."""
    level: float
    """The average less the base."""
    limit: float
    """Beyond it somebody is asked: half of what a check allows."""
    standing: Literal["base", "steady", "moves"]
    """`base`: the first ten runs are not there yet."""
    since: Instant | None
    """The run that raised the alarm."""
    why: str


class CheckView(Schema):
    """How the checks of a station by one program of a reference part stand."""

    program: str
    part_type: str
    """The reference part."""
    due: str
    """Why a check is due ("" = none is)."""
    due_at: Instant | None
    last_at: Instant | None
    last_good_at: Instant | None
    trend: list[CheckPointView]
    """The newest points, the oldest first."""
    levels: list[TrendView]
    """What the trend of each calibrated value says."""


class SuspensionView(Schema):
    """What a station does not decide now."""

    program: str
    cause: Literal["failed", "late"]
    about: list[VouchedView]
    since: Instant
    why: str
    good_since: Literal["yes", "no"]
    """Whether a later check was good: then a person may let the station go on without a reason."""


class SuspicionView(Schema):
    """What a failed check casts doubt on: what the station measured of these characteristics after ``after``, until ``until``."""

    model_config = shown_by(
        {
            "seq": 2011,
            "station": "touch-1",
            "program": "master-ring-touch",
            "run_id": "R3120000210",
            "about": [{"part_type": "cam-ring", "number": "1"}],
            "after": "2025-11-25T06:00:12.000Z",
            "until": "2025-11-25T09:31:40.250Z",
            "why": "touch-1 missed master-ring MR-7 in run R3120000210 (1: 0.0057 mm from 25.0104, beyond 0.00165)",
        }
    )

    seq: int
    """The journal entry of the failed check."""
    station: str
    program: str
    run_id: str
    about: list[VouchedView]
    after: Instant | None
    """The last good check (null: none is known, so everything before is in doubt)."""
    until: Instant
    why: str


def suspicion_view(seq: int, suspicion: Suspicion) -> SuspicionView:
    """One failed check."""
    return SuspicionView(
        seq=seq,
        station=suspicion.station,
        program=suspicion.program,
        run_id=suspicion.run_id,
        about=_vouched(suspicion.about),
        after=_known(suspicion.from_ms),
        until=instant(suspicion.to_ms),
        why=suspicion.why,
    )


def checks_view(now: Now, station: str) -> list[CheckView]:
    """The checks that are declared for a station."""
    known = now.state.trust.get(station) or StationTrust(station=station)
    found = {each.program: each for each in known.checks}
    return [
        _check(now, found.get(program) or Check(program=program))
        for program in now.core.tables.checks_at[station]
    ]


def suspensions_view(now: Now, station: str) -> list[SuspensionView]:
    """What a station does not decide now because of its checks."""
    known = now.state.trust.get(station) or StationTrust(station=station)
    return [_suspension(each) for each in known.suspensions]


def _check(now: Now, check: Check) -> CheckView:
    return CheckView(
        program=check.program,
        part_type=now.core.tables.checks[check.program].part_type,
        due=check.due,
        due_at=instant(check.due_ms) if check.due else None,
        last_at=_known(check.done_ms),
        last_good_at=_known(check.good_ms),
        trend=[
            CheckPointView(
                at=instant(point.at_ms),
                run_id=point.run_id,
                number=point.number,
                unit=point.unit,
                deviation=point.deviation,
                limit=point.limit,
                en=point.en,
                outcome=point.outcome,
                level=point.level,
            )
            for point in check.trend
        ],
        levels=[_trend(each) for each in check.levels],
    )


def _trend(trend: Trend) -> TrendView:
    return TrendView(
        number=trend.number,
        count=trend.count,
        base=trend.base,
        level=trend.level,
        limit=LIMIT,
        standing=trend.standing,
        since=instant(trend.since_ms) if trend.since_ms else None,
        why=trend.why,
    )


def _suspension(suspension: Suspension) -> SuspensionView:
    return SuspensionView(
        program=suspension.program,
        cause=suspension.cause,
        about=_vouched(suspension.about),
        since=instant(suspension.since_ms),
        why=suspension.why,
        good_since=suspension.good_since,
    )


def _vouched(about: tuple[Vouched, ...]) -> list[VouchedView]:
    ordered = sorted(about, key=lambda each: (each.part_type, reading_order(each.number)))
    return [VouchedView(part_type=each.part_type, number=each.number) for each in ordered]


def _known(at_ms: int) -> Instant | None:
    return instant(at_ms) if at_ms >= 0 else None


def calibration_view(now: Now, station: str) -> CalibrationView:
    """The calibration of one station."""
    declared = now.core.tables.stations[station]
    known = now.state.trust.get(station) or StationTrust(station=station)
    extended = known.extended_ms > now.at_ms
    left_ms = (
        end_of_day_ms(declared.calibration_due) - now.at_ms if declared.calibration_due else None
    )
    return CalibrationView(
        certificate=declared.calibration,
        due=declared.calibration_due,
        standing=_standing(left_ms, declared.calibration_warn_days),
        days_left=None if left_ms is None else left_ms // DAY_MS,
        stops=declared.calibration_overdue == "stops",
        extended_until=instant(known.extended_ms) if extended else None,
    )


def _standing(left_ms: int | None, warn_days: int) -> Standing:
    if left_ms is None:
        return "not declared"
    if left_ms <= 0:
        return "overdue"
    return "due soon" if left_ms <= (warn_days + 1) * DAY_MS else "valid"

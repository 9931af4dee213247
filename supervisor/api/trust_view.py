"""How far a station may be believed, for people.

Rules of this file: nothing here decides; what the core holds of a station stands beside what was declared of it.
"""

from typing import Literal

from supervisor.api.schema import Instant, Schema, instant
from supervisor.api.waits import Now
from supervisor.core.state import StationTrust
from supervisor.core.tables import DAY_MS, end_of_day_ms

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

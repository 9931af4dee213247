"""Calibrations: whether the day on which the cell is checked lies within them.

Rules of this file: warnings only. A cell whose calibration ends keeps its declaration; what follows is decided while it runs
(``core/calibration.py``).
"""

from collections.abc import Iterator
from datetime import date

from supervisor.cell.declaration import Declaration
from supervisor.cell.problem import Problem


def calibrations_hold(declaration: Declaration) -> Iterator[Problem]:
    """The calibration of a station has not ended today (UTC), and does not end within the days of its warning."""
    today = date.fromisoformat(declaration.today)
    for station in declaration.stations:
        entry = station.calibration
        if entry is None:
            continue
        left = (date.fromisoformat(entry.due) - today).days
        if left < 0:
            what = (
                "the station measures nothing until then"
                if entry.overdue == "stop"
                else "its records tell that it was overdue"
            )
            yield entry.problem(
                "due",
                expected=f"a day from {declaration.today} on",
                remedy=f"have {station.id} calibrated and name the new certificate: {what}",
                grade="warning",
            )
        elif left <= entry.warn_days:
            yield entry.problem(
                "due",
                expected=f"more than {entry.warn_days} days from {declaration.today}",
                remedy=f"have {station.id} calibrated in time: {left} days are left",
                grade="warning",
            )

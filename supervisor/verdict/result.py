"""What stations measured, as values.

Rules of this file: nothing here judges. A result keeps what the station gave, and which run of which program it belongs to.
"""

from typing import Literal

from supervisor.cell.value import value

Quality = Literal["good", "uncertain", "bad"]


@value
class MeasuredValue:
    """One value as the station gave it, in ``unit``. ``value`` is None where there was no finite number (quality is then "bad")."""

    number: str
    value: float | None
    unit: str
    quality: Quality


@value
class StationResult:
    """The values of one finished run, proven to belong to it. ``program`` is the declared program's id."""

    result_id: str
    station: str
    run_id: str
    program: str
    measured_ms: int
    values: tuple[MeasuredValue, ...]

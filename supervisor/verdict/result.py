"""What stations measured, as values.

Rules of this file: nothing here judges. A result keeps what the station gave, and which run of which program it belongs to.
"""

from typing import Literal

from supervisor.cell.value import value

Quality = Literal["good", "uncertain", "bad"]
Compensated = Literal["yes", "no", "unknown"]
"""Whether a station gives its values as they are at 20 degrees Celsius (ISO 1)."""


@value
class MeasuredValue:
    """One value as the station gave it, in ``unit``. ``value`` is None where there was no finite number (quality is then "bad")."""

    number: str
    value: float | None
    unit: str
    quality: Quality


@value
class Doubt:
    """That no verdict may rest on a value of a result, though the station gave it in good faith."""

    number: str
    why: str


@value
class LastCheck:
    """The last check with a reference part that a station had passed before a run; ``numbers`` are the characteristics that it vouches for.

    ``program`` and ``run_id`` are those of the check, ``at_ms`` is when it was made.
    """

    program: str
    run_id: str
    at_ms: int
    numbers: tuple[str, ...]


@value
class StationResult:
    """The values of one finished run, proven to belong to it. ``program`` is the declared program's id.

    ``part_c`` is the part's temperature in degrees Celsius as the station gave it (None = it did not). ``doubts`` came up later.
    ``checks`` are what vouched for the station then.
    """

    result_id: str
    station: str
    run_id: str
    program: str
    measured_ms: int
    values: tuple[MeasuredValue, ...]
    part_c: float | None = None
    compensated: Compensated = "unknown"
    doubts: tuple[Doubt, ...] = ()
    checks: tuple[LastCheck, ...] = ()

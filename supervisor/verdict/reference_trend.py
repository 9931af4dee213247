"""Whether a station moves against its reference part, before a check fails.

Rules of this file:
- The check says whether a station is right, the trend whether it stays where it was. What a stated uncertainty covers for good (the
  certificate of the part, a station that is honestly off) is the same in every check and no move. So z, the deviation from the calibrated
  value by its standard uncertainty (z = 2 En), is followed from a base: the mean of the first ``BASE_RUNS`` runs.
- An EWMA of z less the base alarms beyond one standard uncertainty: half of what a single check allows, three standard deviations of
  the average where all of the uncertainty varies from run to run. Until the base is known, nothing alarms; the checks themselves guard.
- An alarm lasts until somebody answers it, and suspends nothing: only a failed check does. Who answers has a new base taken.
- Another certificate begins anew: the calibrated value is another one.

EWMA: Roberts 1959. Run lengths: Crowder 1987 (``statistics/run_length.py``, held to the tables of Lucas and Saccucci 1990), averaged over
the chance of the base; that this shortens them without a move: Jones, Champ and Rigdon 2001 (from memory).
"""

import math
from types import MappingProxyType
from typing import Literal

from supervisor.cell.value import replace, value
from supervisor.statistics.agreement import COVERAGE

BASE_RUNS = 10
"""Runs whose mean is where the station stands (our choice: ten daily checks)."""
WEIGHT = 0.2
"""The weight of the newest run in the average; common practice is 0.05 to 0.25."""
LIMIT = 1.0
"""Where the average of z less the base alarms, in standard uncertainties."""
REACH = LIMIT / math.sqrt(WEIGHT / (2.0 - WEIGHT))
"""The same limit in standard deviations of the average of independent z: 3."""
RUN_LENGTHS = MappingProxyType({0.0: 249, 1.0: 18, 1.5: 6, 2.0: 4, 3.0: 2})
"""How many runs go by on average from a lasting move to the alarm, by the move in standard uncertainties, if all of the uncertainty varies
from run to run (a test computes them anew). Without a move it is more than 100 million for a station that repeats within half of its uncertainty."""

Standing = Literal["base", "steady", "moves"]


@value
class Trend:
    """How one calibrated value of a reference part stands after ``count`` runs.

    ``base`` is the mean of z over the first runs, at most ``BASE_RUNS``; ``level`` the average of z less it since then. ``since_ms`` is the
    time of the run that raised the alarm, 0 without one.
    """

    number: str
    certificate: str
    count: int = 0
    base: float = 0.0
    level: float = 0.0
    standing: Standing = "base"
    since_ms: int = 0

    @property
    def why(self) -> str:
        """The standing in words."""
        if self.standing == "base":
            return f"{self.count} of the {BASE_RUNS} runs from which moves of characteristic {self.number} are counted"
        moved = f"the checks of characteristic {self.number} have moved by {self.level:+.2f} standard uncertainties from {self.base:+.2f}"
        if self.standing == "steady":
            return f"{moved}, within {LIMIT:.2f}"
        return f"{moved}, or had by more than {LIMIT:.2f}"


def begun(number: str, certificate: str) -> Trend:
    """A trend without a run."""
    return Trend(number=number, certificate=certificate)


def after(before: Trend, certificate: str, en: float, at_ms: int) -> Trend:
    """How a value stands after one more run, of which ``en`` is its En number."""
    if before.certificate != certificate:
        before = begun(before.number, certificate)
    z = COVERAGE * en
    count = before.count + 1
    if before.standing == "base":
        base = before.base + (z - before.base) / count
        standing = "base" if count < BASE_RUNS else "steady"
        return replace(before, count=count, base=base, standing=standing)
    level = before.level + WEIGHT * (z - before.base - before.level)
    if before.standing == "moves" or abs(level) <= LIMIT:
        return replace(before, count=count, level=level)
    return replace(before, count=count, level=level, standing="moves", since_ms=at_ms)


def accepted(before: Trend) -> Trend:
    """Somebody has looked at it: an alarm is over, and the next runs are the base."""
    if before.standing != "moves":
        return before
    return begun(before.number, before.certificate)

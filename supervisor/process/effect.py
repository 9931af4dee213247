"""Whether a correction did what was expected of it.

Rules of this file:
- The first parts made after the correction are compared with the last ones made before it, queued ones among them: the step between
  neighbours tells most of a correction and least of a drift.
- "Not as expected" needs both: beyond chance, and a move in the wrong direction, hardly any, or twice the one expected.
"""

import math
from collections.abc import Sequence
from typing import Literal

from supervisor.cell.value import value
from supervisor.process.correction import Correction, Expected
from supervisor.process.evidence import Window
from supervisor.statistics.moments import moments

MOVED_MIN, MOVED_MAX = 0.25, 2.0
"""Which share of the step that was planned still counts as the step (our choice; a drift takes some of it or adds to it)."""

Outcome = Literal["too early", "as expected", "not as expected"]


@value
class Effect:
    """What came of a correction for one characteristic.

    ``before`` is the mean of the last parts made before it, ``mean`` that of the ``count`` first ones after it (None: there are none).
    """

    number: str
    expected: Expected
    count: int
    before: float
    mean: float | None
    outcome: Outcome
    why: str


def effects(
    correction: Correction, windows: Sequence[Window], count: int, k: float
) -> tuple[Effect, ...]:
    """The effect on each characteristic that the correction said something about; judged from ``count`` parts on."""
    by_number = {window.characteristic.number: window for window in windows}
    return tuple(
        _effect(expected, by_number[expected.number], count, k)
        for expected in correction.expected
        if expected.number in by_number
    )


def _effect(expected: Expected, window: Window, count: int, k: float) -> Effect:
    values = [point.value for point in window.first[:count]]
    earlier = [point.value for point in window.before[-count:]]
    before = moments(earlier).mean if len(earlier) >= count else expected.before
    mean = moments(values).mean if values else None
    outcome: Outcome = "too early"
    why = f"{len(values)} of {count} parts made since then were measured"
    if mean is not None and len(values) >= count:
        reach = k * math.hypot(window.basis.sd / math.sqrt(count), expected.u)
        outcome, why = _outcome(before, expected.after - expected.before, mean, reach)
    return Effect(
        number=expected.number,
        expected=expected,
        count=len(values),
        before=before,
        mean=mean,
        outcome=outcome,
        why=why,
    )


def _outcome(before: float, planned: float, mean: float, reach: float) -> tuple[Outcome, str]:
    said = f"the mean went from {before:.6g} to {mean:.6g}, {before + planned:.6g} was expected"
    beyond = abs(mean - before - planned) > reach
    if beyond and not MOVED_MIN < (mean - before) / planned < MOVED_MAX:
        return "not as expected", said
    return "as expected", said

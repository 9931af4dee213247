"""Whether two stations that measured the same characteristics of the same parts agree.

Rules of this file:
- A pair is two flawless values of one characteristic of one part from two stations, both corrected as the record has them.
- One large difference is no alarm: with honest uncertainties one pair in 22 has |En| above 1. The alarm is an EWMA of z, the
  difference by its standard uncertainty, whose run lengths are known and stated.
- A stated uncertainty covers what stays as well as what varies. So the limit is not set against chance alone: two honest stations may
  differ for good by something that their uncertainties cover. It alarms when the *average* difference is beyond its expanded
  uncertainty (k = 2), that is when En of the average is beyond 1.
- An alarm names the pair and marks both stations: who of the two is wrong, a comparison with a third has to show. It lasts until
  somebody has settled it; the average begins anew then.
- Errors that both stations share (one fixture, one temperature) make z smaller than it should be: the alarm comes later, never
  wrongly. Values that an offset corrects are compared corrected: what is watched is what decides.

En: ISO 13528:2022 9.7 (from memory). EWMA: Roberts 1959, run lengths after Crowder 1987 (``statistics/run_length.py``).
"""

import math
from collections.abc import Iterable
from itertools import combinations
from types import MappingProxyType
from typing import Literal

from supervisor.cell.value import replace, value
from supervisor.statistics.agreement import COVERAGE
from supervisor.verdict.record import Evidence, Finding, Record

WEIGHT = 0.2
"""The weight of the newest pair in the average; common practice is 0.05 to 0.25."""
LIMIT = COVERAGE
"""Where the average of z alarms: En of the average is 1."""
REACH = LIMIT / math.sqrt(WEIGHT / (2.0 - WEIGHT))
"""The same limit in standard deviations of the average of independent z."""
RUN_LENGTHS = MappingProxyType({1.0: 1136, 1.5: 48, 2.0: 14, 2.5: 8, 3.0: 6, 4.0: 4})
"""How many parts go by on average until the alarm, by the lasting mean of z (``run_length.ewma``, z otherwise independent with
standard deviation 1; a test computes them anew). Without a lasting difference it is more than a hundred million."""

Standing = Literal["agrees", "disagrees"]


@value
class Pair:
    """Two stations, in the order of their ids, and the characteristic of a part type that both measure."""

    part_type: str
    number: str
    one: str
    other: str

    @property
    def title(self) -> str:
        """The pair for people and as a key."""
        return f"{self.part_type} {self.number} {self.one} {self.other}"


@value
class Difference:
    """What both stations gave for one part: difference ``one - other``, middle of both, z and En of the difference."""

    serial: str
    measured_ms: int
    unit: str
    difference: float
    middle: float
    z: float
    en: float


@value
class Agreement:
    """How a pair stands after ``count`` parts. ``level`` is the average of z since the last settlement, ``limit`` where it alarms.

    ``since_ms`` is the time of the pair that raised the alarm, 0 without one; an alarm stays.
    """

    pair: Pair
    count: int
    level: float
    limit: float
    standing: Standing
    since_ms: int
    last: Difference

    @property
    def why(self) -> str:
        """The standing in words."""
        seen = f"the average of z over the differences {self.pair.one} less {self.pair.other} is {self.level:.2f}"
        if self.standing == "agrees":
            return f"{seen}, within {self.limit:.2f}"
        return f"{seen} or was beyond {self.limit:.2f}: check both stations for characteristic {self.pair.number} of {self.pair.part_type}"


def differences_of(record: Record) -> tuple[tuple[Pair, Difference], ...]:
    """Every pair of stations in a record, by characteristic and then by stations."""
    return tuple(each for finding in record.findings for each in _differences(record, finding))


def after(before: Agreement | None, pair: Pair, seen: Difference) -> Agreement:
    """How a pair stands after one more part."""
    level = 0.0 if before is None else before.level
    level += WEIGHT * (seen.z - level)
    known = before is not None and before.standing == "disagrees"
    beyond = abs(level) > LIMIT
    since_ms = 0
    if before is not None and known:
        since_ms = before.since_ms
    elif beyond:
        since_ms = seen.measured_ms
    return Agreement(
        pair=pair,
        count=1 if before is None else before.count + 1,
        level=level,
        limit=LIMIT,
        standing="disagrees" if known or beyond else "agrees",
        since_ms=since_ms,
        last=seen,
    )


def follow(records: Iterable[Record]) -> tuple[Agreement, ...]:
    """How every pair stands after records in the order of their decisions, in the order of pairs."""
    standings: dict[Pair, Agreement] = {}
    for record in records:
        for pair, seen in differences_of(record):
            standings[pair] = after(standings.get(pair), pair, seen)
    return tuple(sorted(standings.values(), key=lambda each: each.pair.title))


def settled(before: Agreement) -> Agreement:
    """A pair whose stations were checked: the average begins anew."""
    return replace(before, count=0, level=0.0, standing="agrees", since_ms=0)


def marked(standings: Iterable[Agreement]) -> tuple[str, ...]:
    """The stations that an alarm marks for a check, by id."""
    loud = [each.pair for each in standings if each.standing == "disagrees"]
    return tuple(sorted({name for pair in loud for name in (pair.one, pair.other)}))


def _differences(record: Record, finding: Finding) -> list[tuple[Pair, Difference]]:
    given = [] if finding.decided_by is None else [finding.decided_by]
    best: dict[str, Evidence] = {}
    for evidence in (*given, *finding.monitored_by):  # the best of each station comes first
        if _counts(evidence):
            best.setdefault(evidence.station, evidence)
    return [
        _difference(record, finding, best[one], best[other])
        for one, other in combinations(sorted(best), 2)
    ]


def _counts(evidence: Evidence) -> bool:
    """Whether a value is evidence of its station: flawless, finite, with an uncertainty; a mean of stations is no station's."""
    number = evidence.value
    return (
        not evidence.flaw
        and not evidence.mean_of
        and evidence.quality == "good"
        and number is not None
        and math.isfinite(number)
        and evidence.expanded_u > 0
    )


def _difference(
    record: Record, finding: Finding, one: Evidence, other: Evidence
) -> tuple[Pair, Difference]:
    assert one.value is not None
    assert other.value is not None
    u = math.hypot(_standard_u(one), _standard_u(other))
    z = (one.value - other.value) / u
    pair = Pair(
        part_type=record.part_type, number=finding.number, one=one.station, other=other.station
    )
    seen = Difference(
        serial=record.serial,
        measured_ms=max(one.measured_ms, other.measured_ms),
        unit=finding.unit,
        difference=one.value - other.value,
        middle=0.5 * (one.value + other.value),
        z=z,
        en=z / COVERAGE,
    )
    return pair, seen


def _standard_u(evidence: Evidence) -> float:
    return float(evidence.expanded_u / evidence.k)

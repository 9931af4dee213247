"""A gauge study that the cell carries out: what was ordered, what was measured, and whose turn it is.

Rules of this file:
- A *loading* is one visit of a pallet to the nest of the studied station; in a loading the program runs ``repeats`` times. A loading that
  was cut short counts for nothing and is done again.
- A study goes in rounds: in each every pallet is loaded once, in an order drawn anew from the study's own name. So a drift of the
  station is not taken for a difference of parts, and a replay of the journal draws the same (randomized order: AIAG MSA, 4th edition,
  chapter III section B, from memory).
- What is measured here belongs to the study, never to the record of a part.
"""

import hashlib
from collections import Counter
from collections.abc import Container, Sequence
from decimal import Decimal
from typing import Literal

from supervisor.cell.value import value
from supervisor.verdict.result import StationResult

PALLETS_MAX = 50
LOADINGS_MAX = 50
REPEATS_MAX = 50
RUNS_MAX = 600
"""Runs of one study: 10 parts, 3 loadings, 3 repeats are 90; a study of type 1 has 50. What is measured stands in the state."""
KEPT = 5
"""How many studies the state keeps; older ones stand in the journal."""

End = Literal["", "complete", "stopped", "pallet gone", "station failed", "too slow", "redeclared"]


@value
class Reference:
    """The calibrated value of one characteristic of the studied part, in the characteristic's unit, with its standard uncertainty."""

    number: str
    value: Decimal
    u: Decimal


@value
class Reading:
    """What one run of the study gave. ``visit`` counts the pallet's visits to nests: equal ones are the same loading."""

    pallet: str
    serial: str
    visit: int
    result: StationResult


@value
class GaugeStudy:
    """One study. ``end`` is "" while it goes on; ``why`` then says nothing, later in words how it ended.

    ``lost`` counts runs that ended without a result; ``declaration`` is the digest of the cell under which it was ordered.
    """

    study: str
    pallets: tuple[str, ...]
    part_type: str
    station: str
    program: str
    loadings: int
    repeats: int
    references: tuple[Reference, ...]
    by: str
    declaration: str
    begun_ms: int
    readings: tuple[Reading, ...] = ()
    lost: int = 0
    ended_ms: int = 0
    end: End = ""
    why: str = ""

    @property
    def runs(self) -> int:
        """How many runs it consists of."""
        return len(self.pallets) * self.loadings * self.repeats


def in_visit(study: GaugeStudy, pallet: str, visit: int) -> int:
    """How many runs of a loading have given a result."""
    return sum(each.pallet == pallet and each.visit == visit for each in study.readings)


def loadings_of(study: GaugeStudy, pallet: str) -> tuple[tuple[Reading, ...], ...]:
    """The whole loadings of a pallet, in order, each with its readings; no more of them than ordered."""
    by_visit: dict[int, list[Reading]] = {}
    for reading in study.readings:
        if reading.pallet == pallet:
            by_visit.setdefault(reading.visit, []).append(reading)
    whole = [tuple(by_visit[visit]) for visit in sorted(by_visit)]
    return tuple([each for each in whole if len(each) == study.repeats][: study.loadings])


def loadings_done(study: GaugeStudy) -> dict[str, int]:
    """How many whole loadings each pallet has had."""
    runs = Counter((each.pallet, each.visit) for each in study.readings)
    whole = Counter(pallet for (pallet, _), count in runs.items() if count >= study.repeats)
    return {pallet: min(whole[pallet], study.loadings) for pallet in study.pallets}


def is_whole(study: GaugeStudy) -> bool:
    """Whether everything that was ordered has been measured."""
    return all(done == study.loadings for done in loadings_done(study).values())


def order_of(study: GaugeStudy, number: int) -> tuple[str, ...]:
    """The drawn order of the pallets in a round, counted from 0."""

    def drawn(pallet: str) -> bytes:
        return hashlib.sha256(f"{study.study} {number} {pallet}".encode()).digest()

    return tuple(sorted(study.pallets, key=drawn))


def next_up(
    study: GaugeStudy, *, in_nest: str, in_hand: Sequence[str], ready: Container[str]
) -> str:
    """The pallet that is to be loaded next; "" if none is, or none that is due is ``ready``.

    ``in_nest`` is the pallet in the nest of the studied station ("" = none, or none of the study). While it is the last of its round,
    the next round may begin with another.
    """
    done = loadings_done(study)
    number = min(done.values())
    due = [pallet for pallet in order_of(study, number) if done[pallet] == number]
    due = [pallet for pallet in due if pallet != in_nest]
    if not due and number + 1 < study.loadings:
        due = [pallet for pallet in order_of(study, number + 1) if pallet != in_nest]
        due = [pallet for pallet in due if done[pallet] == number + 1]
    if number == study.loadings:
        return ""
    carried = [pallet for pallet in due if pallet in in_hand]
    return next((pallet for pallet in (*carried, *due) if pallet in ready), "")

"""What a bench run came to, from its journal and what the machines witnessed.

Rules of this file:
- Everything is worked out from the journal, folded once with today's core; nothing is counted while the cell runs.
- Times are the cell's time. Utilisation is acquisition time over the time from the first pallet seen to the last put out.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from supervisor.core.commands import StoreRecord
from supervisor.core.decide import Core
from supervisor.core.state import CellState
from supervisor.shell.fold import Fold
from supervisor.shell.ports import JournalEntry
from supervisor.verdict.record import Record


@dataclass(frozen=True, slots=True, kw_only=True)
class PartLine:
    """One part: its verdict, how many characteristics each station decided, and its time from seen to put out (None: still inside)."""

    serial: str
    part_type: str
    verdict: str
    decided_by: dict[str, int]
    time_in_cell_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class StationLine:
    """One station: share of the time that it acquired, visits, and how many of these began with a swap."""

    utilisation: float
    visits: int
    swaps: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """A whole run. ``violations`` and ``findings`` are empty when all is well."""

    parts: list[PartLine]
    stations: dict[str, StationLine]
    swaps: int
    exchanges: int
    makespan_s: float
    violations: list[str]
    findings: list[str]
    journal_verified: bool | None
    replay_differences: int | None
    entries: int

    def as_json(self) -> dict[str, Any]:
        """The report as JSON-ready fields."""
        return asdict(self)

    def all_well(self) -> bool:
        """Whether nothing contradicts and everything was checked that could be."""
        return (
            not self.violations
            and not self.findings
            and self.journal_verified is not False
            and not self.replay_differences
        )


class Story:
    """A journal folded once: the records, when parts came and went, and the end state."""

    def __init__(self, deciders: Callable[[str], Core], entries: Iterable[JournalEntry]) -> None:
        """Fold the entries."""
        self.records: list[Record] = []
        self.entries = 0
        self.first_ms: int | None = None
        self.last_ms = 0
        self._out_ms: dict[str, int] = {}
        fold: Fold[CellState] = Fold(deciders)
        for entry in entries:
            self.entries += 1
            fold.take(entry.event, entry.at_ms)
            self.records += [
                command.record for command in entry.commands if isinstance(command, StoreRecord)
            ]
            self._look(fold.state, entry.at_ms)
        self.state = fold.state

    def _look(self, state: CellState, at_ms: int) -> None:
        for pallet in state.pallets.values():
            if self.first_ms is None:
                self.first_ms = at_ms
            if pallet.stage == "sorted" and pallet.serial not in self._out_ms:
                self._out_ms[pallet.serial] = self.last_ms = at_ms

    def makespan_s(self) -> float:
        """From the first pallet seen to the last put out, in s of the cell's time."""
        return (self.last_ms - (self.first_ms or 0)) / 1000 if self._out_ms else 0.0

    def parts(self) -> list[PartLine]:
        """One line per part, in order of their records."""
        latest = {record.serial: record for record in self.records}
        return [self._part(record) for record in latest.values()]

    def _part(self, record: Record) -> PartLine:
        deciding = Counter(
            f.decided_by.station for f in record.findings if f.decided_by is not None
        )
        out_ms = self._out_ms.get(record.serial)
        return PartLine(
            serial=record.serial,
            part_type=record.part_type,
            verdict=record.verdict,
            decided_by=dict(sorted(deciding.items())),
            time_in_cell_s=None
            if out_ms is None
            else round((out_ms - record.entered_ms) / 1000, 1),
        )

    def stations(self) -> dict[str, StationLine]:
        """One line per station."""
        span_ms = max(1.0, self.makespan_s() * 1000)
        return {
            name: StationLine(
                utilisation=round(station.figures.busy_ms / span_ms, 3),
                visits=station.figures.exchanges,
                swaps=station.figures.swaps,
            )
            for name, station in self.state.stations.items()
        }


def report_of(
    story: Story,
    *,
    violations: Sequence[str],
    findings: Sequence[str],
    journal_verified: bool | None,
    replay_differences: int | None,
) -> Report:
    """Put a report together."""
    stations = story.stations()
    return Report(
        parts=story.parts(),
        stations=stations,
        swaps=sum(line.swaps for line in stations.values()),
        exchanges=sum(line.visits for line in stations.values()),
        makespan_s=round(story.makespan_s(), 1),
        violations=list(violations),
        findings=list(findings),
        journal_verified=journal_verified,
        replay_differences=replay_differences,
        entries=story.entries,
    )

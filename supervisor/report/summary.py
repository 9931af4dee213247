"""What many records say together: how many parts conform, and each characteristic's values.

Rules of this file:
- Parts are counted by their record in force; a characteristic's figures are over its deciding values.
- Parts of one type under two revisions of the plan are two groups: their limits may differ.
- A suspect value is one that a failed check has cast doubt on since. It counts by its verdict, which stands, and once more as suspect.
- A mean says nothing about capability: whoever wants that asks the charts, which know the order and the stability.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal

from supervisor.cell.reading_order import reading_order
from supervisor.cell.value import value
from supervisor.report.figures import limit, moment
from supervisor.report.table import formula_free, instant_of, line_of
from supervisor.statistics.moments import Moments, moments
from supervisor.verdict.record import Finding, Record, Verdict
from supervisor.verdict.suspicion import SuspectValue

VERDICTS: tuple[Verdict, ...] = (
    "conforming",
    "nonconforming",
    "undecided",
    "not measured",
    "station error",
)

Counts = dict[Verdict, int]


@value
class CharacteristicSummary:
    """One characteristic over all parts of a group. ``moments`` and extremes are over deciding values; None where there are none."""

    number: str
    name: str
    kind: str
    unit: str
    lower: Decimal | None
    upper: Decimal | None
    verdicts: Counts
    moments: Moments | None
    smallest: float | None
    largest: float | None
    stations: tuple[str, ...]
    suspect: int
    """How many deciding values are in doubt."""


@value
class GroupSummary:
    """All parts of one type under one revision of its plan."""

    part_type: str
    plan_revision: str
    verdicts: Counts
    first_ms: int
    last_ms: int
    batches: tuple[str, ...]
    characteristics: tuple[CharacteristicSummary, ...]
    troubled: tuple[str, ...]
    """Serial numbers of parts that are not proven to conform, as many as ``TROUBLED_MAX``."""
    suspect: int
    """How many parts have a value in doubt."""
    doubted: tuple[str, ...]
    """Their serial numbers, as many as ``TROUBLED_MAX``."""

    @property
    def parts(self) -> int:
        """How many parts."""
        return sum(self.verdicts.values())


TROUBLED_MAX = 500


class _Gathered:
    """What has been seen of one group so far."""

    def __init__(self) -> None:
        self.verdicts: Counter[Verdict] = Counter()
        self.times: list[int] = []
        self.batches: set[str] = set()
        self.troubled: list[str] = []
        self.findings: dict[str, Finding] = {}
        self.counts: dict[str, Counter[Verdict]] = {}
        self.values: dict[str, list[float]] = {}
        self.stations: dict[str, set[str]] = {}
        self.doubts: Counter[str] = Counter()
        self.suspect = 0
        self.doubted: list[str] = []

    def take(self, record: Record, suspect: Sequence[SuspectValue]) -> None:
        self.verdicts[record.verdict] += 1
        self.times = [min([*self.times, record.decided_ms]), max([*self.times, record.decided_ms])]
        self.batches.add(record.batch)
        if record.verdict != "conforming" and len(self.troubled) < TROUBLED_MAX:
            self.troubled.append(record.serial)
        self.doubts.update(each.number for each in suspect)
        self.suspect += bool(suspect)
        if suspect and len(self.doubted) < TROUBLED_MAX:
            self.doubted.append(record.serial)
        for finding in record.findings:
            self._take_finding(finding)

    def _take_finding(self, finding: Finding) -> None:
        number = finding.number
        self.findings.setdefault(number, finding)
        self.counts.setdefault(number, Counter())[finding.verdict] += 1
        by = finding.decided_by
        if by is not None:
            self.stations.setdefault(number, set()).add(by.station)
            if by.value is not None:
                self.values.setdefault(number, []).append(by.value)

    def summary(self, part_type: str, plan_revision: str) -> GroupSummary:
        return GroupSummary(
            part_type=part_type,
            plan_revision=plan_revision,
            verdicts=_all(self.verdicts),
            first_ms=self.times[0],
            last_ms=self.times[1],
            batches=tuple(sorted(self.batches, key=reading_order)),
            characteristics=tuple(self._characteristic(each) for each in self.findings.values()),
            troubled=tuple(sorted(self.troubled, key=reading_order)),
            suspect=self.suspect,
            doubted=tuple(sorted(self.doubted, key=reading_order)),
        )

    def _characteristic(self, finding: Finding) -> CharacteristicSummary:
        values = self.values.get(finding.number, [])
        return CharacteristicSummary(
            number=finding.number,
            name=finding.name,
            kind=finding.kind,
            unit=finding.unit,
            lower=finding.lower,
            upper=finding.upper,
            verdicts=_all(self.counts[finding.number]),
            moments=moments(values) if values else None,
            smallest=min(values) if values else None,
            largest=max(values) if values else None,
            stations=tuple(sorted(self.stations.get(finding.number, ()), key=reading_order)),
            suspect=self.doubts[finding.number],
        )


def summarised(
    records: Iterable[tuple[Record, Sequence[SuspectValue]]],
) -> tuple[GroupSummary, ...]:
    """The groups of records, by part type and revision of the plan. With each record comes what is in doubt since."""
    groups: dict[tuple[str, str], _Gathered] = {}
    for record, suspect in records:
        key = record.part_type, record.plan_revision
        groups.setdefault(key, _Gathered()).take(record, suspect)
    return tuple(groups[key].summary(*key) for key in sorted(groups))


def _all(counts: Counter[Verdict]) -> Counts:
    return {verdict: counts[verdict] for verdict in VERDICTS}


# --- as a table ----------------------------------------------------------------------------------------------------------------

COLUMNS = (
    "part_type",
    "plan_revision",
    "parts",
    "first_decided_at",
    "last_decided_at",
    "number",
    "name",
    "kind",
    "unit",
    "lower",
    "upper",
    *(verdict.replace(" ", "_") for verdict in VERDICTS),
    "values",
    "mean",
    "standard_deviation",
    "smallest",
    "largest",
    "stations",
    "suspect",
)


def summary_table(groups: Iterable[GroupSummary]) -> Iterator[str]:
    """One line for each characteristic of each group (RFC 4180), the head first. The parts themselves are a line without a number."""
    yield line_of(COLUMNS)
    for group in groups:
        about = (
            formula_free(group.part_type),
            formula_free(group.plan_revision),
            str(group.parts),
            instant_of(group.first_ms),
            instant_of(group.last_ms),
        )
        blank = ("",) * 6
        counts = map(str, group.verdicts.values())
        yield line_of((*about, *blank, *counts, *blank, str(group.suspect)))
        for each in group.characteristics:
            yield line_of((*about, *_cells(each)))


def _cells(each: CharacteristicSummary) -> tuple[str, ...]:
    figures = each.moments
    return (
        *map(formula_free, (each.number, each.name, each.kind, each.unit)),
        limit(each.lower),
        limit(each.upper),
        *map(str, each.verdicts.values()),
        str(figures.count if figures else 0),
        repr(figures.mean) if figures else "",
        repr(figures.sd) if figures and figures.sd is not None else "",
        "" if each.smallest is None else repr(each.smallest),
        "" if each.largest is None else repr(each.largest),
        formula_free(" ".join(each.stations)),
        str(each.suspect),
    )


def period(group: GroupSummary) -> str:
    """From the first to the last decision, in UTC."""
    return f"{moment(group.first_ms)} to {moment(group.last_ms)}"

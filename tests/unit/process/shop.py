"""A machine that makes parts, a queue, and a cell that measures them: the truth is known, advice is followed or not.

Rules of this file: records come from ``merge``, as in a cell; a part enters the cell ``queue`` parts after it was made.
"""

import random
from dataclasses import dataclass, field
from datetime import UTC, datetime
from decimal import Decimal

from supervisor.cell.model import (
    Answer,
    Characteristic,
    Coverage,
    DecisionRule,
    PartType,
    Program,
    ToolOffset,
)
from supervisor.process.advice import Advice, advise
from supervisor.process.correction import Correction, Declined, ToolOffsetHistory, tool_offset_key
from supervisor.process.series import one_per_part
from supervisor.verdict import MeasuredValue, Part, PlanTable, Record, StationResult, merge

RULE = DecisionRule(rule="ISO 14253-1:2017", guard_factor=Decimal("1.65"))
START_MS = 1_764_000_000_000
CYCLE_MS = 60_000
SD = 0.002
"""Of the process, in mm; the tolerance is 20 of them."""
U = Decimal("0.001")

BORE = Characteristic(
    number="1",
    name="Rotor bore",
    kind="diameter",
    nominal=Decimal(62),
    lower=Decimal("61.980"),
    upper=Decimal("62.020"),
    unit="mm",
    datum="",
    need="mandatory",
    natural_limit="none",
    required_u=Decimal("0.006"),
    target=Decimal(62),
    answers=(Answer(offset="bore", gain=Decimal(2)),),
)
BORE_OFFSET = ToolOffset(
    offset="bore",
    machine="MC-2",
    tool="T14",
    axis="radius",
    unit="mm",
    increment=Decimal("0.0001"),
    step_max=Decimal("0.010"),
    parts_queued=4,
    parts=5,
)


def body(*plan: Characteristic, offsets: tuple[ToolOffset, ...] = (BORE_OFFSET,)) -> PartType:
    return PartType(
        part_type="pump-body",
        title="Pump body",
        gtin="09521234001010",
        revision="C",
        plan=plan or (BORE,),
        tool_offsets=offsets,
    )


def program(part_type: PartType, station: str, u: Decimal) -> Program:
    return Program(
        program=f"body-{station}",
        station=station,
        part_type=part_type.part_type,
        name="BODY",
        number=1,
        revision="7",
        covers=tuple(Coverage(number=c.number, expanded_u=u, k=Decimal(2)) for c in part_type.plan),
        part_free_ms=1_000,
        result_ms=2_000,
    )


def instant(ms: int) -> str:
    return datetime.fromtimestamp(ms / 1000, UTC).isoformat().replace("+00:00", "Z")


@dataclass
class Shop:
    """Makes one part after the other. ``drift`` is how far the first characteristic moves from part to part, in mm."""

    part_type: PartType = field(default_factory=body)
    drift: float = 0.0
    shift: float = 0.0
    sd: float = SD
    queue: int = 4
    seed: int = 1
    tags: str = "written"
    gain_sign: int = 1
    bias: float = 0.0
    """Of the second station, which monitors."""

    def __post_init__(self) -> None:
        self.draw = random.Random(self.seed)
        self.made: list[tuple[str, int, dict[str, float]]] = []
        self.records: list[Record] = []
        self.known: dict[str, ToolOffsetHistory] = {}
        self.set = {offset.offset: 0.0 for offset in self.part_type.tool_offsets}
        self.table = PlanTable(
            self.part_type,
            (program(self.part_type, "touch-1", U), program(self.part_type, "scan-1", 2 * U)),
            RULE,
        )

    @property
    def now_ms(self) -> int:
        return START_MS + len(self.made) * CYCLE_MS

    def make(self, parts: int = 1) -> None:
        """Make parts, and measure those that reach the cell meanwhile."""
        for _ in range(parts):
            number = len(self.made)
            true = {
                c.number: float(c.nominal)
                + self.shift
                + self.drift * number
                + sum(self.gain_sign * float(a.gain) * self.set[a.offset] for a in c.answers)
                + self.draw.gauss(0.0, self.sd)
                for c in self.part_type.plan
            }
            self.made.append((str(100_000 + number), self.now_ms, true))
            if len(self.made) > self.queue:
                self.measure(*self.made[-1 - self.queue])

    def measure(self, serial: str, made_ms: int, true: dict[str, float]) -> None:
        results = [
            StationResult(
                result_id=f"{station}/{serial}",
                station=station,
                run_id=f"R{serial}",
                program=f"body-{station}",
                measured_ms=self.now_ms,
                values=tuple(
                    MeasuredValue(
                        number=n,
                        value=v + bias + self.draw.gauss(0.0, u),
                        unit="mm",
                        quality="good",
                    )
                    for n, v in true.items()
                ),
            )
            for station, u, bias in (
                ("touch-1", float(U) / 2, 0.0),
                ("scan-1", float(U), self.bias),
            )
        ]
        part = Part(
            serial=serial,
            batch="B-1",
            produced=instant(made_ms) if self.tags == "written" else "",
            pallet="grai:9521234.12345.1",
            declaration="ab12",
            revision=1,
            entered_ms=self.now_ms - CYCLE_MS // 2,
            decided_ms=self.now_ms - CYCLE_MS // 2,
        )
        self.records.append(merge(part, self.table, results))

    def advice(self) -> tuple[Advice, ...]:
        return advise(self.part_type, one_per_part(self.records[-40:]), self.known)

    def only(self) -> Advice:
        (advice,) = self.advice()
        return advice

    def accept(self, advice: Advice) -> None:
        """Enter what is advised; whoever stands at the machine has it in before the next part."""
        self.set[advice.offset.offset] += float(advice.amount)
        before = advice.last.corrected
        self.known[tool_offset_key(advice.part_type, advice.offset.offset)] = ToolOffsetHistory(
            corrected=Correction(
                number=advice.number,
                at_ms=self.now_ms - 1,
                amount=advice.amount,
                total=advice.amount + (before.total if before else 0),
                advice=advice.advice,
                by="M. Weaver",
                why="",
                expected=advice.expected,
            )
        )

    def decline(self, advice: Advice) -> None:
        key = tool_offset_key(advice.part_type, advice.offset.offset)
        self.known[key] = ToolOffsetHistory(
            corrected=advice.last.corrected,
            declined=Declined(
                at_ms=self.now_ms, advice=advice.advice, by="M. Weaver", why="tool change next"
            ),
        )

    def follow(self, parts: int) -> int:
        """Make parts and do whatever is advised; how many corrections that were."""
        corrections = 0
        for _ in range(parts):
            self.make()
            for advice in self.advice():
                if advice.state == "offered":
                    self.accept(advice)
                    corrections += 1
        return corrections

    def error(self, parts: int) -> float:
        """The root mean square distance of the true first characteristic from its target, over the last parts, in mm."""
        target = float(self.part_type.plan[0].target or 0)
        number = self.part_type.plan[0].number
        last = [true[number] - target for _, _, true in self.made[-parts:]]
        return (sum(each * each for each in last) / len(last)) ** 0.5

"""Advice and charts, made from the kept records when somebody asks.

Rules of this file:
- Nothing is kept between two questions: the records and the published state are the truth.
- Questions to the store are asked off the event loop, and so is the arithmetic.
"""

from collections.abc import Mapping, Sequence

from supervisor.api.inside import now_of
from supervisor.api.ports import RecordQuestion, Sources
from supervisor.api.problems import NAME_UNKNOWN, Refusal
from supervisor.cell.model import Characteristic, PartType
from supervisor.cell.value import value
from supervisor.process.advice import Advice, advise
from supervisor.process.control import ControlChart, Grouping, control_chart
from supervisor.process.correction import ToolOffsetHistory
from supervisor.process.series import one_per_part
from supervisor.statistics.charts import RuleSet
from supervisor.verdict.agreement import Agreement
from supervisor.verdict.record import Record
from supervisor.verdict.suspicion import doubted

ADVICE_RECORDS = 100
"""How many records back evidence is looked for: three times what the spread uses, for parts that lack a value."""
CHART_RECORDS = 500


@value
class Standing:
    """What the cell's state says that advice depends on: known tool offsets, and how pairs of stations stand."""

    tool_offsets: Mapping[str, ToolOffsetHistory]
    agreement: tuple[Agreement, ...]


def standing_of(sources: Sources) -> Standing:
    """What the cell knows now. Ask for it on the event loop, before the records.

    Raises:
        Refusal: nothing is published yet.
    """
    state = now_of(sources).state
    return Standing(tool_offsets=state.tool_offsets, agreement=tuple(state.agreement.values()))


def all_advice(sources: Sources, standing: Standing) -> tuple[Advice, ...]:
    """Advice for every offset of every part type."""
    return tuple(
        advice
        for part_type in sources.core.tables.cell.part_types
        if part_type.tool_offsets
        for advice in advise(
            part_type,
            records_of(sources, part_type, ADVICE_RECORDS),
            standing.tool_offsets,
            standing.agreement,
        )
    )


def advice_for(sources: Sources, standing: Standing, part_type: str, offset: str) -> Advice:
    """Advice for one offset.

    Raises:
        Refusal: there is no such offset.
    """
    declared = part_type_of(sources, part_type)
    records = records_of(sources, declared, ADVICE_RECORDS)
    for advice in advise(declared, records, standing.tool_offsets, standing.agreement):
        if advice.offset.offset == offset:
            return advice
    raise Refusal(NAME_UNKNOWN, f"part type {part_type} has no tool offset {offset}")


def chart_of(
    sources: Sources, part_type: str, number: str, rules: RuleSet, grouping: Grouping | None
) -> ControlChart:
    """The chart of one characteristic, with those of subgroups where a grouping is given.

    Raises:
        Refusal: there is no such characteristic.
    """
    declared = part_type_of(sources, part_type)
    characteristic = characteristic_of(declared, number)
    records = records_of(sources, declared, CHART_RECORDS)
    return control_chart(declared, characteristic, records, rules, grouping)


def part_type_of(sources: Sources, name: str) -> PartType:
    """A declared part type.

    Raises:
        Refusal: there is none.
    """
    for part_type in sources.core.tables.cell.part_types:
        if part_type.part_type == name:
            return part_type
    raise Refusal(NAME_UNKNOWN, f"there is no part type {name}")


def characteristic_of(part_type: PartType, number: str) -> Characteristic:
    """A characteristic of a plan.

    Raises:
        Refusal: there is none.
    """
    for characteristic in part_type.plan:
        if characteristic.number == number:
            return characteristic
    raise Refusal(NAME_UNKNOWN, f"part type {part_type.part_type} has no characteristic {number}")


def records_of(sources: Sources, part_type: PartType, limit: int) -> Sequence[Record]:
    """The newest records of a part type, one per part, in the order of making."""
    question = RecordQuestion(part_type=part_type.part_type)
    page = sources.records.page(question, limit=limit, after="")
    return one_per_part([doubted(kept.record, kept.suspect) for kept in page.records])

"""Whether a station finds the calibrated values of a reference part.

Rules of this file:
- A value is found if its deviation is within sqrt(U^2 + U_ref^2), both with k = 2: the En number |x - x_ref| / sqrt(U^2 + U_ref^2) is at
  most 1 (ISO 13528:2022, 9.7; ISO/IEC 17043, annex B; clauses from memory). U is the declared uncertainty of the program, U_ref that of
  the certificate. Where a smaller limit was agreed, that holds.
- The comparison on the limit is exact; only what is shown is rounded.
- With honest uncertainties a good station misses one value in 22 (4.55 %). So a check wants more than one run to fail where the
  declaration says so (``CheckRule.runs_to_fail``).
- A value that is missing or flawed shows nothing, neither good nor bad.
"""

from collections.abc import Sequence
from decimal import Context, Decimal
from typing import Literal

from supervisor.cell.model import EXACT, REQUIRED_U_K, Reference, ReferenceValue
from supervisor.cell.value import value
from supervisor.verdict.conformity import exact_value, shown
from supervisor.verdict.merge import Part
from supervisor.verdict.plan_table import PlanTable
from supervisor.verdict.record import Finding, Record, Verdict
from supervisor.verdict.result import StationResult
from supervisor.verdict.weighing import Weighed, weigh

_SHOWN = Context(prec=6)
_CHECK = "reference check: "
RULE = f"{_CHECK}|x - x_ref| <= sqrt(U^2 + U_ref^2), k = 2 (|En| <= 1, ISO 13528:2022 9.7)"

Outcome = Literal["good", "missed", "no value"]
VERDICTS: dict[Outcome, Verdict] = {
    "good": "conforming",
    "missed": "nonconforming",
    "no value": "station error",
}
WORST_FIRST: tuple[Outcome, ...] = ("missed", "no value", "good")


@value
class Compared:
    """One calibrated value and what the station found: ``deviation`` in its unit, the largest good one (``limit``), and En.

    ``deviation`` and ``en`` are None where there is no value.
    """

    number: str
    unit: str
    reference: Decimal
    deviation: Decimal | None
    limit: Decimal
    en: float | None
    outcome: Outcome
    why: str


def compare(table: PlanTable, reference: Reference, result: StationResult) -> tuple[Compared, ...]:
    """Each calibrated value that the program of a result covers; ``table`` is the plan of the reference part."""
    abilities = table.abilities[result.program]
    weighed = weigh(table, [result])
    return tuple(
        _compared(table, each, result, weighed.get(each.number, ()))
        for each in reference.values
        if each.number in abilities
    )


def _compared(
    table: PlanTable, known: ReferenceValue, result: StationResult, found: Sequence[Weighed]
) -> Compared:
    ability = found[0].ability if found else table.abilities[result.program][known.number]
    unit = ability.characteristic.unit
    own = EXACT.multiply(ability.standard_u, REQUIRED_U_K)
    theirs = EXACT.divide(EXACT.multiply(known.expanded_u, REQUIRED_U_K), known.k)
    square = EXACT.add(EXACT.multiply(own, own), EXACT.multiply(theirs, theirs))
    limit = _SHOWN.sqrt(square)
    if known.limit is not None:
        limit = min(limit, known.limit)
    flaw = next((each.flaw for each in found if each.flaw), "" if found else "it gave no value")
    if flaw:
        return Compared(
            number=known.number,
            unit=unit,
            reference=known.value,
            deviation=None,
            limit=limit,
            en=None,
            outcome="no value",
            why=flaw,
        )
    deviation = EXACT.subtract(exact_value(found[0].number), known.value)
    within = EXACT.multiply(deviation, deviation) <= square
    good = within and (known.limit is None or abs(deviation) <= known.limit)
    says = f"{_to_the_place(deviation, limit)} {unit} from {shown(known.value)}, {'within' if good else 'beyond'} {_to_the_place(limit, limit)}"
    return Compared(
        number=known.number,
        unit=unit,
        reference=known.value,
        deviation=deviation,
        limit=limit,
        en=float(deviation) / float(EXACT.sqrt(square)),
        outcome="good" if good else "missed",
        why=says,
    )


def _to_the_place(number: Decimal, limit: Decimal) -> str:
    """A number to the third digit of the limit that it is compared with; with all its digits where that would hide which is larger."""
    place = Decimal(1).scaleb(limit.adjusted() - 2)
    rounded = number.quantize(place)
    hides = number != limit and abs(rounded) == limit.quantize(place)
    return shown(number if hides else rounded)


def check_record(
    part: Part, table: PlanTable, result: StationResult, compared: Sequence[Compared]
) -> Record:
    """What is kept of a check: a record of the reference part, whose limits are those of the check."""
    weighed = weigh(table, [result])
    findings = tuple(_finding(table, each, weighed.get(each.number, ())) for each in compared)
    worst = _worst(compared)
    named = next(
        (f"characteristic {c.number}: {c.why}" for c in compared if c.outcome == worst), ""
    )
    return Record(
        serial=part.serial,
        part_type=table.part_type.part_type,
        plan_revision=table.part_type.revision,
        batch=part.batch,
        produced=part.produced,
        pallet=part.pallet,
        declaration=part.declaration,
        rule=RULE,
        revision=part.revision,
        entered_ms=part.entered_ms,
        decided_ms=part.decided_ms,
        verdict=VERDICTS[worst],
        why=f"check of {result.station} by {result.program}: {named}",
        findings=findings,
    )


def is_check(record: Record) -> bool:
    """Whether a record tells of a check with a reference part, and of no part that was made for somebody."""
    return record.rule.startswith(_CHECK)


def _worst(compared: Sequence[Compared]) -> Outcome:
    for outcome in WORST_FIRST:
        if any(each.outcome == outcome for each in compared):
            return outcome
    return "good"


def _finding(table: PlanTable, compared: Compared, found: Sequence[Weighed]) -> Finding:
    plan = {each.number: each for each in table.part_type.plan}
    characteristic = plan[compared.number]
    lower = EXACT.subtract(compared.reference, compared.limit)
    upper = EXACT.add(compared.reference, compared.limit)
    return Finding(
        number=compared.number,
        name=characteristic.name,
        kind=characteristic.kind,
        unit=compared.unit,
        nominal=compared.reference,
        lower=lower,
        upper=upper,
        accept_lower=lower,
        accept_upper=upper,
        need="mandatory",
        verdict=VERDICTS[compared.outcome],
        why=compared.why,
        decided_by=found[0].evidence if found and compared.outcome != "no value" else None,
        monitored_by=tuple(each.evidence for each in found)
        if compared.outcome == "no value"
        else (),
    )

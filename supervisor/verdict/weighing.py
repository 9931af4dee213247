"""Every measured value of one part, weighed: how capable its program is, and what is wrong with it.

Rules of this file:
- A value may decide only if its program is capable and nothing is wrong with it; every other value is still shown.
- A value whose uncertainty nobody declared is no evidence: the program does not cover that characteristic.
- Of two values that may decide, the one with the smaller uncertainty does; then the newest; then the first station by id.
"""

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from decimal import Decimal

from supervisor.cell.model import EXACT, SENSITIVITY, Characteristic, Derived, Offset, Station
from supervisor.cell.value import replace, value
from supervisor.verdict.conformity import exact_value
from supervisor.verdict.geometry import derived_value
from supervisor.verdict.plan_table import Ability, PlanTable
from supervisor.verdict.record import Correction, Evidence, Vouching
from supervisor.verdict.result import MeasuredValue, StationResult
from supervisor.verdict.warmth import Warmth, grown, warmth_of


@value
class Weighed:
    """One value of one result. ``flaw`` is "" or what is wrong with it, for people.

    ``ability`` has the uncertainty of this very value; ``warmth`` is what brought it to 20 degrees (None = nothing did).
    """

    ability: Ability
    result: StationResult
    measured: MeasuredValue
    flaw: str
    station: Station | None
    warmth: Warmth | None = None

    @property
    def may_decide(self) -> bool:
        """Whether a verdict may rest on it."""
        return self.ability.capable and not self.flaw

    @property
    def number(self) -> float:
        """The number of a value without flaw, corrected by the offset in force and to 20 degrees."""
        assert self.measured.value is not None
        number = corrected(self.ability, self.measured.value)
        if self.warmth is None:
            return number
        return float(EXACT.add(exact_value(number), self.warmth.amount))

    @property
    def evidence(self) -> Evidence:
        """What a record keeps of it."""
        coverage, program = self.ability.coverage, self.ability.program
        station, offset = self.station, self.ability.coverage.offset
        number = self.measured.value
        corrections = () if self.flaw else _corrections(offset, self.warmth)
        return Evidence(
            value=self.number if corrections else number,
            unit=self.measured.unit,
            quality=self.measured.quality,
            expanded_u=coverage.expanded_u,
            k=coverage.k,
            station=self.result.station,
            program=program.program,
            program_revision=program.revision,
            run_id=self.result.run_id,
            result_id=self.result.result_id,
            measured_ms=self.result.measured_ms,
            raw=number,
            corrections=corrections,
            standard_u=self.ability.standard_u,
            dof=coverage.dof,
            station_serial=station.serial_number if station else "",
            calibration=station.calibration if station else "",
            calibration_due=station.calibration_due if station else "",
            flaw=self.flaw,
            part_c=self.result.part_c,
            compensated=self.result.compensated,
            last_check=_vouching(self.result, self.measured.number),
        )


def _vouching(result: StationResult, number: str) -> Vouching | None:
    """The newest check that vouches for a value."""
    found = [each for each in result.checks if number in each.numbers]
    if not found:
        return None
    last = max(found, key=lambda each: (each.at_ms, each.program))
    return Vouching(program=last.program, run_id=last.run_id, at_ms=last.at_ms)


def weigh(table: PlanTable, results: Sequence[StationResult]) -> dict[str, list[Weighed]]:
    """Every value of the plan by characteristic number, in no particular order: ``precedence`` gives one.

    Results of programs that the table does not hold carry no evidence.
    """
    weighed: dict[str, list[Weighed]] = {}
    for result in results:
        abilities = table.abilities.get(result.program)
        if abilities is not None:
            _weigh_result(weighed, table, abilities, result)
    return weighed


def precedence(weighed: Weighed) -> tuple[bool, Decimal, int, str, str]:
    """A sort key that puts the value that decides first."""
    result = weighed.result
    return (
        not weighed.may_decide,
        weighed.ability.standard_u,
        -result.measured_ms,
        result.station,
        result.result_id,
    )


def flaw(ability: Ability, measured: MeasuredValue) -> str:
    """What keeps a value from deciding, for people; "" if nothing does."""
    unit = ability.characteristic.unit
    if measured.quality != "good":
        return f"its quality is {measured.quality}"
    if measured.value is None or not math.isfinite(measured.value):
        return "it is no finite number"
    if measured.unit != unit:
        return f"its unit is {measured.unit or 'missing'} instead of {unit}"
    if ability.characteristic.natural_limit == "zero" and _impossible(ability, measured.value):
        return "it is below zero by more than its uncertainty"
    return ""


def _impossible(ability: Ability, number: float) -> bool:
    """A form error or a roughness cannot be negative; far below zero something other than the part was measured."""
    return exact_value(corrected(ability, number)) < ability.coverage.expanded_u.copy_negate()


def corrected(ability: Ability, raw: float) -> float:
    """A finite value less the bias of the offset in force, exactly."""
    offset = ability.coverage.offset
    return raw if offset is None else float(EXACT.subtract(exact_value(raw), offset.bias))


def expired(ability: Ability, result: StationResult) -> str:
    """That the offset which would correct a value had expired when it was measured, for people; "" if not.

    The station is known to be biased then, and by how much is not known any more: neither the raw nor the corrected value decides.
    """
    offset = ability.coverage.offset
    if offset is None:
        return ""
    day = datetime.fromtimestamp(result.measured_ms / 1000, UTC).date().isoformat()
    if day <= offset.expires_on:
        return ""
    return f"its offset {offset.title} expired on {offset.expires_on}: {offset.owner} has to compare {offset.station} with {offset.reference} anew"


def doubt(ability: Ability, result: StationResult) -> str:
    """Why a value is in doubt that was sound when it came, for people; "" if it is not."""
    number = ability.characteristic.number
    return next((each.why for each in result.doubts if each.number == number), "")


def _corrections(offset: Offset | None, warmth: Warmth | None) -> tuple[Correction, ...]:
    found: list[Correction] = []
    if offset is not None:
        amount = offset.bias.copy_negate()
        found.append(
            Correction(kind="offset", name=offset.title, amount=amount, u=offset.standard_u)
        )
    if warmth is not None:
        found.append(warmth.correction)
    return tuple(found)


def _weigh_result(
    weighed: dict[str, list[Weighed]],
    table: PlanTable,
    abilities: Mapping[str, Ability],
    result: StationResult,
) -> None:
    station = table.stations.get(result.station)
    times_given = Counter([measured.number for measured in result.values])
    for measured in result.values:
        ability = abilities.get(measured.number)
        if ability is not None:
            repeated = times_given[measured.number] > 1
            wrong = (
                "the same result gives it more than once"
                if repeated
                else flaw(ability, measured) or expired(ability, result) or doubt(ability, result)
            )
            one = Weighed(
                ability=ability, result=result, measured=measured, flaw=wrong, station=station
            )
            weighed.setdefault(measured.number, []).append(_at_reference(table, one))
    for ability in abilities.values():
        if ability.characteristic.derived is not None:
            _derive(weighed, table, abilities, ability, result)


def _at_reference(table: PlanTable, one: Weighed) -> Weighed:
    """The value at 20 degrees, as sure as that can be told, where the plan says how and the station did not do so itself."""
    number = one.measured.value
    if one.flaw or number is None:
        return one
    warmth = warmth_of(one.ability.characteristic, table.part_type.expansion, one.result, number)
    if warmth is None:
        return one
    return replace(one, warmth=warmth, ability=grown(table, one.ability, warmth.u))


def _derive(
    weighed: dict[str, list[Weighed]],
    table: PlanTable,
    abilities: Mapping[str, Ability],
    ability: Ability,
    result: StationResult,
) -> None:
    """A value that follows from others of the same result, unless the station gives it itself or a component is missing."""
    derived = ability.characteristic.derived
    assert derived is not None
    given = {each.number for each in result.values}
    if ability.characteristic.number in given or not given.issuperset(derived.of):
        return
    parts = [
        next(each for each in weighed.get(number, ()) if each.result is result)
        for number in derived.of
        if number in abilities
    ]
    if len(parts) < len(derived.of):
        return
    wrong = next((f"its component {p.measured.number}: {p.flaw}" for p in parts if p.flaw), "")
    warm = max((part.warmth.u for part in parts if part.warmth is not None), default=None)
    if warm is not None and not wrong:
        ability = grown(table, ability, EXACT.multiply(warm, SENSITIVITY[derived.formula]))
    one = Weighed(
        ability=ability,
        result=result,
        measured=_derived(ability.characteristic, derived, () if wrong else parts),
        flaw=wrong or expired(ability, result) or doubt(ability, result),
        station=table.stations.get(result.station),
    )
    weighed.setdefault(ability.characteristic.number, []).append(one)


def _derived(
    characteristic: Characteristic, derived: Derived, parts: Sequence[Weighed]
) -> MeasuredValue:
    """The derived value; none without parts."""
    number = None
    if parts:
        values = [exact_value(part.number) for part in parts]
        nominals = [part.ability.characteristic.nominal for part in parts]
        number = float(derived_value(derived.formula, values, nominals))
    return MeasuredValue(
        number=characteristic.number,
        value=number,
        unit=characteristic.unit,
        quality="bad" if number is None else "good",
    )

"""The verdict on one characteristic by the value that decides it, once all results are there.

Rules of this file:
- Most characteristics are judged by the zones of the ability that measured them. One with a maximum-material bonus is judged by its
  drawn tolerance and what the actual size of its feature adds: another station may have given that size.
- The size brings its own uncertainty: it is added to that of the value, by root sum of squares (JCGM 100:2008 5.1.2).
- A bonus is never guessed: where the size has no deciding value, a value that needs one is undecided.
"""

from collections.abc import Mapping, Sequence
from decimal import Decimal

from supervisor.cell.model import EXACT, Characteristic
from supervisor.cell.quadrature import in_quadrature
from supervisor.cell.value import replace, value
from supervisor.verdict.conformity import (
    Judgement,
    Zones,
    conformance_probability,
    exact_value,
    factor_for,
    judge,
    shown,
    verdict_on,
    zones,
)
from supervisor.verdict.geometry import maximum_material_bonus
from supervisor.verdict.plan_table import PlanTable
from supervisor.verdict.record import Bonus
from supervisor.verdict.weighing import Weighed, precedence


@value
class Applied:
    """What a value was judged by. ``upper`` is the drawn upper limit with the bonus; ``lacking`` names a size without value, or is ""."""

    bounds: Zones
    upper: Decimal | None
    standard_u: Decimal
    dof: int | None
    guard_factor: Decimal
    bonus: Bonus | None
    lacking: str


def applied(
    table: PlanTable, deciding: Weighed, weighed: Mapping[str, Sequence[Weighed]]
) -> Applied:
    """The zones for a deciding value; ``weighed`` are all values of the part."""
    ability = deciding.ability
    material = ability.characteristic.material
    plain = Applied(
        bounds=ability.bounds,
        upper=ability.characteristic.upper,
        standard_u=ability.standard_u,
        dof=ability.coverage.dof,
        guard_factor=ability.guard_factor,
        bonus=None,
        lacking="",
    )
    if material is None:
        return plain
    sizes = weighed.get(material.size)
    size = min(sizes, key=precedence) if sizes else None
    if size is None or not size.may_decide:
        return replace(plain, lacking=material.size)
    return _with_bonus(table, plain, ability.characteristic, size)


def verdict_of(deciding: Weighed, by: Applied) -> Judgement:
    """The verdict with its reason."""
    unit = deciding.ability.characteristic.unit
    judged = judge(deciding.number, by.bounds, unit)
    if by.lacking and judged.verdict != "conforming":
        why = f"{judged.why}; the maximum-material bonus is not known, as {by.lacking} has no deciding value"
        return Judgement(verdict="undecided", why=why)
    if by.bonus is not None:
        size = by.bonus
        told = f"{shown(size.amount)} {unit} of it by the size {size.number}, which {size.station} gave (run {size.run_id})"
        return replace(judged, why=f"{judged.why}; {told}")
    return judged


def is_decided(deciding: Weighed, by: Applied) -> bool:
    """Whether the value proves something."""
    verdict = verdict_on(exact_value(deciding.number), by.bounds)
    return verdict == "conforming" or (verdict == "nonconforming" and not by.lacking)


def probability_of(deciding: Weighed, by: Applied) -> float:
    """The probability that the requirement, bonus included, is kept."""
    requirement = deciding.ability.characteristic
    if by.bonus is not None:
        requirement = replace(requirement, upper=by.upper)
    return conformance_probability(deciding.number, requirement, by.standard_u, by.dof)


def _with_bonus(
    table: PlanTable, plain: Applied, characteristic: Characteristic, size: Weighed
) -> Applied:
    material, measured = characteristic.material, size.ability.characteristic
    assert material is not None
    assert characteristic.upper is not None, "a zone has an upper limit"
    assert measured.lower is not None, "a size that gives a bonus has two limits"
    assert measured.upper is not None, "a size that gives a bonus has two limits"
    amount = maximum_material_bonus(
        exact_value(size.number), measured.lower, measured.upper, material.feature
    )
    standard_u = in_quadrature(plain.standard_u, size.ability.standard_u)
    dof = min((each for each in (plain.dof, size.ability.coverage.dof) if each), default=None)
    factor = factor_for(table.rule.guard_factor, dof)
    upper = EXACT.add(characteristic.upper, amount)
    return Applied(
        bounds=zones(characteristic.lower, upper, characteristic.natural_limit, standard_u, factor),
        upper=upper,
        standard_u=standard_u,
        dof=dof,
        guard_factor=factor,
        bonus=Bonus(
            number=material.size,
            station=size.result.station,
            run_id=size.result.run_id,
            actual=size.number,
            amount=amount,
        ),
        lacking="",
    )

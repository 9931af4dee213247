"""Values of parts that were measured warm or cold, brought to 20 degrees Celsius.

Rules of this file:
- Corrected is only where the plan declares how the part expands, the station gives the part's temperature, and says that it has **not**
  compensated itself. Correcting twice is the usual error where stations are merged; where the station does not say, nothing is done.
- Lengths alone expand: sizes and distances, not form, not angles. A derived value follows from its corrected components.
- The correction brings uncertainty, and the value has it from then on: zones, capability and rank follow.

ISO 1:2022 (reference temperature 20 degrees); L20 = L (1 - alpha (t - 20)) and its uncertainty by root sum of squares (JCGM 100:2008 5.1.2).
"""

from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Context, Decimal

from supervisor.cell.model import Characteristic, Expansion
from supervisor.cell.quadrature import in_quadrature
from supervisor.cell.value import replace, value
from supervisor.statistics.thermal import REFERENCE_C, correction_u, expansion
from supervisor.verdict.plan_table import Ability, PlanTable, ability_of
from supervisor.verdict.record import Correction
from supervisor.verdict.result import StationResult

LENGTHS = ("mm", "um")
_READABLE = Context(prec=9, rounding=ROUND_HALF_EVEN)
_UPWARD = Context(prec=9, rounding=ROUND_CEILING)


@value
class Warmth:
    """What brings a value to 20 degrees: the amount to be added and its standard uncertainty, in the value's unit; ``name`` for people."""

    name: str
    amount: Decimal
    u: Decimal

    @property
    def correction(self) -> Correction:
        """What a record keeps of it."""
        return Correction(kind="temperature", name=self.name, amount=self.amount, u=self.u)


def warmth_of(
    characteristic: Characteristic,
    declared: Expansion | None,
    result: StationResult,
    number: float,
) -> Warmth | None:
    """The correction of one value; None where none is declared, possible or allowed."""
    if declared is None or result.part_c is None or result.compensated != "no":
        return None
    if characteristic.unit not in LENGTHS or characteristic.natural_limit != "none":
        return None
    per_k, u_per_k = float(declared.per_k), float(declared.u_per_k)
    longer = expansion(number, per_k, result.part_c)
    u = correction_u(number, per_k, result.part_c, u_per_k, float(declared.temperature_u_k))
    return Warmth(
        name=f"from {result.part_c:g} to {REFERENCE_C:g} °C, {float(declared.per_k) * 1e6:g}e-6/K",
        amount=_READABLE.create_decimal(repr(-longer)),
        u=_UPWARD.create_decimal(repr(abs(u))),
    )


def grown(table: PlanTable, ability: Ability, u: Decimal) -> Ability:
    """An ability whose standard uncertainty has another one beside it."""
    if not u:
        return ability
    expanded_u = _UPWARD.multiply(in_quadrature(ability.standard_u, u), ability.coverage.k)
    coverage = replace(ability.coverage, expanded_u=expanded_u)
    return ability_of(ability.characteristic, ability.program, coverage, table.rule)

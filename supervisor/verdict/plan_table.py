"""Who can decide what of one part type, and how well: worked out once from the declaration.

Rules of this file:
- Capability belongs to a program and a characteristic, never to a station as a whole.
- What a program is capable of says ``Coverage.decides``; here nobody compares uncertainties again.
- Nothing here depends on a part; a table never changes after construction.
"""

from collections.abc import Sequence
from decimal import Decimal

from supervisor.cell.model import (
    Characteristic,
    Coverage,
    DecisionRule,
    PartType,
    Program,
    Station,
)
from supervisor.cell.value import value
from supervisor.verdict.conformity import Zones, factor_for, standard_uncertainty, zones


@value
class Ability:
    """How a program can judge a characteristic: its uncertainty, whether that is small enough, and the zones that follow.

    ``guard_factor`` is that of the decision rule, widened where the uncertainty has few degrees of freedom.
    """

    characteristic: Characteristic
    program: Program
    coverage: Coverage
    standard_u: Decimal
    guard_factor: Decimal
    capable: bool
    bounds: Zones


class PlanTable:
    """The inspection plan of a part type with every program's abilities.

    ``programs`` may hold those of other part types too; they are left out. ``rule`` is the cell's; a plan's own goes before it.
    ``stations`` tell serial numbers and calibrations; what is said of a station that is missing there is empty.
    """

    __slots__ = ("abilities", "capable", "part_type", "programs", "rule", "stations")

    def __init__(
        self,
        part_type: PartType,
        programs: Sequence[Program],
        rule: DecisionRule,
        stations: Sequence[Station] = (),
    ) -> None:
        self.part_type = part_type
        self.rule = rule = part_type.rule or rule
        self.stations = {station.station: station for station in stations}
        self.programs = tuple(each for each in programs if each.part_type == part_type.part_type)
        plan = {characteristic.number: characteristic for characteristic in part_type.plan}
        self.abilities = {each.program: _abilities(plan, each, rule) for each in self.programs}
        """By program id and characteristic number."""
        self.capable = {number: self._capable_of(number) for number in plan}
        """By characteristic number: the capable abilities, the smallest uncertainty first, then by program id."""

    def _capable_of(self, number: str) -> tuple[Ability, ...]:
        covering = (self.abilities[each.program].get(number) for each in self.programs)
        found = [ability for ability in covering if ability is not None and ability.capable]
        return tuple(
            sorted(found, key=lambda ability: (ability.standard_u, ability.program.program))
        )

    @property
    def undecidable(self) -> tuple[str, ...]:
        """The mandatory characteristics that no program is capable of deciding: a gap of the declaration."""
        return tuple(
            each.number
            for each in self.part_type.plan
            if each.need == "mandatory" and not self.capable[each.number]
        )


def _abilities(
    plan: dict[str, Characteristic], program: Program, rule: DecisionRule
) -> dict[str, Ability]:
    return {
        coverage.number: ability_of(plan[coverage.number], program, coverage, rule)
        for coverage in program.covers
        if coverage.number in plan
    }


def ability_of(
    characteristic: Characteristic, program: Program, coverage: Coverage, rule: DecisionRule
) -> Ability:
    """How a program judges a characteristic with the uncertainty of a coverage."""
    standard_u = standard_uncertainty(coverage.expanded_u, coverage.k)
    guard_factor = factor_for(rule.guard_factor, coverage.dof)
    return Ability(
        characteristic=characteristic,
        program=program,
        coverage=coverage,
        standard_u=standard_u,
        guard_factor=guard_factor,
        capable=coverage.decides(characteristic.required_u),
        bounds=zones(
            characteristic.lower,
            characteristic.upper,
            characteristic.natural_limit,
            standard_u,
            guard_factor,
        ),
    )

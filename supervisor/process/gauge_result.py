"""What a gauge study says, characteristic by characteristic.

Rules of this file:
- Only whole loadings count. What is judged is the value as records would have it: derived where it is derived, with the offset in
  force. A characteristic that lacks a good value anywhere is not judged, and says why.
- One part: type 1 (Cg, and Cgk and bias where its calibrated value is known). Several parts in several loadings with several runs each:
  repeatability and reproducibility, by analysis of variance and by ranges. Several parts with one run in each loading, or one loading:
  repeatability alone.
- In a cell nobody holds the gauge. What handbooks call the operator is the round of loadings: reproducibility is what changes from round
  to round, and, in the analysis of variance, what changes when one part is clamped anew (the interaction). **Ranges cannot see the
  latter.** Where the two methods differ much, that is why.
- Limits are conventions and carry their names: 1.33 for Cg and Cgk, and 10 % and 30 % of the tolerance with five distinct categories
  (automotive handbooks AIAG MSA and VDA 5, from memory: common practice, no clause).
"""

from collections.abc import Mapping, Sequence
from typing import Literal

from supervisor.cell.model import Characteristic
from supervisor.cell.value import value
from supervisor.process.gauge_study import GaugeStudy, loadings_of
from supervisor.statistics import gauge
from supervisor.statistics.charts import D2
from supervisor.statistics.gauge import Components, TypeOne
from supervisor.verdict.plan_table import PlanTable
from supervisor.verdict.result import StationResult
from supervisor.verdict.weighing import weigh

CG_MIN = 1.33
GOOD_PERCENT, FAIR_PERCENT = 10.0, 30.0
CATEGORIES_MIN = 5
TYPE_ONE_RUNS = 25
"""Fewer runs than this make a weak study of type 1; 50 are usual (common practice)."""

Rating = Literal["good", "conditional", "not capable", "not rated"]
Values = tuple[tuple[tuple[float, ...], ...], ...]
"""Parts x loadings x runs."""


@value
class CharacteristicFound:
    """What the study says of one characteristic, in its unit.

    ``lacking`` says why nothing was worked out ("" = it was). ``tolerance`` is None without two limits. ``reference`` is the calibrated
    value. ``declared_u`` is the standard uncertainty that the declaration states for this program.
    """

    characteristic: Characteristic
    tolerance: float | None
    declared_u: float
    reference: float | None
    values: Values
    lacking: str
    type_one: TypeOne | None
    anova: Components | None
    ranges: Components | None
    rating: Rating
    why: str


def found_in(study: GaugeStudy, table: PlanTable) -> tuple[CharacteristicFound, ...]:
    """One finding for each characteristic that the studied program measures, in the order of the plan."""
    abilities = table.abilities.get(study.program, {})
    whole = [loadings_of(study, pallet) for pallet in study.pallets]
    least = min((len(each) for each in whole), default=0)
    results = [
        [[reading.result for reading in loading] for loading in part[:least]] for part in whole
    ]
    references = {each.number: float(each.value) for each in study.references}
    return tuple(
        _found(table, study.program, characteristic, results, references)
        for characteristic in table.part_type.plan
        if characteristic.number in abilities
    )


def _found(
    table: PlanTable,
    program: str,
    characteristic: Characteristic,
    results: Sequence[Sequence[Sequence[StationResult]]],
    references: Mapping[str, float],
) -> CharacteristicFound:
    values, lacking = _values(table, characteristic.number, results)
    tolerance = _tolerance(characteristic)
    reference = references.get(characteristic.number)
    one: TypeOne | None = None
    anova: Components | None = None
    ranges: Components | None = None
    if not lacking:
        try:
            if len(values) == 1:
                one = _type_one(values[0], reference, tolerance)
            else:
                anova, ranges = _components(values)
        except ValueError as wrong:
            lacking = str(wrong)
    rating, why = _rated(one, anova, tolerance, reference)
    return CharacteristicFound(
        characteristic=characteristic,
        tolerance=tolerance,
        declared_u=float(table.abilities[program][characteristic.number].standard_u),
        reference=reference,
        values=values,
        lacking=lacking,
        type_one=one,
        anova=anova,
        ranges=ranges,
        rating="not rated" if lacking else rating,
        why=lacking or why,
    )


def _tolerance(characteristic: Characteristic) -> float | None:
    """The width between the limits; that of a value which cannot be negative ends at zero."""
    lower = characteristic.lower
    if lower is None and characteristic.natural_limit == "zero":
        lower = characteristic.nominal * 0
    if lower is None or characteristic.upper is None:
        return None
    return float(characteristic.upper - lower)


def _values(
    table: PlanTable, number: str, results: Sequence[Sequence[Sequence[StationResult]]]
) -> tuple[Values, str]:
    """The values of one characteristic, or what is wrong."""
    if not results or not results[0]:
        return (), "no loading of every part is whole"
    parts: list[tuple[tuple[float, ...], ...]] = []
    for part in results:
        loadings: list[tuple[float, ...]] = []
        for loading in part:
            runs: list[float] = []
            for result in loading:
                weighed = weigh(table, (result,)).get(number, [])
                if not weighed or weighed[0].flaw:
                    flaw = weighed[0].flaw if weighed else "it has no value"
                    return (), f"run {result.run_id}: {flaw}"
                runs.append(weighed[0].number)
            loadings.append(tuple(runs))
        parts.append(tuple(loadings))
    return tuple(parts), ""


def _type_one(
    part: Sequence[Sequence[float]], reference: float | None, tolerance: float | None
) -> TypeOne:
    """Without a calibrated value the mean stands for it: then only the spread says something (Cg)."""
    values = [each for loading in part for each in loading]
    middle = sum(values) / len(values) if reference is None else reference
    return gauge.type_one(values, middle, tolerance or 0.0)


def _components(values: Values) -> tuple[Components, Components | None]:
    """By analysis of variance, and by ranges where there are constants for so many (up to ten)."""
    loadings, repeats = len(values[0]), len(values[0][0])
    if loadings > 1 and repeats > 1:
        small = max(len(values), loadings, repeats) <= len(D2) + 1
        return gauge.by_anova(values), gauge.by_range(values) if small else None
    flat = [[each for loading in part for each in loading] for part in values]
    small = max(len(flat), len(flat[0])) <= len(D2) + 1
    return gauge.within_parts(flat), gauge.within_parts_by_range(flat) if small else None


def _rated(
    one: TypeOne | None, anova: Components | None, tolerance: float | None, reference: float | None
) -> tuple[Rating, str]:
    if one is not None and tolerance is not None:
        return _rated_one(one, reference)
    if anova is not None:
        return _rated_components(anova, tolerance)
    return "not rated", "it has no tolerance to compare with"


def _rated_one(one: TypeOne, reference: float | None) -> tuple[Rating, str]:
    least = one.cg if reference is None else min(one.cg, one.cgk)
    said = f"Cg {one.cg:.2f}" + ("" if reference is None else f", Cgk {one.cgk:.2f}")
    weak = f"; {one.count} runs are few" if one.count < TYPE_ONE_RUNS else ""
    if least < CG_MIN:
        return "not capable", f"{said}, at least {CG_MIN} wanted{weak}"
    if reference is None:
        return (
            "conditional",
            f"{said}, at least {CG_MIN}; no calibrated value, so its bias is not judged{weak}",
        )
    return "good", f"{said}, at least {CG_MIN}{weak}"


def _rated_components(anova: Components, tolerance: float | None) -> tuple[Rating, str]:
    if tolerance is None:
        percent, of = anova.gauge_percent, "the total variation"
    else:
        percent, of = anova.tolerance_percent(tolerance), "the tolerance"
    said = f"six standard deviations of the gauge are {percent:.1f} % of {of}"
    if percent > FAIR_PERCENT:
        return "not capable", f"{said}, at most {FAIR_PERCENT:g} % wanted"
    few = anova.distinct_categories < CATEGORIES_MIN
    note = (
        f"; {anova.distinct_categories} distinct categories, the parts are much alike"
        if few
        else ""
    )
    return ("good" if percent <= GOOD_PERCENT else "conditional"), said + note

"""The mean of two stations for one characteristic, where the plan asks for it.

Rules of this file:
- Only by opt-in: the plan names the two stations and says how their errors are correlated. Known biases are removed by offsets before.
- Both values may decide by themselves; otherwise there is no mean, and the most capable value decides as always.
- Generalised least squares (``statistics.agreement.correlated_mean``). A correlation that leaves the poorer value no weight leaves the
  better one alone.
- Values that are further apart than their uncertainties allow get a mean with a larger uncertainty (Birge 1932), never a smaller one.
"""

from collections.abc import Sequence
from decimal import ROUND_CEILING, Context, Decimal

from supervisor.cell.model import REQUIRED_U_K, Characteristic
from supervisor.cell.value import replace, value
from supervisor.statistics.agreement import Measurement, correlated_mean, difference_u
from supervisor.verdict.conformity import (
    Judgement,
    Zones,
    conformance_probability,
    factor_for,
    judge,
    zones,
)
from supervisor.verdict.plan_table import PlanTable
from supervisor.verdict.record import Evidence
from supervisor.verdict.weighing import Weighed

MEAN_OF = " + "
"""What stands between the stations, programs and runs of a mean; no name holds it."""
_UPWARD = Context(prec=12, rounding=ROUND_CEILING)
_READABLE = Context(prec=12)


@value
class Mean:
    """A mean with what it was judged by; ``evidence`` names both runs."""

    evidence: Evidence
    bounds: Zones
    guard_factor: Decimal
    judged: Judgement
    probability: float


def mean_of(
    table: PlanTable, characteristic: Characteristic, values: Sequence[Weighed]
) -> Mean | None:
    """The mean that decides a characteristic; None where the most capable value does. ``values`` are in their precedence."""
    average = characteristic.average
    if average is None:
        return None
    members = [
        next((each for each in values if each.may_decide and each.result.station == station), None)
        for station in average.stations
    ]
    one, other = members
    if one is None or other is None:
        return None
    found = _combined(one, other, float(average.correlation))
    return None if found is None else _judged(table, characteristic, (one, other), found)


def missing_from(characteristic: Characteristic, values: Sequence[Weighed]) -> tuple[str, ...]:
    """The stations whose value a mean still wants."""
    if characteristic.average is None:
        return ()
    given = {each.result.station for each in values if each.may_decide}
    return tuple(name for name in characteristic.average.stations if name not in given)


def _combined(one: Weighed, other: Weighed, correlation: float) -> Measurement | None:
    first, second = (
        Measurement(value=each.number, u=float(each.ability.standard_u)) for each in (one, other)
    )
    try:
        mean = correlated_mean(first, second, correlation)
        apart = abs(first.value - second.value) / difference_u(first, second, correlation)
    except ValueError:  # the poorer value has no weight, or the two are one measurement
        return None
    return Measurement(value=mean.value, u=mean.u * max(1.0, apart))


def _judged(
    table: PlanTable,
    characteristic: Characteristic,
    members: tuple[Weighed, Weighed],
    found: Measurement,
) -> Mean:
    standard_u = _UPWARD.create_decimal(repr(found.u))
    number = float(_READABLE.create_decimal(repr(found.value)))
    known = [each.ability.coverage.dof for each in members]
    dof = min((each for each in known if each), default=None)
    factor = factor_for(table.rule.guard_factor, dof)
    bounds = zones(
        characteristic.lower,
        characteristic.upper,
        characteristic.natural_limit,
        standard_u,
        factor,
    )
    judged = judge(number, bounds, characteristic.unit)
    stations = " and ".join(each.result.station for each in members)
    return Mean(
        evidence=_evidence(members, number, standard_u, dof),
        bounds=bounds,
        guard_factor=factor,
        judged=replace(judged, why=f"{judged.why}; the mean of {stations}"),
        probability=conformance_probability(number, characteristic, standard_u, dof),
    )


def _evidence(
    members: tuple[Weighed, Weighed], number: float, standard_u: Decimal, dof: int | None
) -> Evidence:
    """What the record keeps of a mean; the values themselves stand beside it."""
    parts = [each.evidence for each in members]

    def joined(texts: Sequence[str]) -> str:
        return MEAN_OF.join(texts)

    return Evidence(
        value=number,
        unit=parts[0].unit,
        quality="good",
        expanded_u=_UPWARD.multiply(standard_u, REQUIRED_U_K),
        k=REQUIRED_U_K,
        station=joined([each.station for each in parts]),
        program=joined([each.program for each in parts]),
        program_revision=joined([each.program_revision for each in parts]),
        run_id=joined([each.run_id for each in parts]),
        result_id=joined([each.result_id for each in parts]),
        measured_ms=max(each.measured_ms for each in parts),
        standard_u=standard_u,
        dof=dof,
        mean_of=tuple(each.result_id for each in parts),
    )

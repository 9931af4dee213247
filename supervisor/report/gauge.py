"""A gauge study as plain fields and as text for a terminal.

Rules of this file:
- The text is made from the plain fields and from nothing else, so that it reads the same from a running supervisor and from the bench.
- Standard deviations are in the unit of the characteristic. Every convention that an outcome depends on is named.
"""

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from supervisor.process.gauge_result import CharacteristicFound, found_in
from supervisor.process.gauge_study import GaugeStudy
from supervisor.statistics.gauge import Components, TypeOne
from supervisor.verdict.plan_table import PlanTable

CONVENTIONS = (
    "type 1 (ISO 22514-7:2021; VDA 5): Cg = 0.2 T / 6 s, Cgk = (0.1 T - |mean - reference|) / 3 s, each at least 1.33; bias by "
    "Student's t, 95 %",
    "ANOVA (AIAG MSA, 4th edition): part x round of loadings x run, interaction pooled above p = 0.25; reproducibility is what changes "
    "from round to round and with clamping anew; negative components count as zero",
    "range: mean range / d2, ranges of means / d2*; it cannot see what clamping anew changes",
    "rating: six standard deviations of the gauge at most 10 % of the tolerance good, at most 30 % conditional; five distinct categories "
    "(1.41 part / gauge) tell parts apart (common practice)",
)
"""From memory where no clause is named; docs/explanation/gauge-studies.md says more."""


def plain_study(study: GaugeStudy, table: PlanTable) -> dict[str, Any]:
    """The study and what it says so far, JSON-ready."""
    return {
        "study": study.study,
        "part_type": study.part_type,
        "station": study.station,
        "program": study.program,
        "pallets": list(study.pallets),
        "loadings": study.loadings,
        "repeats": study.repeats,
        "by": study.by,
        "begun_at": _instant(study.begun_ms),
        "ended_at": _instant(study.ended_ms) if study.ended_ms else None,
        "end": study.end,
        "why": study.why,
        "runs": study.runs,
        "done": len(study.readings),
        "lost": study.lost,
        "conventions": list(CONVENTIONS),
        "characteristics": [plain_found(each) for each in found_in(study, table)],
    }


def _instant(ms: int) -> str:
    moment = datetime.fromtimestamp(ms / 1000, UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def plain_found(found: CharacteristicFound) -> dict[str, Any]:
    """What it says of one characteristic."""
    components = [each for each in (found.anova, found.ranges) if each is not None]
    return {
        "number": found.characteristic.number,
        "name": found.characteristic.name,
        "unit": found.characteristic.unit,
        "tolerance": found.tolerance,
        "declared_u": found.declared_u,
        "reference": found.reference,
        "rating": found.rating,
        "why": found.why,
        "type_one": None if found.type_one is None else _type_one(found.type_one, found),
        "components": [_components(each, found.tolerance) for each in components],
        "values": [[list(loading) for loading in part] for part in found.values],
    }


def _type_one(one: TypeOne, found: CharacteristicFound) -> dict[str, Any]:
    known, rated = found.reference is not None, found.tolerance is not None
    return {
        "count": one.count,
        "mean": one.mean,
        "sd": one.sd,
        "cg": one.cg if rated else None,
        "cgk": one.cgk if rated and known else None,
        "bias": one.bias if known else None,
        "t": one.t if known else None,
        "bias_significant": one.bias_significant if known else None,
    }


def _components(each: Components, tolerance: float | None) -> dict[str, Any]:
    return {
        "method": each.method,
        "repeatability": each.repeatability,
        "reproducibility": each.reproducibility,
        "gauge": each.gauge,
        "part": each.part,
        "total": each.total,
        "interaction": each.interaction,
        "interaction_p": each.interaction_p,
        "interaction_pooled": each.interaction_pooled,
        "gauge_percent": each.gauge_percent,
        "tolerance_percent": None if not tolerance else each.tolerance_percent(tolerance),
        "distinct_categories": each.distinct_categories,
    }


# --- text -------------------------------------------------------------------------------------------------------------------------

Plain = Mapping[str, Any]


def study_text(plain: Plain) -> str:
    """The study for a terminal."""
    return "\n".join(_lines(plain)) + "\n"


def _lines(plain: Plain) -> Iterator[str]:
    often = f"{plain['loadings']} loadings of {plain['repeats']} runs"
    yield f"{plain['study']}: {plain['program']} at {plain['station']}, {len(plain['pallets'])} x {plain['part_type']}, {often}"
    if plain["end"]:
        yield f"{plain['end']}: {plain['why']} ({plain['done']} of {plain['runs']} runs)"
    else:
        yield f"goes on: {plain['done']} of {plain['runs']} runs"
    if plain["lost"]:
        yield f"{plain['lost']} runs ended without a result"
    yield ""
    yield from _table(plain["characteristics"])
    yield ""
    for convention in plain["conventions"]:
        yield f"  {convention}"


def _table(characteristics: Sequence[Plain]) -> Iterator[str]:
    if any(each["components"] for each in characteristics):
        yield f"{'No.':<6}{'Characteristic':<30}{'unit':<6}{'method':<7}{'repeat.':>10}{'reprod.':>10}{'gauge':>10}{'part':>10}{'% T':>7}{'ndc':>5}  rating"
    elif any(each["type_one"] for each in characteristics):
        yield f"{'No.':<6}{'Characteristic':<30}{'unit':<6}{'mean':>14}{'s':>10}{'bias':>10}{'t':>7}{'Cg':>7}{'Cgk':>7}  rating"
    for each in characteristics:
        head = f"{each['number']:<6}{each['name'][:29]:<30}{each['unit']:<6}"
        if each["type_one"] is not None:
            yield head + _type_one_line(each["type_one"]) + f"  {each['rating']}"
        for count, components in enumerate(each["components"]):
            rating = each["rating"] if not count else ""
            yield (
                (head if not count else " " * len(head))
                + _component_line(components)
                + f"  {rating}".rstrip()
            )
        if not each["type_one"] and not each["components"]:
            yield f"{head}{each['rating']}: {each['why']}"


def _type_one_line(one: Plain) -> str:
    return (
        f"{one['mean']:>14.6g}{one['sd']:>10.3g}{_maybe(one['bias'], 10, '.3g')}{_maybe(one['t'], 7, '.2f')}"
        f"{_maybe(one['cg'], 7, '.2f')}{_maybe(one['cgk'], 7, '.2f')}"
    )


def _component_line(each: Plain) -> str:
    figures = "".join(
        f"{each[name]:>10.3g}" for name in ("repeatability", "reproducibility", "gauge", "part")
    )
    share = _maybe(each["tolerance_percent"], 7, ".1f")
    return f"{each['method']:<7}{figures}{share}{each['distinct_categories']:>5}"


def _maybe(number: float | None, width: int, form: str) -> str:
    return f"{'–':>{width}}" if number is None else f"{number:>{width}{form}}"

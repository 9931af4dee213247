"""One record and one verdict for a part, from the results of all stations.

Rules of this file:
- The most capable program with a good value decides a characteristic; every other value is listed beside it as a monitor.
- A part conforms only if every mandatory characteristic is proven to conform. Missing or failed evidence never counts as good.
- The part's verdict is the worst of its mandatory characteristics; informative ones are reported and change nothing.
- A record depends on the results, not on the order in which they arrived.
"""

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from supervisor.cell.model import REQUIRED_U_K, Characteristic, DecisionRule, Sorting
from supervisor.cell.value import replace, value
from supervisor.verdict.asking import runs_of
from supervisor.verdict.averaging import Mean, mean_of
from supervisor.verdict.conformity import Zones, shown
from supervisor.verdict.judging import applied, probability_of, verdict_of
from supervisor.verdict.plan_table import PlanTable
from supervisor.verdict.record import Finding, Record, Verdict
from supervisor.verdict.result import StationResult
from supervisor.verdict.stopping import ended_by
from supervisor.verdict.weighing import Weighed, precedence, weigh

# The worst first. A part with a proven error is nonconforming whatever else is missing.
WORST_FIRST: tuple[Verdict, ...] = (
    "nonconforming",
    "station error",
    "not measured",
    "undecided",
    "conforming",
)

SORTING = MappingProxyType[Verdict, Sorting](
    {
        "conforming": "conforming",
        "nonconforming": "nonconforming",
        "undecided": "hold",
        "not measured": "hold",
        "station error": "hold",
    }
)

_UNBOUNDED = Zones(accept_lower=None, accept_upper=None, reject_lower=None, reject_upper=None)


@value
class Part:
    """The part that a record is about, and the occasion; every field as in ``Record``."""

    serial: str
    batch: str
    produced: str
    pallet: str
    declaration: str
    revision: int
    entered_ms: int
    decided_ms: int


def merge(
    part: Part,
    table: PlanTable,
    results: Sequence[StationResult],
    tried: Sequence[tuple[str, int]] = (),
) -> Record:
    """The record of a part; ``results`` are this part's, each once, in any order; ``tried`` counts, by program, its runs that ended without one."""
    weighed = weigh(table, results)
    findings = tuple(
        _finding(
            table,
            characteristic,
            sorted(weighed.get(characteristic.number, []), key=precedence),
            weighed,
        )
        for characteristic in table.part_type.plan
    )
    ended = ended_by(table, weighed, runs_of(results, tried))
    if ended is not None:
        findings = tuple(_not_asked(each, ended) for each in findings)
    verdict, why = part_verdict(findings)
    return Record(
        serial=part.serial,
        part_type=table.part_type.part_type,
        plan_revision=table.part_type.revision,
        batch=part.batch,
        produced=part.produced,
        pallet=part.pallet,
        declaration=part.declaration,
        rule=rule_in_words(table.rule),
        revision=part.revision,
        entered_ms=part.entered_ms,
        decided_ms=part.decided_ms,
        verdict=verdict,
        why=why + _left_out(table, results),
        findings=findings,
    )


def _not_asked(finding: Finding, ended: Characteristic) -> Finding:
    """The finding, with the reason why nobody measures it any more where it is not settled."""
    if finding.verdict in ("conforming", "nonconforming"):
        return finding
    why = f"nothing more was measured for it, as {ended.number}, {ended.name}, was nonconforming and the plan ends there"
    return replace(finding, why=f"{finding.why}; {why}")


def rule_in_words(rule: DecisionRule) -> str:
    """The decision rule with its guard factor and, where somebody had to agree on it, who did and when."""
    words = f"{rule.rule}, guard factor {shown(rule.guard_factor)}"
    if rule.guard_factor == 0:
        words += " (simple acceptance)"
    if not rule.agreed_by:
        return words
    return f"{words}, agreed by {rule.agreed_by} on {rule.agreed_on}"


def sorting_of(record: Record) -> Sorting:
    """Where the part goes: everything that is neither proven good nor proven bad waits for a person."""
    return SORTING[record.verdict]


def _finding(
    table: PlanTable,
    characteristic: Characteristic,
    values: Sequence[Weighed],
    weighed: Mapping[str, Sequence[Weighed]],
) -> Finding:
    deciding = values[0] if values and values[0].may_decide else None
    by = None if deciding is None else applied(table, deciding, weighed)
    if deciding is None or by is None:
        verdict, why = _without_evidence(characteristic, values)
    else:
        judged = verdict_of(deciding, by)
        verdict, why = judged.verdict, judged.why
    bounds = _UNBOUNDED if by is None else by.bounds
    finding = Finding(
        number=characteristic.number,
        name=characteristic.name,
        kind=characteristic.kind,
        unit=characteristic.unit,
        nominal=characteristic.nominal,
        lower=characteristic.lower,
        upper=characteristic.upper,
        accept_lower=bounds.accept_lower,
        accept_upper=bounds.accept_upper,
        need=characteristic.need,
        verdict=verdict,
        why=why,
        decided_by=None if deciding is None else deciding.evidence,
        monitored_by=tuple(each.evidence for each in values if each is not deciding),
        guard_factor=None if by is None else by.guard_factor,
        conformance_probability=None
        if deciding is None or by is None
        else probability_of(deciding, by),
        bonus=None if by is None else by.bonus,
    )
    mean = mean_of(table, characteristic, values)
    return finding if mean is None else _by_mean(finding, mean, values)


def _by_mean(finding: Finding, mean: Mean, values: Sequence[Weighed]) -> Finding:
    """The finding where the plan has the mean of two stations decide: both values stand beside it."""
    return replace(
        finding,
        accept_lower=mean.bounds.accept_lower,
        accept_upper=mean.bounds.accept_upper,
        verdict=mean.judged.verdict,
        why=mean.judged.why,
        decided_by=mean.evidence,
        monitored_by=tuple(each.evidence for each in values),
        guard_factor=mean.guard_factor,
        conformance_probability=mean.probability,
    )


def _without_evidence(
    characteristic: Characteristic, values: Sequence[Weighed]
) -> tuple[Verdict, str]:
    """The verdict where no value may decide: a capable station failed, or none measured."""
    failed = next((each for each in values if each.ability.capable), None)
    if failed is not None:
        return (
            "station error",
            f"{failed.result.station}, run {failed.result.run_id}: {failed.flaw}",
        )
    if not values:
        return "not measured", "no station has given a value"
    best = values[0].ability
    stated = f"U = {shown(best.coverage.expanded_u)} {characteristic.unit} (k = {shown(best.coverage.k)})"
    required = (
        f"U = {shown(characteristic.required_u)} {characteristic.unit} (k = {shown(REQUIRED_U_K)})"
    )
    return "not measured", f"only by {best.program.program} with {stated}; {required} is required"


def part_verdict(findings: Sequence[Finding]) -> tuple[Verdict, str]:
    """The part's verdict and its reason: the worst of the mandatory characteristics."""
    mandatory = [finding for finding in findings if finding.need == "mandatory"]
    if not mandatory:
        return "not measured", "the plan has no mandatory characteristic"
    worst = _worst([finding.verdict for finding in mandatory])
    if worst == "conforming":
        return worst, f"all {len(mandatory)} mandatory characteristics conform"
    guilty = [finding for finding in mandatory if finding.verdict == worst]
    first = guilty[0]
    others = f" (and {len(guilty) - 1} more {worst})" if len(guilty) > 1 else ""
    return worst, f"characteristic {first.number}, {first.name}, {worst}: {first.why}{others}"


def _worst(verdicts: Sequence[Verdict]) -> Verdict:
    return min(verdicts, key=WORST_FIRST.index)


def _left_out(table: PlanTable, results: Sequence[StationResult]) -> str:
    """A remark on results that carry no evidence, because nobody declared how uncertain their program is."""
    missing = sorted({result.program for result in results} - table.abilities.keys())
    return f"; left out, not declared for this part type: {', '.join(missing)}" if missing else ""

"""What the supervisor said against what really happened. Knows the truth, shares no rule with the core.

Rules of this file:
- The truth is what the machines witnessed: which run measured which part with which values. Limits come from the declaration.
- A finding is a sentence; no finding means that all is well.
"""

from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Any

from supervisor.cell.model import Cell, PartType
from supervisor.verdict.record import Evidence, Finding, Record

MM_PER = {"mm": Fraction(1), "um": Fraction(1, 1000)}


def findings(
    cell: Cell,
    records: Sequence[Record],
    witnessed: Iterable[Mapping[str, Any]],
    serials: Sequence[str],
) -> list[str]:
    """Everything in the records that the truth contradicts, and every part without exactly one record."""
    runs = {str(fact["run_id"]): fact for fact in witnessed if fact.get("fact") == "measured"}
    plans = {part_type.part_type: part_type for part_type in cell.part_types}
    found: list[str] = []
    by_serial: dict[str, list[Record]] = {}
    for record in records:
        by_serial.setdefault(record.serial, []).append(record)
    counts = {serial: len(by_serial.get(serial, [])) for serial in serials}
    found += [
        f"part {serial} has {count} records" for serial, count in counts.items() if count != 1
    ]
    for record in records:
        if plans[record.part_type].reference is not None:
            continue  # the limits of a check are not those of a plan
        found += _about_record(cell, record, plans[record.part_type], runs)
    return found


def _about_record(
    cell: Cell, record: Record, part_type: PartType, runs: Mapping[str, Mapping[str, Any]]
) -> list[str]:
    found: list[str] = []
    named = [finding.number for finding in record.findings]
    planned = [characteristic.number for characteristic in part_type.plan]
    if named != planned:
        found.append(f"record of {record.serial} has characteristics {named}, its plan {planned}")
    for finding in record.findings:
        for evidence in (finding.decided_by, *finding.monitored_by):
            if evidence is not None:
                found += _about_evidence(record, finding, evidence, runs)
        found += _about_verdict(cell, record, finding)
    return [*found, *_about_part_verdict(record)]


def _about_evidence(
    record: Record, finding: Finding, evidence: Evidence, runs: Mapping[str, Mapping[str, Any]]
) -> list[str]:
    where = f"record of {record.serial}, characteristic {finding.number}"
    # A machine that takes integers knows a run by its number alone.
    run = runs.get(evidence.run_id) or runs.get(evidence.run_id.removeprefix("R"))
    if run is None:
        return [f"{where}: no station ran {evidence.run_id}"]
    found: list[str] = []
    if run["serial"] != record.serial:
        found.append(f"{where}: run {evidence.run_id} measured part {run['serial']}")
    if run["who"] != evidence.station:
        found.append(f"{where}: run {evidence.run_id} was at {run['who']}, not {evidence.station}")
    truth = {str(value["number"]): value for value in run["values"]}.get(finding.number)
    if truth is None:
        found.append(f"{where}: run {evidence.run_id} gave no such value")
    elif truth["value"] != evidence.value or truth["quality"] != evidence.quality:
        found.append(
            f"{where}: the station gave {truth['value']} ({truth['quality']}), the record says {evidence.value}"
        )
    return found


def _about_verdict(cell: Cell, record: Record, finding: Finding) -> list[str]:
    """Decide the characteristic again from the plain numbers, with exact fractions (ISO 14253-1 zones)."""
    where = f"record of {record.serial}, characteristic {finding.number}"
    evidence = finding.decided_by
    if evidence is None or evidence.value is None:
        settled = finding.verdict in ("conforming", "nonconforming", "undecided")
        return [f"{where}: {finding.verdict} without a value"] if settled else []
    characteristic = next(
        c
        for p in cell.part_types
        if p.part_type == record.part_type
        for c in p.plan
        if c.number == finding.number
    )
    if evidence.expanded_u * 2 / evidence.k > characteristic.required_u:
        return [f"{where}: decided by {evidence.station}, which is not good enough for it"]
    value = (
        Fraction(Decimal(repr(evidence.value)))
        * MM_PER.get(evidence.unit, Fraction(1))
        / MM_PER.get(finding.unit, Fraction(1))
    )
    guard = Fraction(cell.rule.guard_factor) * Fraction(evidence.expanded_u) / Fraction(evidence.k)
    # What cannot lie below zero by its nature has no lower limit to guard.
    lower = None if characteristic.natural_limit == "zero" else finding.lower
    expected = _zone(value, guard, lower, finding.upper)
    return (
        []
        if finding.verdict == expected
        else [f"{where}: {finding.verdict}, by the numbers {expected}"]
    )


def _zone(value: Fraction, guard: Fraction, lower: Decimal | None, upper: Decimal | None) -> str:
    below = Fraction(lower) - value if lower is not None else None
    above = value - Fraction(upper) if upper is not None else None
    distances = [d for d in (below, above) if d is not None]
    if any(d > guard for d in distances):
        return "nonconforming"
    return "conforming" if all(d <= -guard for d in distances) else "undecided"


def _about_part_verdict(record: Record) -> list[str]:
    verdicts = [finding.verdict for finding in record.findings if finding.need == "mandatory"]
    worst = next(
        (
            v
            for v in ("nonconforming", "station error", "not measured", "undecided")
            if v in verdicts
        ),
        "conforming",
    )
    return (
        []
        if record.verdict == worst
        else [f"record of {record.serial} says {record.verdict}, its characteristics say {worst}"]
    )

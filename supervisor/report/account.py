"""What a record says beside its verdicts, in lines for people: the sheet and the page tell it in the same words.

Rules of this file:
- Everything comes from the record itself; what people did with it since is in ``papers``.
- Runs come in the order of time, everything else in the order of the plan or by the station's name.
"""

from supervisor.cell.reading_order import reading_order
from supervisor.cell.value import value
from supervisor.report.figures import corrected, moment, raw_value, reason, with_uncertainty
from supervisor.verdict.record import Evidence, Finding, Record


@value
class Account:
    """One heading and what is told under it; no lines where there is nothing to tell."""

    title: str
    lines: tuple[str, ...]


def accounts(record: Record) -> tuple[Account, ...]:
    """What is not proven, what other stations measured, what was corrected, and what the values rest on."""
    told = (
        (
            "What is not proven to conform",
            [_why(f) for f in record.findings if f.verdict != "conforming"],
        ),
        ("What other stations measured", [_monitors(f) for f in record.findings if f.monitored_by]),
        ("What was corrected", _corrections(record)),
        ("Runs", _runs(record)),
        ("Calibration, as declared", _calibrations(record)),
        ("Last good check with a reference part before the value", _checks(record)),
    )
    return tuple(Account(title=title, lines=tuple(lines)) for title, lines in told if lines)


def _why(finding: Finding) -> str:
    """Why a characteristic is not proven to conform; where nothing is proven, how probable it is that it conforms (JCGM 106), as information."""
    told, share = f"{finding.number}: {reason(finding)}", finding.conformance_probability
    if finding.verdict != "undecided" or share is None:
        return told
    return f"{told} ({100 * share:.2f} % probable to conform)"


def _runs(record: Record) -> list[str]:
    """The runs that the values come from, in the order of time, with the part's temperature where the station gave it."""
    each_once = {
        (e.measured_ms, e.station, e.program, e.program_revision, e.run_id, _warmth(e))
        for f in record.findings
        for e in (*f.monitored_by, *([] if f.decided_by is None else [f.decided_by]))
        if not e.mean_of
    }
    return [
        f"{station}: program {program}, revision {revision}, run {run}, {moment(at_ms)}{warmth}"
        for at_ms, station, program, revision, run, warmth in sorted(each_once)
    ]


def _warmth(evidence: Evidence) -> str:
    part = "" if evidence.part_c is None else f", part at {evidence.part_c:.4g} °C"
    known = {"yes": ", compensated to 20 °C", "no": ", not compensated", "unknown": ""}
    return part + known[evidence.compensated]


def _corrections(record: Record) -> list[str]:
    """The deciding values that are not as the station gave them."""
    return [
        f"{each.number}: {by.station} gave {raw} {by.unit}; {told}"
        for each in record.findings
        if (by := each.decided_by) is not None and by.corrections
        for raw in [raw_value(by) or "no value"]
        for told in ["; ".join(corrected(c, by.unit) for c in by.corrections)]
    ]


def _calibrations(record: Record) -> list[str]:
    """What is known of the stations that decided."""
    known = {
        (by.station, by.station_serial, by.calibration, by.calibration_due)
        for each in record.findings
        if (by := each.decided_by) is not None and (by.calibration or by.station_serial)
    }
    return [
        f"{station}: serial number {serial or 'not declared'}, "
        + (
            f"calibration {name}, due {due or 'not declared'}"
            if name
            else "no calibration declared"
        )
        for station, serial, name, due in sorted(
            known, key=lambda each: (reading_order(each[0]), each)
        )
    ]


def _checks(record: Record) -> list[str]:
    """What vouched for the stations that decided, and for which values."""
    numbers: dict[tuple[str, int, str, str], list[str]] = {}
    for each in record.findings:
        by = each.decided_by
        if by is not None and by.last_check is not None:
            last = by.last_check
            key = by.station, last.at_ms, last.program, last.run_id
            numbers.setdefault(key, []).append(each.number)
    return [
        f"{station}: {program}, run {run}, {moment(at_ms)}; for {', '.join(known)}"
        for (station, at_ms, program, run), known in sorted(
            numbers.items(), key=lambda each: (reading_order(each[0][0]), each[0])
        )
    ]


def _monitors(finding: Finding) -> str:
    values = "; ".join(
        f"{with_uncertainty(each)} by {each.station}" for each in finding.monitored_by
    )
    return f"{finding.number}: {values}"

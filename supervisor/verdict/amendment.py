"""Changes that a person makes to a closed record.

Rules of this file:
- Nothing is changed: an amendment makes the next revision, and the one before stays as it is.
- A value is never typed in. It can be withdrawn, and then its characteristic is not measured; it stays beside it for everybody to see.
- The part's verdict follows from its characteristics as ever: nobody sets it by hand.
- ``decided_ms`` stays, so that the part is found in the period in which it was measured; the amendment has its own time in the journal.
"""

from collections.abc import Sequence

from supervisor.cell.value import replace, value
from supervisor.verdict.change import Change
from supervisor.verdict.merge import part_verdict
from supervisor.verdict.record import Finding, Record


class AmendmentRefused(Exception):  # noqa: N818 - it says what happened
    """The amendment does not fit the record; the text says why."""


@value
class Wanted:
    """What a person wants changed: None leaves a field as it is; ``withdrawn`` are numbers of characteristics."""

    batch: str | None
    produced: str | None
    withdrawn: tuple[str, ...]
    why: str


def amended(record: Record, wanted: Wanted) -> tuple[Record, tuple[Change, ...]]:
    """The next revision and what is different in it.

    Raises:
        AmendmentRefused: nothing would change, or a characteristic has no value that could be withdrawn.
    """
    _check_withdrawn(record, wanted.withdrawn)
    batch = record.batch if wanted.batch is None else wanted.batch
    produced = record.produced if wanted.produced is None else wanted.produced
    findings = tuple(
        _without_value(each, wanted.why) if each.number in wanted.withdrawn else each
        for each in record.findings
    )
    changes = _changes(record, batch, produced, findings)
    if not changes:
        raise AmendmentRefused("nothing would change")
    verdict, why = (record.verdict, record.why)
    if findings != record.findings:
        verdict, why = part_verdict(findings)
    later = replace(
        record,
        revision=record.revision + 1,
        batch=batch,
        produced=produced,
        verdict=verdict,
        why=why,
        findings=findings,
    )
    return later, changes


def _check_withdrawn(record: Record, numbers: Sequence[str]) -> None:
    valued = {each.number for each in record.findings if each.decided_by is not None}
    for number in numbers:
        if number not in valued:
            raise AmendmentRefused(f"characteristic {number} has no deciding value")


def _without_value(finding: Finding, why: str) -> Finding:
    by = finding.decided_by
    assert by is not None
    return replace(
        finding,
        accept_lower=None,
        accept_upper=None,
        verdict="not measured",
        why=f"the value of {by.station}, run {by.run_id}, was withdrawn: {why}",
        decided_by=None,
        monitored_by=(by, *finding.monitored_by),
        guard_factor=None,
        conformance_probability=None,
        bonus=None,
    )


def _changes(
    record: Record, batch: str, produced: str, findings: Sequence[Finding]
) -> tuple[Change, ...]:
    texts = (("batch", record.batch, batch), ("produced", record.produced, produced))
    changes = [Change(field=f, before=b, after=a) for f, b, a in texts if b != a]
    changes += [
        Change(field=f"characteristic {before.number}", before=before.verdict, after=after.verdict)
        for before, after in zip(record.findings, findings, strict=True)
        if before != after
    ]
    return tuple(changes)

"""A record as first-article form: characteristic accountability, in the terms of AS9102.

Rules of this file:
- Fields and their numbers are those of form 3 of AS9102 revision B (from a filled-in form that is public, not from the standard itself);
  revision C renumbers the comments to 12 and drops the signature from this form.
- What the record does not know stays empty for a person: report number, location on the drawing, tooling, nonconformance number.
- A value that a failed check has cast doubt on since proves nothing: the comment says why.
- One result for each characteristic, in the drawing's unit; who measured it stands in the comments.
"""

from collections.abc import Iterator, Sequence
from typing import Literal

from supervisor.cell.value import value
from supervisor.report.figures import limit, measured, reason
from supervisor.report.table import formula_free, line_of
from supervisor.verdict.record import Finding, Record
from supervisor.verdict.suspicion import SuspectValue

COLUMNS = (
    "1 part number",
    "2 part name",
    "3 serial number",
    "4 FAIR identifier",
    "5 characteristic number",
    "6 reference location",
    "7 characteristic designator",
    "8 requirement",
    "9 results",
    "10 designed or qualified tooling",
    "11 nonconformance number",
    "14 comments",
)


@value
class Accounted:
    """One line of form 3. ``conforms`` is "yes", "no", or "not proven", which a form has no field for."""

    number: str
    designator: str
    requirement: str
    result: str
    conforms: Literal["yes", "no", "not proven"]
    comment: str


@value
class FirstArticle:
    """The form: its head, and one line for each characteristic."""

    part_number: str
    part_name: str
    revision: str
    serial: str
    lines: tuple[Accounted, ...]


def first_article(
    record: Record, *, part_name: str, suspect: Sequence[SuspectValue] = ()
) -> FirstArticle:
    """The form of a record; ``part_name`` is the title of its part type, ``suspect`` what is in doubt since."""
    doubt = {each.number: f"suspect: {each.why}" for each in suspect}
    return FirstArticle(
        part_number=record.part_type,
        part_name=part_name,
        revision=record.plan_revision,
        serial=record.serial,
        lines=tuple(
            _accounted(finding, doubt.get(finding.number, "")) for finding in record.findings
        ),
    )


def first_article_table(form: FirstArticle) -> Iterator[str]:
    """The form as a table for spreadsheets (RFC 4180), the heads first."""
    yield line_of(COLUMNS)
    head = (form.part_number, form.part_name, form.serial, "")
    for each in form.lines:
        cells = (
            each.number,
            "",
            each.designator,
            each.requirement,
            each.result,
            "",
            "",
            each.comment,
        )
        yield line_of(map(formula_free, (*head, *cells)))


CONFORMS: dict[str, Literal["yes", "no"]] = {"conforming": "yes", "nonconforming": "no"}


def _accounted(finding: Finding, doubt: str) -> Accounted:
    by = finding.decided_by
    told = (
        ""
        if by is None
        else f"{by.station}, run {by.run_id}, U = {limit(by.expanded_u)} {by.unit} (k = {limit(by.k)})"
    )
    verdict = (
        f"{finding.verdict}: {reason(finding)}"
        if finding.verdict != "conforming"
        else finding.verdict
    )
    number = measured(by)
    return Accounted(
        number=finding.number,
        designator="" if finding.need == "mandatory" else finding.need,
        requirement=f"{finding.name}, {finding.kind}: {_limits(finding)}",
        result=f"{number} {finding.unit}" if number else "not measured",
        conforms="not proven" if doubt else CONFORMS.get(finding.verdict, "not proven"),
        comment="; ".join(part for part in (doubt, verdict, told) if part),
    )


def _limits(finding: Finding) -> str:
    lower, upper, unit = limit(finding.lower), limit(finding.upper), finding.unit
    if lower and upper:
        return f"{lower} to {upper} {unit}"
    if upper:
        return f"at most {upper} {unit}"
    return f"at least {lower} {unit}" if lower else f"{limit(finding.nominal)} {unit}, no limits"

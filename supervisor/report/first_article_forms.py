"""Forms 1 and 2 of a first article: part number accountability, and what the product is made of and tested by.

Rules of this file:
- Fields and numbers are those of AS9102 revision B: form 1 from a form that is public, its numbers and form 2 from memory. Revision C moves some;
  names count, not numbers.
- What the record knows is filled in, everything else is listed empty for a person. **Nothing here is guessed**: whether an inspection is full or
  partial, and who approves it, a person says.
- Signatures are those that people gave on this revision of the record, with the name as they stated it.
"""

from collections.abc import Iterable, Iterator, Sequence

from supervisor.cell.value import value
from supervisor.report.figures import moment
from supervisor.report.papers import Signature
from supervisor.report.table import formula_free, line_of
from supervisor.verdict.record import Record

HEAD = ("part number", "part name", "serial number", "FAIR identifier")
FORM_1 = (
    *HEAD,
    "part revision level",
    "drawing number",
    "drawing revision level",
    "additional changes",
    "manufacturing process reference",
    "organization name",
    "supplier code",
    "purchase order number",
    "detail or assembly",
    "full or partial, baseline and reason",
    "index: part number",
    "index: part name",
    "index: part serial number",
    "index: FAIR identifier",
    "signature",
    "date",
    "reviewed by",
    "review date",
    "approved by",
    "approval date",
)
FORM_2 = (
    *HEAD,
    "material or process name",
    "specification number",
    "code",
    "supplier",
    "customer approval verification",
    "certificate of conformance number",
    "functional test procedure number",
    "acceptance report number",
    "comments",
    "prepared by",
    "date",
)
SIGNED = {
    "authorship": ("signature", "date"),
    "responsibility": ("signature", "date"),
    "review": ("reviewed by", "review date"),
    "approval": ("approved by", "approval date"),
}
"""Which fields a signature with a meaning (21 CFR 11.50) fills; of several with one meaning the newest."""


@value
class FormField:
    """A field of a form: its number, its name, and what stands in it ("" = for a person)."""

    number: str
    name: str
    content: str


def form_1(
    record: Record, *, part_name: str, signatures: Sequence[Signature]
) -> tuple[FormField, ...]:
    """Part number accountability, as far as the record knows it."""
    known = {
        **_head(record, part_name),
        "drawing revision level": record.plan_revision,
        **_signed(each for each in signatures if each.revision == record.revision),
    }
    return _fields(FORM_1, known)


def form_2(record: Record, *, part_name: str) -> tuple[FormField, ...]:
    """Materials, special processes and functional tests: a cell that measures knows none of them."""
    return _fields(FORM_2, _head(record, part_name))


def form_table(fields: Sequence[FormField]) -> Iterator[str]:
    """A form as a table for spreadsheets (RFC 4180): the heads, then its one line."""
    yield line_of([f"{each.number} {each.name}" for each in fields])
    yield line_of([formula_free(each.content) for each in fields])


def _head(record: Record, part_name: str) -> dict[str, str]:
    return {"part number": record.part_type, "part name": part_name, "serial number": record.serial}


def _signed(signatures: Iterable[Signature]) -> dict[str, str]:
    found: dict[str, str] = {}
    for each in sorted(signatures, key=lambda each: each.seq):
        name, date = SIGNED[each.meaning]
        found |= {name: each.by, date: moment(each.at_ms)}
    return found


def _fields(names: Sequence[str], known: dict[str, str]) -> tuple[FormField, ...]:
    return tuple(
        FormField(number=str(number), name=name, content=known.get(name, ""))
        for number, name in enumerate(names, 1)
    )

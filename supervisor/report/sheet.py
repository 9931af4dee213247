"""The sheet of a part as PDF, on A4: verdict first, a picture for each characteristic, provenance last.

Rules of this file:
- The same record with the same papers gives the same bytes.
- A part with as many characteristics as ours have (about thirty) stands on one page: each has one line, as long as its words fit.
- A table that goes on to another page repeats its head; every page says of how many it is one.
"""

# pyright: reportUnknownMemberType=false
# reportlab ships types for parts of itself only.

from collections.abc import Sequence
from typing import Any

from reportlab.lib.colors import Color, black, white
from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, Spacer, Table

from supervisor.cell.value import value
from supervisor.report.account import accounts
from supervisor.report.deviation import Mark, Picture, picture
from supervisor.report.figures import figures, moment, part_reason
from supervisor.report.layout import (
    BOLD,
    GREY,
    LABEL,
    PALE,
    PLAIN,
    SYMBOLS,
    TITLE,
    Cover,
    boxed,
    labelled,
    pairs,
    paragraphs,
    printed,
    ruled,
    style,
    text,
)
from supervisor.report.papers import NOT_PROVEN, Amendment, Papers, Signature
from supervisor.verdict.record import Finding, Record
from supervisor.verdict.suspicion import SuspectValue

HASH = style(6.1)
"""64 digits in half of the width."""
PICTURE = (31 * mm, 3.8 * mm)


@value
class Proof:
    """Where the record stands in the journal: the entry's number, and its hash (hexadecimal)."""

    seq: int
    entry_hash: str


def sheet(
    record: Record,
    proof: Proof,
    *,
    cell: str,
    papers: Papers | None = None,
    suspect: Sequence[SuspectValue] = (),
) -> bytes:
    """The PDF of one record; ``cell`` is the title of the cell, ``papers`` what people did with the record since.

    ``suspect`` are the values that a failed check has cast doubt on since.
    """
    cover = Cover(
        title=f"Record of part {record.serial}",
        subject=f"{record.part_type}, revision {record.revision}: {record.verdict}",
        author=cell,
        foot=f"{cell} · part {record.serial} · record {record.revision} · entry {proof.seq} {proof.entry_hash[:16]}",
    )
    return printed(
        cover,
        lambda: [
            *_head(record, papers, cell),
            *_suspect(suspect),
            _characteristics(record, frozenset(each.number for each in suspect)),
            *_provenance(record, proof, papers),
        ],
    )


def _head(record: Record, papers: Papers | None, cell: str) -> list[Flowable]:
    verdict = boxed(f"{SYMBOLS[record.verdict]}  {record.verdict}", part_reason(record))
    identity = (
        ("Serial number", record.serial),
        ("Part type", record.part_type),
        ("Plan revision", record.plan_revision),
        ("Batch", record.batch or "–"),
        ("Produced", record.produced or "–"),
        ("Pallet", record.pallet),
        ("Entered the cell", moment(record.entered_ms)),
        ("Decided", moment(record.decided_ms)),
    )
    return [
        text(f"{cell}: record of one part", TITLE),
        *_replaced(record, papers),
        Spacer(0, 3 * mm),
        verdict,
        Spacer(0, 3 * mm),
        pairs(identity, columns=4),
        Spacer(0, 4 * mm),
    ]


def _suspect(values: Sequence[SuspectValue]) -> list[Flowable]:
    """What is in doubt, before everything that rests on it."""
    told = [f"{each.number} by {each.station}, run {each.run_id}: {each.why}" for each in values]
    title = "Suspect since the record was made, which stays as it was kept"
    return [*paragraphs(title, told), Spacer(0, 3 * mm)] if told else []


def _replaced(record: Record, papers: Papers | None) -> list[Flowable]:
    """That this is not the record in force."""
    if papers is None or papers.last_revision == record.revision:
        return []
    words = f"Revision {record.revision}. It was replaced by revision {papers.last_revision}, which is in force."
    return [Spacer(0, 2 * mm), text(words, style(9, BOLD))]


_COLUMNS = (
    ("No.", 7),
    ("Characteristic", 52),
    ("Lower", 13),
    ("Upper", 13),
    ("Value ± U", 26.5),
    ("Between the limits", 33),
    ("Verdict", 25.5),
    ("Station", 14),
)


def _characteristics(record: Record, doubted: frozenset[str]) -> Table:
    heads, widths_mm = zip(*_COLUMNS, strict=True)
    rows = [_row(f, "SUSPECT" if f.number in doubted else "") for f in record.findings]
    return ruled(heads, rows, widths_mm)


def _row(finding: Finding, doubt: str) -> list[Any]:
    deciding = finding.decided_by
    shown = figures(finding)
    need = ", informative" if finding.need == "informative" else ""
    verdict = f"{SYMBOLS[finding.verdict]} {finding.verdict}"
    said = [text(verdict, style(6.8, BOLD if finding.verdict != "conforming" else PLAIN))]
    said += [text(doubt, style(6.8, BOLD))] if doubt else []
    return [
        text(finding.number),
        labelled(finding.name, f"{finding.kind}, {finding.unit}{need}"),
        text(shown.lower),
        text(shown.upper),
        text(shown.value or "–"),
        _Drawing(picture(finding)),
        said,
        text("–" if deciding is None else deciding.station),
    ]


def _provenance(record: Record, proof: Proof, papers: Papers | None) -> list[Flowable]:
    facts = (
        ("Decision rule", record.rule),
        ("Record", f"revision {record.revision}, journal entry {proof.seq}"),
    )
    hashes = (
        ("Cell declaration (SHA-256)", record.declaration),
        ("Hash of the journal entry (SHA-256)", proof.entry_hash),
        *([("Hash of the record (SHA-256)", papers.record_sha256)] if papers else []),
    )
    key = (
        "Picture: uprights are the limits, the bar is the zone in which a value is proven to conform, the full dot with its whiskers is "
        "the deciding value with its expanded uncertainty, hollow ones are other stations. A triangle lies beyond the picture."
    )
    return [
        Spacer(0, 2 * mm),
        text(key, LABEL),
        *(line for each in accounts(record) for line in paragraphs(each.title, each.lines)),
        Spacer(0, 3 * mm),
        KeepTogether([pairs(facts, columns=2), pairs(hashes, columns=2, look=HASH)]),
        *paragraphs(
            "Amendments", [_amendment(each) for each in papers.amendments] if papers else []
        ),
        *_signed(papers.signatures if papers else ()),
        KeepTogether([Spacer(0, 3 * mm), _signatures()]),
    ]


def _amendment(amendment: Amendment) -> str:
    changes = "; ".join(
        f"{each.field}: {each.before or 'nothing'} became {each.after or 'nothing'}"
        for each in amendment.changes
    )
    about = f"Revision {amendment.revision} by {amendment.by}, {moment(amendment.at_ms)}, journal entry {amendment.seq}"
    return f"{about}. {changes}. Reason: {amendment.why}"


def _signed(signatures: Sequence[Signature]) -> list[Flowable]:
    """The manifestation of electronic signatures: printed name, date and time, meaning (21 CFR 11.50)."""
    if not signatures:
        return []
    heads = ("Signed electronically by", "Meaning", "Date and time", "Revision, hash", "Entry")
    rows = [
        [
            text(each.by, style(8, BOLD)),
            text(each.meaning),
            text(moment(each.at_ms)),
            text(f"{each.revision}, {each.record_sha256[:16]}"),
            text(str(each.seq)),
        ]
        for each in signatures
    ]
    return [Spacer(0, 4 * mm), ruled(heads, rows, (54, 26, 40, 44, 20)), text(NOT_PROVEN, LABEL)]


def _signatures() -> Table:
    """Lines for a signature by hand: name, date and meaning, as 21 CFR 11.50 asks of any signature (from memory)."""
    heads = ("Name", "Meaning", "Date and signature")
    return Table(
        [["", "", ""], [text(head, LABEL) for head in heads]],
        colWidths=[50 * mm, 60 * mm, 74 * mm],
        rowHeights=[9 * mm, None],
        style=[("LINEABOVE", (0, 1), (-1, 1), 0.5, black), ("LEFTPADDING", (0, 0), (0, -1), 0)],
    )


class _Drawing(Flowable):
    """A picture of deviation on the canvas."""

    def __init__(self, content: Picture | None) -> None:
        super().__init__()
        self.width, self.height = PICTURE
        self._content = content

    def draw(self) -> None:
        content = self._content
        if content is None:
            return
        pen = self.canv
        middle = self.height / 2
        pen.setLineWidth(0.3)
        pen.setStrokeColor(GREY)
        pen.line(0, middle, self.width, middle)
        start = content.sure_from or 0.0
        end = 1.0 if content.sure_to is None else content.sure_to
        if (content.sure_from is not None or content.sure_to is not None) and end > start:
            pen.setFillColor(PALE)
            pen.rect(
                start * self.width, middle - 1.5, (end - start) * self.width, 3, stroke=0, fill=1
            )
        pen.setStrokeColor(black)
        pen.setLineWidth(0.9)
        for at in (content.lower, content.upper):
            if at is not None:
                pen.line(at * self.width, 0.5, at * self.width, self.height - 0.5)
        for each in content.monitors:
            self._mark(each, middle, 1.3, white)
        if content.decided is not None:
            self._mark(content.decided, middle, 1.9, black)

    def _mark(self, mark: Mark, middle: float, radius: float, inside: Color) -> None:
        pen = self.canv
        pen.setLineWidth(0.5)
        pen.setFillColor(inside)
        if mark.beyond:
            tip, back = (0, 5) if mark.beyond == "left" else (self.width, self.width - 5)
            path = pen.beginPath()
            path.moveTo(tip, middle)
            path.lineTo(back, middle - 3)
            path.lineTo(back, middle + 3)
            path.close()
            pen.drawPath(path, stroke=1, fill=1)
            return
        low, high = mark.low * self.width, mark.high * self.width
        pen.line(low, middle, high, middle)
        for at in (low, high):
            pen.line(at, middle - 1.8, at, middle + 1.8)
        pen.circle(mark.at * self.width, middle, radius, stroke=1, fill=1)

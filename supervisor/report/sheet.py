"""The sheet of a part as PDF, on A4: verdict first, a picture for each characteristic, provenance last.

Rules of this file:
- Fonts are embedded (Bitstream Vera, as reportlab ships it), so that the sheet looks the same everywhere and for long.
- No time of printing and no chance goes in: the same record gives the same bytes.
- A table that goes on to another page repeats its head; every page says of how many it is one.
"""

# pyright: reportUnknownMemberType=false
# reportlab ships types for parts of itself only.

from collections.abc import Callable, Sequence
from io import BytesIO
from typing import Any

from reportlab.lib.colors import Color, black, white
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.lib.utils import escapeTextOnce
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    Flowable,
    Paragraph,
    SimpleDocTemplate,
    Spacer,
    Table,
)

from supervisor.cell.value import value
from supervisor.report.deviation import Mark, Picture, picture
from supervisor.report.figures import limit, measured, moment
from supervisor.report.papers import NOT_PROVEN, Amendment, Papers, Signature
from supervisor.verdict.record import Finding, Record, Verdict

PLAIN, BOLD = "Vera", "VeraBd"
GREY = Color(0.45, 0.45, 0.45)
PALE = Color(0.86, 0.86, 0.86)
MARGIN = 13 * mm
PICTURE = (42 * mm, 5 * mm)

SYMBOLS: dict[Verdict, str] = {
    "conforming": "OK",
    "nonconforming": "X",
    "undecided": "?",
    "not measured": "–",
    "station error": "!",
}


@value
class Proof:
    """Where the record stands in the journal: the entry's number, and its hash (hexadecimal)."""

    seq: int
    entry_hash: str


def sheet(record: Record, proof: Proof, *, cell: str, papers: Papers | None = None) -> bytes:
    """The PDF of one record; ``cell`` is the title of the cell, ``papers`` what people did with the record since."""
    for name in (PLAIN, BOLD):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, f"{name}.ttf"))
    foot = f"{cell} · part {record.serial} · record {record.revision} · entry {proof.seq} {proof.entry_hash[:16]}"
    story = _Story(record=record, proof=proof, cell=cell, papers=papers)
    _, pages = _printed(story, _foot(foot, 0))
    content, _ = _printed(story, _foot(foot, pages))
    return content


@value
class _Story:
    """All that a sheet tells."""

    record: Record
    proof: Proof
    cell: str
    papers: Papers | None


def _printed(told: _Story, foot: Callable[[Canvas, BaseDocTemplate], None]) -> tuple[bytes, int]:
    """The document and how many pages it has: how many there are is known only when all are made."""
    record, cell = told.record, told.cell
    out = BytesIO()
    document = SimpleDocTemplate(
        out,
        pagesize=A4,
        leftMargin=MARGIN,
        rightMargin=MARGIN,
        topMargin=MARGIN,
        bottomMargin=MARGIN + 4 * mm,
        title=f"Record of part {record.serial}",
        subject=f"{record.part_type}, revision {record.revision}: {record.verdict}",
        author=cell,
        creator="Pointsman",
        invariant=1,
    )
    story = [
        *_head(told),
        _characteristics(record),
        *_provenance(record, told.proof, told.papers),
    ]
    document.build(story, onFirstPage=foot, onLaterPages=foot)
    return out.getvalue(), document.page


def _style(size: float, font: str = PLAIN, **more: Any) -> ParagraphStyle:
    return ParagraphStyle(f"{font}{size}", fontName=font, fontSize=size, leading=size * 1.2, **more)


_TITLE, _BIG, _TEXT, _SMALL = _style(11, BOLD), _style(17, BOLD), _style(8), _style(6.8)
_LABEL = _style(6.5, textColor=GREY)


def _text(content: str, style: ParagraphStyle = _SMALL) -> Paragraph:
    """Text as it is: what came from outside is never markup."""
    return Paragraph(escapeTextOnce(content), style)


def _head(told: _Story) -> list[Flowable]:
    record = told.record
    verdict = Table(
        [[_text(f"{SYMBOLS[record.verdict]}  {record.verdict}", _BIG)], [_text(record.why, _TEXT)]],
        colWidths=[A4[0] - 2 * MARGIN],
        style=[
            ("BOX", (0, 0), (-1, -1), 1.5, black),
            ("TOPPADDING", (0, 0), (-1, 0), 2),
            ("BOTTOMPADDING", (0, 0), (-1, 0), 6),
            ("BOTTOMPADDING", (0, 1), (-1, 1), 6),
        ],
    )
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
        _text(f"{told.cell}: record of one part", _TITLE),
        *_replaced(record, told.papers),
        Spacer(0, 3 * mm),
        verdict,
        Spacer(0, 3 * mm),
        _pairs(identity, columns=4),
        Spacer(0, 4 * mm),
    ]


def _replaced(record: Record, papers: Papers | None) -> list[Flowable]:
    """That this is not the record in force."""
    if papers is None or papers.last_revision == record.revision:
        return []
    words = f"Revision {record.revision}. It was replaced by revision {papers.last_revision}, which is in force."
    return [Spacer(0, 2 * mm), _text(words, _style(9, BOLD))]


def _pairs(pairs: Sequence[tuple[str, str]], *, columns: int) -> Table:
    """Labels over contents, so many in a row."""
    rows: list[list[Any]] = []
    for at in range(0, len(pairs), columns):
        part = [*pairs[at : at + columns]]
        part += [("", "")] * (columns - len(part))
        rows.append([[_text(label, _LABEL), _text(content, _TEXT)] for label, content in part])
    width = (A4[0] - 2 * MARGIN) / columns
    return Table(
        rows,
        colWidths=[width] * columns,
        style=[
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("TOPPADDING", (0, 0), (-1, -1), 1),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
            ("LEFTPADDING", (0, 0), (-1, -1), 2),
        ],
    )


_COLUMNS = (
    ("No.", 9),
    ("Characteristic", 40),
    ("Lower", 17),
    ("Upper", 17),
    ("Value ± U", 29),
    ("", 42),
    ("Verdict, station", 26),
)


def _characteristics(record: Record) -> Table:
    rows: list[list[Any]] = [[_text(head, _LABEL) for head, _ in _COLUMNS]]
    rows += [_row(finding) for finding in record.findings]
    return Table(
        rows,
        colWidths=[width * mm for _, width in _COLUMNS],
        repeatRows=1,
        style=[
            ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
            ("LINEBELOW", (0, 0), (-1, 0), 0.8, black),
            ("LINEBELOW", (0, 1), (-1, -1), 0.25, PALE),
            ("LEFTPADDING", (0, 0), (-1, -1), 2),
            ("RIGHTPADDING", (0, 0), (-1, -1), 2),
            ("TOPPADDING", (0, 0), (-1, -1), 0.5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
        ],
    )


def _row(finding: Finding) -> list[Any]:
    deciding = finding.decided_by
    value = "–"
    if deciding is not None:
        value = f"{measured(deciding)} ± {limit(deciding.expanded_u)}"
    need = ", informative" if finding.need == "informative" else ""
    verdict = f"{SYMBOLS[finding.verdict]} {finding.verdict}"
    by = [_text(verdict, _style(6.8, BOLD if finding.verdict != "conforming" else PLAIN))]
    by += [_text(deciding.station, _LABEL)] if deciding is not None else []
    return [
        _text(finding.number),
        [_text(finding.name), _text(f"{finding.kind}, {finding.unit}{need}", _LABEL)],
        _text(limit(finding.lower)),
        _text(limit(finding.upper)),
        _text(value),
        _Drawing(picture(finding)),
        by,
    ]


def _provenance(record: Record, proof: Proof, papers: Papers | None) -> list[Flowable]:
    told = [
        *(f"{f.number}: {f.why}" for f in record.findings if f.verdict != "conforming"),
        *(_monitors(f) for f in record.findings if f.monitored_by),
    ]
    programs = sorted(
        {
            (e.station, e.program, e.program_revision, e.run_id, moment(e.measured_ms))
            for f in record.findings
            for e in (*f.monitored_by, *([] if f.decided_by is None else [f.decided_by]))
        }
    )
    runs = [
        f"{station}: program {program}, revision {revision}, run {run}, {at}"
        for station, program, revision, run, at in programs
    ]
    facts = (
        ("Decision rule", record.rule),
        ("Record", f"revision {record.revision}, journal entry {proof.seq}"),
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
        _text(key, _LABEL),
        *_paragraphs("What is not conforming, and what other stations measured", told),
        *_paragraphs("Runs", runs),
        Spacer(0, 3 * mm),
        _pairs(facts, columns=2),
        *_paragraphs(
            "Amendments", [_amendment(each) for each in papers.amendments] if papers else []
        ),
        *_signed(papers.signatures if papers else ()),
        Spacer(0, 5 * mm),
        _signatures(),
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
    heads = (
        "Signed electronically by",
        "Meaning",
        "Date and time",
        "Signed revision, hash",
        "Entry",
    )
    rows: list[list[Any]] = [[_text(head, _LABEL) for head in heads]]
    rows += [
        [
            _text(each.by, _style(8, BOLD)),
            _text(each.meaning),
            _text(moment(each.at_ms)),
            _text(f"{each.revision}, {each.record_sha256[:16]}"),
            _text(str(each.seq)),
        ]
        for each in signatures
    ]
    table = Table(
        rows,
        colWidths=[width * mm for width in (54, 26, 40, 44, 20)],
        style=[
            ("LINEBELOW", (0, 0), (-1, 0), 0.8, black),
            ("LINEBELOW", (0, 1), (-1, -1), 0.25, PALE),
            ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
            ("LEFTPADDING", (0, 0), (-1, -1), 2),
            ("TOPPADDING", (0, 0), (-1, -1), 0.5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
        ],
    )
    return [Spacer(0, 4 * mm), table, _text(NOT_PROVEN, _LABEL)]


def _monitors(finding: Finding) -> str:
    values = "; ".join(
        f"{measured(each) or 'no value'} ± {limit(each.expanded_u)} by {each.station}"
        for each in finding.monitored_by
    )
    return f"{finding.number}: also {values}"


def _paragraphs(title: str, lines: Sequence[str]) -> list[Flowable]:
    if not lines:
        return []
    head = _text(title, _style(8, BOLD))
    return [Spacer(0, 3 * mm), head, *(_text(line) for line in lines)]


def _signatures() -> Table:
    """Lines for a signature by hand: name, date and meaning, as 21 CFR 11.50 asks of any signature (from memory)."""
    heads = ("Name", "Meaning", "Date and signature")
    return Table(
        [["", "", ""], [_text(head, _LABEL) for head in heads]],
        colWidths=[50 * mm, 60 * mm, 70 * mm],
        rowHeights=[8 * mm, None],
        style=[("LINEABOVE", (0, 1), (-1, 1), 0.5, black)],
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


def _foot(foot: str, pages: int) -> Callable[[Canvas, BaseDocTemplate], None]:
    """What draws the foot of a page."""

    def draw(pen: Canvas, document: BaseDocTemplate) -> None:
        pen.setFont(PLAIN, 6.5)
        pen.setFillColor(GREY)
        pen.drawString(MARGIN, MARGIN, foot)
        pen.drawRightString(A4[0] - MARGIN, MARGIN, f"page {document.page} of {pages}")

    return draw

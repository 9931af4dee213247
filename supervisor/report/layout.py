"""How our PDFs look: A4, embedded fonts, text that is never markup, a foot that counts the pages.

Rules of this file:
- Fonts are embedded (Bitstream Vera, as reportlab ships it), so that a sheet looks the same everywhere and for long.
- No time of printing and no chance goes in: the same content gives the same bytes.
- Everything is black, white or grey, and begins at the same left edge.
"""

# pyright: reportUnknownMemberType=false
# reportlab ships types for parts of itself only.

from collections.abc import Callable, Sequence
from io import BytesIO
from typing import Any

from reportlab.lib.colors import Color, black
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
from supervisor.verdict.record import Verdict

PLAIN, BOLD = "Vera", "VeraBd"
GREY = Color(0.45, 0.45, 0.45)
PALE = Color(0.8, 0.8, 0.8)
MARGIN = 13 * mm
WIDTH: float = A4[0] - 2 * MARGIN
FRAME_PADDING = 6
"""What reportlab leaves free inside of its frame, in points."""

SYMBOLS: dict[Verdict, str] = {
    "conforming": "OK",
    "nonconforming": "X",
    "undecided": "?",
    "not measured": "–",
    "station error": "!",
}


@value
class Cover:
    """What a PDF says of itself, and the foot of its pages."""

    title: str
    subject: str
    author: str
    foot: str


def printed(cover: Cover, tell: Callable[[], list[Flowable]]) -> bytes:
    """The PDF. ``tell`` makes its content, and is asked twice: how many pages there are is known only when all are made."""
    for name in (PLAIN, BOLD):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, f"{name}.ttf"))
    _, pages = _built(cover, tell(), 0)
    content, _ = _built(cover, tell(), pages)
    return content


def _built(cover: Cover, story: list[Flowable], pages: int) -> tuple[bytes, int]:
    out = BytesIO()
    document = SimpleDocTemplate(
        out,
        pagesize=A4,
        leftMargin=MARGIN - FRAME_PADDING,
        rightMargin=MARGIN - FRAME_PADDING,
        topMargin=MARGIN - FRAME_PADDING,
        bottomMargin=MARGIN + 4 * mm,
        title=cover.title,
        subject=cover.subject,
        author=cover.author,
        creator="Pointsman",
        invariant=1,
    )
    foot = _foot(cover.foot, pages)
    document.build(story, onFirstPage=foot, onLaterPages=foot)
    return out.getvalue(), document.page


def style(size: float, font: str = PLAIN, **more: Any) -> ParagraphStyle:
    """Text of a size in points."""
    return ParagraphStyle(f"{font}{size}", fontName=font, fontSize=size, leading=size * 1.2, **more)


TITLE, BIG, TEXT, SMALL = style(11, BOLD), style(17, BOLD), style(8), style(6.8)
LABEL = style(6.5, textColor=GREY)
_BESIDE = '{} <font size="6.5" color="{}">{}</font>'


def text(content: str, look: ParagraphStyle = SMALL) -> Paragraph:
    """Text as it is: what came from outside is never markup."""
    return Paragraph(escapeTextOnce(content), look)


def labelled(content: str, label: str, look: ParagraphStyle = SMALL) -> Paragraph:
    """Text with a label behind it on the same line, as long as both fit."""
    return Paragraph(
        _BESIDE.format(escapeTextOnce(content), f"#{GREY.hexval()[2:]}", escapeTextOnce(label)),
        look,
    )


def boxed(big: str, why: str) -> Table:
    """What has to be seen first, in a box: a big line and its reason."""
    return Table(
        [[text(big, BIG)], [text(why, TEXT)]],
        colWidths=[WIDTH],
        style=[
            ("BOX", (0, 0), (-1, -1), 1.5, black),
            ("TOPPADDING", (0, 0), (-1, 0), 2),
            ("BOTTOMPADDING", (0, 0), (-1, 0), 6),
            ("BOTTOMPADDING", (0, 1), (-1, 1), 6),
        ],
    )


def pairs(pairs: Sequence[tuple[str, str]], *, columns: int, look: ParagraphStyle = TEXT) -> Table:
    """Labels over contents, so many in a row."""
    rows: list[list[Any]] = []
    for at in range(0, len(pairs), columns):
        part = [*pairs[at : at + columns]]
        part += [("", "")] * (columns - len(part))
        rows.append([[text(label, LABEL), text(content, look)] for label, content in part])
    width = (A4[0] - 2 * MARGIN) / columns
    return Table(
        rows,
        colWidths=[width] * columns,
        style=[
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("TOPPADDING", (0, 0), (-1, -1), 1),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ],
    )


def ruled(heads: Sequence[str], rows: Sequence[Sequence[Any]], widths_mm: Sequence[float]) -> Table:
    """A table whose head repeats on every page, a fine line under each row."""
    return Table(
        [[text(head, LABEL) for head in heads], *[list(row) for row in rows]],
        colWidths=[width * mm for width in widths_mm],
        repeatRows=1,
        style=[
            ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
            ("LINEBELOW", (0, 0), (-1, 0), 0.8, black),
            ("LINEBELOW", (0, 1), (-1, -1), 0.25, PALE),
            ("LEFTPADDING", (0, 0), (0, -1), 0),
            ("LEFTPADDING", (1, 0), (-1, -1), 2),
            ("RIGHTPADDING", (0, 0), (-1, -1), 2),
            ("TOPPADDING", (0, 0), (-1, -1), 0.5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
        ],
    )


def paragraphs(title: str, lines: Sequence[str]) -> list[Flowable]:
    """A heading with lines; nothing where there are none."""
    if not lines:
        return []
    head = text(title, style(8, BOLD))
    return [Spacer(0, 3 * mm), head, *(text(line) for line in lines)]


def _foot(foot: str, pages: int) -> Callable[[Canvas, BaseDocTemplate], None]:
    """What draws the foot of a page."""

    def draw(pen: Canvas, document: BaseDocTemplate) -> None:
        pen.setFont(PLAIN, 6.5)
        pen.setFillColor(GREY)
        pen.drawString(MARGIN, MARGIN, foot)
        pen.drawRightString(A4[0] - MARGIN, MARGIN, f"page {document.page} of {pages}")

    return draw

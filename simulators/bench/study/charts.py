"""The charts of a study as SVG, drawn here: no script, nothing fetched, readable in black and white.

Rules of this file:
- Numbers and our own words only; a name from a declaration is escaped.
- What tells one mark from another is its pattern or its shape, and a label beside it; grey only helps.
- Every picture has a title for whoever cannot see it.
- Each is drawn twice, for a sheet and for a telephone, where the same drawing would be too small to read; the page shows one of the two.
"""

import re
from collections.abc import Callable, Sequence
from typing import NamedTuple

from markupsafe import Markup, escape

from simulators.bench.study.results import Finding, QueueAt
from supervisor.shift.causes import CAUSES, Cause


class Frame(NamedTuple):
    """How wide a picture is, in units of which its letters have 14, and where its field begins and ends."""

    kind: str
    width: int
    left: int
    right: int
    hours: int
    """Most marks along a time."""

    @property
    def inner(self) -> int:
        """Width of the field."""
        return self.width - self.left - self.right


WIDE = Frame("wide", 900, 130, 36, 12)
NARROW = Frame("narrow", 380, 30, 24, 5)
"""Names stand above what they name, for there is no room beside it."""
BAR, ROW = 34, 52
LABEL_LEAST = 34
"""A part of a bar that is not as wide has no room for its number; the table has it."""
NAME_MAX = 40
"""Letters of a name that fit beside a chart, or above it."""

FILLS: dict[Cause, str] = {
    "measuring": "solid",
    "evaluating": "grid",
    "preparing": "dots",
    "door": "upright",
    "handler at work": "level",
    "waiting for handler": "rising",
    "blocked": "falling",
    "waiting for pallet": "blank",
    "held": "cross",
}

_PATTERNS = {
    "grid": '<path d="M0 4H8M4 0V8" stroke="#000" stroke-width="1.6"/>',
    "dots": '<circle cx="4" cy="4" r="1.6" fill="#000"/>',
    "upright": '<path d="M4 0V8" stroke="#000" stroke-width="2"/>',
    "level": '<path d="M0 4H8" stroke="#000" stroke-width="2"/>',
    "rising": '<path d="M-2 6L6 -2M2 10L10 2" stroke="#000" stroke-width="1.2"/>',
    "falling": '<path d="M-2 2L6 10M2 -2L10 6" stroke="#000" stroke-width="1.2"/>',
    "cross": '<path d="M0 0L8 8M8 0L0 8" stroke="#000" stroke-width="1.2"/>',
}


def _svg(frame: Frame, height: float, title: str, marks: Sequence[str]) -> Markup:
    head = Markup('<svg class="{}" viewBox="0 0 {} {}" role="img"><title>{}</title>').format(
        frame.kind, frame.width, f"{height:g}", title
    )
    return head + Markup("".join(marks)) + Markup("</svg>")  # noqa: S704 - numbers, our own words, escaped names


def patterns() -> Markup:
    """The fills, once for the page."""
    marks = [
        f'<pattern id="{name}" width="8" height="8" patternUnits="userSpaceOnUse"><rect width="8" height="8" fill="#fff"/>{mark}</pattern>'
        for name, mark in _PATTERNS.items()
    ]
    head = Markup('<svg width="0" height="0" aria-hidden="true"><defs>')
    return head + Markup("".join(marks)) + Markup("</defs></svg>")  # noqa: S704 - our own text


def _fill(cause: Cause) -> str:
    name = FILLS[cause]
    return {"solid": "#222", "blank": "#fff"}.get(name, f"url(#{name})")


def swatch(cause: Cause) -> Markup:
    """The sign of a cause in the legend."""
    return Markup(  # noqa: S704 - our own text
        f'<svg class="swatch" viewBox="0 0 30 18" width="30" height="18" aria-hidden="true">'
        f'<rect x="1" y="1" width="28" height="16" fill="{_fill(cause)}" stroke="#000"/></svg>'
    )


def _twice(draw: Callable[[Frame], Markup]) -> Markup:
    return draw(WIDE) + draw(NARROW)


def _text(x: float, y: float, words: object, kind: str = "", anchor: str = "start") -> str:
    of_kind = f' class="{kind}"' if kind else ""
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"{of_kind}>{escape(words)}</text>'


def _line(x1: float, y1: float, x2: float, y2: float, kind: str) -> str:
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" class="{kind}"/>'


def breakable(name: str) -> Markup:
    """The name of a variant, which a narrow column breaks behind a dot or before a value, not within a word."""
    pieces = re.split(r"(?<=[.](?=[^0-9]))|(?==)", name)
    return Markup("<wbr>").join(pieces)


# --- where time goes ------------------------------------------------------------------------------------------------------------


def time_bars(finding: Finding) -> Markup:
    """One bar per station, divided by cause."""
    return _twice(lambda frame: _time_bars(finding, frame))


def _time_bars(finding: Finding, frame: Frame) -> Markup:
    marks: list[str] = []
    above = 0 if frame is WIDE else 20
    for row, station in enumerate(finding.stations):
        y = 10 + row * (ROW + above) + above
        if frame is WIDE:
            marks.append(_text(frame.left - 10, y + BAR * 0.65, station.station, anchor="end"))
        else:
            marks.append(_text(frame.left, y - 7, station.station))
        x = float(frame.left)
        for cause in CAUSES:
            width = station.shares[cause] * frame.inner
            marks += _segment(x, y, width, cause, station.shares[cause])
            x += width
    bottom = 10 + len(finding.stations) * (ROW + above)
    for tenth in range(0, 11, 2):
        x = frame.left + frame.inner * tenth / 10
        marks.append(_line(x, bottom - 12, x, bottom - 6, "axis"))
        marks.append(_text(x, bottom + 12, f"{tenth * 10} %", anchor="middle"))
    return _svg(frame, bottom + 20, "Share of each station's time by cause", marks)


def _segment(x: float, y: float, width: float, cause: Cause, share: float) -> list[str]:
    if width < 0.05:  # noqa: PLR2004 - nothing to see
        return []
    marks = [
        f'<rect x="{x:.1f}" y="{y}" width="{width:.1f}" height="{BAR}" fill="{_fill(cause)}" stroke="#000" stroke-width="0.8">'
        f"<title>{cause} {share:.1%}</title></rect>"
    ]
    if width >= LABEL_LEAST:
        middle = x + width / 2
        marks.append(
            f'<rect x="{middle - 14:.1f}" y="{y + 8}" width="28" height="18" fill="#fff"/>'
        )
        marks.append(_text(middle, y + 22, f"{share * 100:.0f}", anchor="middle"))
    return marks


# --- the queue ------------------------------------------------------------------------------------------------------------------


def queue_chart(points: Sequence[QueueAt], where: str) -> Markup:
    """Pallets waiting somewhere (like "in the rack") over time: the mean as a line, all seeds as a band."""
    if len(points) < 2:  # noqa: PLR2004 - a line has two ends
        return Markup()
    return _twice(lambda frame: _queue_chart(points, where, frame))


def _queue_chart(points: Sequence[QueueAt], where: str, frame: Frame) -> Markup:
    height, top, bottom = 220, 15, 180
    most = max(1.0, *(point.most for point in points))
    tick = _tick(most)
    ceiling = tick * -(-most // tick)
    last = points[-1].minute

    def at(minute: float, waiting: float) -> str:
        return f"{frame.left + frame.inner * minute / last:.1f},{bottom - (bottom - top) * waiting / ceiling:.1f}"

    band = [at(p.minute, p.most) for p in points]
    band += [at(p.minute, p.least) for p in reversed(points)]
    marks = [f'<polygon points="{" ".join(band)}" class="band"/>']
    level = 0.0
    while level <= ceiling:
        y = bottom - (bottom - top) * level / ceiling
        marks.append(_line(frame.left, y, frame.width - frame.right, y, "grid"))
        marks.append(_text(frame.left - 10, y + 5, f"{level:g}", anchor="end"))
        level += tick
    marks += _hours(last, bottom, frame)
    mean = " ".join(at(p.minute, p.mean) for p in points)
    marks.append(f'<polyline points="{mean}" class="mean"/>')
    return _svg(frame, height, f"Pallets waiting {where} over time", marks)


def _hours(last: float, bottom: float, frame: Frame) -> list[str]:
    step = max(15.0, 60.0 * -(-last // (60.0 * frame.hours))) if last > 60 else 15.0  # noqa: PLR2004 - an hour
    marks: list[str] = []
    minute = 0.0
    while minute <= last:
        x = frame.left + frame.inner * minute / last
        marks.append(_line(x, bottom, x, bottom + 6, "axis"))
        marks.append(_text(x, bottom + 24, f"{minute / 60:g} h", anchor="middle"))
        minute += step
    return marks


def _tick(most: float) -> float:
    """A round step that gives two to five marks."""
    return next((step for step in (1.0, 2.0, 5.0, 10.0, 20.0, 50.0) if most / step <= 5), 100.0)  # noqa: PLR2004 - five marks


# --- what changes would bring ---------------------------------------------------------------------------------------------------


def throughput_chart(findings: Sequence[Finding]) -> Markup:
    """Parts per hour of every variant, with its confidence interval."""
    return _twice(lambda frame: _throughput_chart(findings, frame))


def _throughput_chart(findings: Sequence[Finding], frame: Frame) -> Markup:
    left, row_height, above = (330, 32, 0) if frame is WIDE else (frame.left, 48, 18)
    reach = [f.throughput_per_h.mean + (f.throughput_per_h.half_width or 0.0) for f in findings]
    ceiling = _round_up(max(*reach, 1.0) * 1.02)
    inner = frame.width - left - (70 if frame is WIDE else 50)

    def x(per_hour: float) -> float:
        return left + inner * min(max(per_hour, 0.0), ceiling) / ceiling

    bottom = 16 + row_height * len(findings)
    base = x(findings[0].throughput_per_h.mean)
    marks = [_line(base, 4, base, bottom, "declared")]
    for row, finding in enumerate(findings):
        y = 20 + above + row_height * row
        found = finding.throughput_per_h
        half = found.half_width or 0.0
        name = finding.name if len(finding.name) <= NAME_MAX else finding.name[: NAME_MAX - 1] + "…"
        if frame is WIDE:
            marks.append(_text(left - 12, y + 5, name, anchor="end"))
        else:
            marks.append(_text(left, y - 14, name, kind="over"))
        marks.append(_line(x(found.mean - half), y, x(found.mean + half), y, "whisker"))
        marks += [
            _line(x(at), y - 6, x(at), y + 6, "whisker")
            for at in (found.mean - half, found.mean + half)
        ]
        marks.append(f'<circle cx="{x(found.mean):.1f}" cy="{y}" r="5"/>')
        marks.append(_text(x(found.mean + half) + 10, y + 5, f"{found.mean:.1f}", kind="over"))
    marks.append(_line(left, bottom, left + inner, bottom, "axis"))
    for fifth in range(6):
        at = ceiling * fifth / 5
        marks.append(_line(x(at), bottom, x(at), bottom + 6, "axis"))
        marks.append(_text(x(at), bottom + 22, f"{at:g}", anchor="middle"))
    return _svg(frame, bottom + 32, "Parts per hour of every variant with 95 % confidence", marks)


def _round_up(most: float) -> float:
    """The next number that five marks divide into short ones."""
    size = 1.0
    while most / size > 10:  # noqa: PLR2004 - a decade
        size *= 10
    return next(
        step * size for step in (1, 1.5, 2, 2.5, 3, 4, 5, 6, 7.5, 8, 10) if step * size >= most
    )

"""A control chart as SVG for a page and for print.

Rules of this file:
- No style and no script inside: pages forbid both. What matters is told by dashes and shapes, so that it reads in black and white.
- The picture has a title for whoever cannot see it; numbers stand beside the lines.
"""

from collections.abc import Sequence

from markupsafe import Markup, escape

from supervisor.process.control import ControlChart

WIDTH, HEIGHT = 960, 340
LEFT, RIGHT, TOP, BOTTOM = 12, 118, 14, 34
LABEL_GAP = 15
DASHES = {"spec": "", "control": "7 5", "centre": "1 4", "target": "12 4 2 4"}


class _Frame:
    """From positions and values to places in the picture."""

    def __init__(self, count: int, values: Sequence[float]) -> None:
        self._step = (WIDTH - LEFT - RIGHT) / max(1, count - 1)
        low, high = min(values), max(values)
        margin = (high - low) * 0.06 or 1.0
        self._low, self._high = low - margin, high + margin

    def x(self, at: int) -> float:
        """The place of a position."""
        return LEFT + at * self._step

    def y(self, measured: float) -> float:
        """The place of a value."""
        share = (measured - self._low) / (self._high - self._low)
        return HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM)


def chart_svg(chart: ControlChart) -> Markup:
    """The picture; nothing where there are no values."""
    if not chart.points:
        return Markup()
    lines = _lines(chart)
    values = [point.value for point in chart.points]
    frame = _Frame(len(values), [*values, *(at for _, _, at in lines)])
    parts = [
        *_levels(frame, lines),
        _polyline(frame, values, "series"),
        _polyline(frame, chart.ewma, "ewma", dash="2 3"),
        *_marks(frame, chart),
        _base(frame, chart),
        *_ends(frame, chart),
    ]
    head = Markup('<svg class="chart" viewBox="0 0 {} {}" role="img"><title>{}</title>').format(
        WIDTH, HEIGHT, _title(chart)
    )
    return head + Markup("".join(parts)) + Markup("</svg>")  # noqa: S704 - numbers, our own words, and text that is escaped


def _title(chart: ControlChart) -> str:
    about = chart.characteristic
    fired = f"{len(chart.signals)} signals" if chart.signals else "no signal"
    return f"{about.number} {about.name}, {len(chart.points)} parts, {fired}"


def _lines(chart: ControlChart) -> list[tuple[str, str, float]]:
    """Kind, label and level of every horizontal line."""
    about, limits = chart.characteristic, chart.chart
    lines: list[tuple[str, str, float]] = []
    for label, limit in (("upper limit", about.upper), ("lower limit", about.lower)):
        if limit is not None:
            lines.append(("spec", label, float(limit)))
    if about.target is not None:
        lines.append(("target", "target", float(about.target)))
    if limits is not None:
        lines += [
            ("control", "+3s", limits.upper),
            ("centre", "mean", limits.centre),
            ("control", "−3s", limits.lower),
        ]
    return lines


def _levels(frame: _Frame, lines: Sequence[tuple[str, str, float]]) -> list[str]:
    """The lines from the top down; a label that would cover the one above moves down a little."""
    made: list[str] = []
    free = 0.0
    for kind, label, level in sorted(lines, key=lambda line: -line[2]):
        y = frame.y(level)
        dash = f' stroke-dasharray="{DASHES[kind]}"' if DASHES[kind] else ""
        width = 2 if kind == "spec" else 1
        at = max(y + 4, free)
        free = at + LABEL_GAP
        made.append(
            f'<line class="{kind}" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}" stroke-width="{width}"{dash}/>'
            f'<text class="label" x="{WIDTH - RIGHT + 5}" y="{at:.1f}">{label} {level:.6g}</text>'
        )
    return made


def _polyline(frame: _Frame, values: Sequence[float], kind: str, dash: str = "") -> str:
    if not values:
        return ""
    points = " ".join(f"{frame.x(at):.1f},{frame.y(each):.1f}" for at, each in enumerate(values))
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<polyline class="{kind}" fill="none" points="{points}"{dashed}/>'


def _marks(frame: _Frame, chart: ControlChart) -> list[str]:
    """A dot for each part; a square around it where a rule fired. Each says what it is when pointed at."""
    fired: dict[int, str] = {}
    for signal in chart.signals:
        fired[signal.at] = (
            f"{fired[signal.at]}, {signal.rule}" if signal.at in fired else signal.rule
        )
    made: list[str] = []
    for at, point in enumerate(chart.points):
        x, y = frame.x(at), frame.y(point.value)
        told = escape(
            f"{point.serial}: {point.value:.7g} {chart.characteristic.unit} {fired.get(at, '')}".rstrip()
        )
        square = (
            f'<rect class="signal" fill="none" x="{x - 6:.1f}" y="{y - 6:.1f}" width="12" height="12"/>'
            if at in fired
            else ""
        )
        made.append(
            f'<g><title>{told}</title><circle class="dot" cx="{x:.1f}" cy="{y:.1f}" r="2.5"/>{square}</g>'
        )
    return made


def _base(frame: _Frame, chart: ControlChart) -> str:
    """Where the base period ends."""
    if chart.chart is None or len(chart.points) <= chart.base:
        return ""
    x = (frame.x(chart.base - 1) + frame.x(chart.base)) / 2
    return (
        f'<line class="base" x1="{x:.1f}" x2="{x:.1f}" y1="{TOP}" y2="{HEIGHT - BOTTOM}" stroke-dasharray="1 3"/>'
        f'<text class="label" x="{x - 4:.1f}" y="{HEIGHT - BOTTOM + 14}" text-anchor="end">base period</text>'
    )


def _ends(frame: _Frame, chart: ControlChart) -> list[str]:
    """The serial numbers at both ends."""
    last = len(chart.points) - 1
    ends = [(0, "start"), (last, "end")] if last else [(0, "start")]
    return [
        f'<text class="label" x="{frame.x(at):.1f}" y="{HEIGHT - 4}" text-anchor="{anchor}">{escape(chart.points[at].serial)}</text>'
        for at, anchor in ends
    ]

"""Control charts as SVG for a page and for print: single values, subgroups, cumulative sums.

Rules of this file:
- No style and no script inside: pages forbid both. What matters is told by dashes and shapes, so that it reads in black and white.
- The picture has a title for whoever cannot see it; numbers stand beside the lines.
"""

import math
from collections.abc import Mapping, Sequence
from typing import Literal

from markupsafe import Markup, escape

from supervisor.process.control import ControlChart
from supervisor.statistics.charts import Chart, Signal
from supervisor.verdict.conformity import shown

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
    """The picture of single values; nothing where there are none."""
    if not chart.points:
        return Markup()
    lines = _lines(chart)
    values = [point.value for point in chart.points]
    unit = chart.characteristic.unit
    frame = _Frame(len(values), [*values, *(at for _, _, at in lines)])
    parts = [
        *_levels(frame, lines),
        _polyline(frame, values, "series"),
        _polyline(frame, chart.ewma, "ewma", dash="2 3"),
        *_dots(frame, [(p.serial, p.value) for p in chart.points], unit, _fired(chart.signals)),
        _base(frame, chart.base if chart.chart is not None else 0, len(values)),
        *_ends(frame, chart.points[0].serial, chart.points[-1].serial, len(values)),
    ]
    about = chart.characteristic
    return _drawn(
        f"{about.number} {about.name}, {_counted(len(values), 'parts', chart.signals)}", parts
    )


def subgroups_svg(chart: ControlChart, which: Literal["means", "spreads"]) -> Markup:
    """The picture of the means or of the spreads of subgroups; nothing where there are none."""
    found = chart.subgroups
    if found is None or not found.groups:
        return Markup()
    means = which == "means"
    limits = found.means if means else found.spreads
    signals = found.signals if means else found.spread_signals
    values = [each.mean if means else each.spread for each in found.groups]
    lines = [] if limits is None else _control(limits)
    frame = _Frame(len(values), [*values, *(at for _, _, at in lines)])
    named = [
        (f"{g.serials[0]} to {g.serials[-1]}", v) for g, v in zip(found.groups, values, strict=True)
    ]
    parts = [
        *_levels(frame, lines),
        _polyline(frame, values, "series"),
        *_dots(frame, named, chart.characteristic.unit, _fired(signals)),
        _base(frame, found.base if limits is not None else 0, len(values)),
        *_ends(frame, found.groups[0].serials[0], found.groups[-1].serials[-1], len(values)),
    ]
    what = "mean" if means else found.by
    title = f"{what} of {found.size} parts each, {_counted(len(values), 'subgroups', signals)}"
    return _drawn(title, parts)


def cusum_svg(chart: ControlChart) -> Markup:
    """The picture of both cumulative sums, the lower one downwards; nothing where there are no limits."""
    limit = chart.cusum_limit
    if limit is None or not chart.cusum:
        return Markup()
    upper, lower = [up for up, _ in chart.cusum], [-down for _, down in chart.cusum]
    lines = [
        ("control", f"limit {limit:.3g}", limit),
        ("centre", "0", 0.0),
        ("control", f"limit −{limit:.3g}", -limit),
    ]
    frame = _Frame(len(upper), [*upper, *lower, *(at for _, _, at in lines)])
    at = chart.cusum_signal
    signal = [] if at is None else [_square(frame, at, max(upper[at], lower[at], key=abs))]
    parts = [
        *_levels(frame, lines),
        _polyline(frame, upper, "series"),
        _polyline(frame, lower, "series", dash="4 3"),
        *signal,
        *_ends(frame, chart.points[0].serial, chart.points[-1].serial, len(upper)),
    ]
    told = "no signal" if at is None else f"beyond its limit from {chart.points[at].serial} on"
    return _drawn(f"CUSUM of {len(upper)} parts, {told}", parts)


def _drawn(title: str, parts: Sequence[str]) -> Markup:
    head = Markup('<svg class="chart" viewBox="0 0 {} {}" role="img"><title>{}</title>').format(
        WIDTH, HEIGHT, title
    )
    return head + Markup("".join(parts)) + Markup("</svg>")  # noqa: S704 - numbers, our own words, and text that is escaped


def _counted(count: int, what: str, signals: Sequence[Signal]) -> str:
    return f"{count} {what}, {f'{len(signals)} signals' if signals else 'no signal'}"


def _lines(chart: ControlChart) -> list[tuple[str, str, float]]:
    """Kind, label and level of every horizontal line."""
    about = chart.characteristic
    lines: list[tuple[str, str, float]] = []
    for label, limit in (("upper limit", about.upper), ("lower limit", about.lower)):
        if limit is not None:
            lines.append(("spec", f"{label} {shown(limit)}", float(limit)))
    if about.target is not None:
        lines.append(("target", f"target {shown(about.target)}", float(about.target)))
    return lines if chart.chart is None else [*lines, *_control(chart.chart)]


def _control(limits: Chart) -> list[tuple[str, str, float]]:
    """The lines of a chart, to the second digit of its spread; a lower limit that was cut off at zero stands there."""
    places = max(0, 1 - math.floor(math.log10(limits.sigma)))
    return [
        ("control", f"+3s {limits.upper:.{places}f}", limits.upper),
        ("centre", f"mean {limits.centre:.{places}f}", limits.centre),
        (
            "control",
            f"{'−3s' if limits.lower else 'least'} {limits.lower:.{places}f}",
            limits.lower,
        ),
    ]


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
            f'<text class="label" x="{WIDTH - RIGHT + 5}" y="{at:.1f}">{label}</text>'
        )
    return made


def _polyline(frame: _Frame, values: Sequence[float], kind: str, dash: str = "") -> str:
    if not values:
        return ""
    points = " ".join(f"{frame.x(at):.1f},{frame.y(each):.1f}" for at, each in enumerate(values))
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<polyline class="{kind}" fill="none" points="{points}"{dashed}/>'


def _fired(signals: Sequence[Signal]) -> dict[int, str]:
    """Which rules fired, by position."""
    fired: dict[int, str] = {}
    for each in signals:
        fired[each.at] = f"{fired[each.at]}, {each.rule}" if each.at in fired else each.rule
    return fired


def _dots(
    frame: _Frame, named: Sequence[tuple[str, float]], unit: str, fired: Mapping[int, str]
) -> list[str]:
    """A dot for each value; a square around it where a rule fired. Each says what it is when pointed at."""
    made: list[str] = []
    for at, (name, measured) in enumerate(named):
        x, y = frame.x(at), frame.y(measured)
        told = escape(f"{name}: {measured:.7g} {unit} {fired.get(at, '')}".rstrip())
        square = _square(frame, at, measured) if at in fired else ""
        made.append(
            f'<g><title>{told}</title><circle class="dot" cx="{x:.1f}" cy="{y:.1f}" r="2.5"/>{square}</g>'
        )
    return made


def _square(frame: _Frame, at: int, measured: float) -> str:
    x, y = frame.x(at), frame.y(measured)
    return (
        f'<rect class="signal" fill="none" x="{x - 6:.1f}" y="{y - 6:.1f}" width="12" height="12"/>'
    )


def _base(frame: _Frame, base: int, count: int) -> str:
    """Where the base period ends."""
    if base == 0 or count <= base:
        return ""
    x = (frame.x(base - 1) + frame.x(base)) / 2
    return (
        f'<line class="base" x1="{x:.1f}" x2="{x:.1f}" y1="{TOP}" y2="{HEIGHT - BOTTOM}" stroke-dasharray="1 3"/>'
        f'<text class="label" x="{x - 4:.1f}" y="{HEIGHT - BOTTOM + 14}" text-anchor="end">base period</text>'
    )


def _ends(frame: _Frame, first: str, last: str, count: int) -> list[str]:
    """The serial numbers at both ends."""
    ends = [(0, "start", first), (count - 1, "end", last)] if count > 1 else [(0, "start", first)]
    return [
        f'<text class="label" x="{frame.x(at):.1f}" y="{HEIGHT - 4}" text-anchor="{anchor}">{escape(serial)}</text>'
        for at, anchor, serial in ends
    ]

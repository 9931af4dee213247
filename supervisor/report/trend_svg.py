"""The trend of one calibrated value of a reference part as a small picture for a page.

Rules of this file:
- No style and no script inside: pages forbid both. A run that missed is a diamond, one that found a dot, so that it reads in black and white.
- The two lines are what a check allows, En of 1 to either side; a value beyond the picture stands at its edge.
"""

from collections.abc import Sequence
from typing import Literal

from markupsafe import Markup

from supervisor.cell.value import value

WIDTH, HEIGHT = 160, 44
REACH = 1.6
"""En at the edges."""
RUNS_MAX = 24
"""Only the newest; more do not fit."""


@value
class TrendPoint:
    """One run: En, and whether the value was found."""

    en: float
    outcome: Literal["good", "missed"]


def trend_svg(points: Sequence[TrendPoint], title: str) -> Markup:
    """The picture of the newest runs, the newest on the right; nothing where there are none."""
    shown = points[-RUNS_MAX:]
    if not shown:
        return Markup()
    places = [(_x(at, len(shown)), _y(each.en)) for at, each in enumerate(shown)]
    path = " ".join(f"{x:.1f},{y:.1f}" for x, y in places)
    parts = [
        *(_level(en, kind) for en, kind in ((1.0, "limit"), (0.0, "axis"), (-1.0, "limit"))),
        f'<polyline class="series" points="{path}"/>',
        *(_mark(x, y, each) for (x, y), each in zip(places, shown, strict=True)),
    ]
    head = Markup(
        '<svg class="trend" viewBox="0 0 {} {}" width="{}" height="{}" role="img"><title>{}</title>'
    ).format(WIDTH, HEIGHT, WIDTH, HEIGHT, title)
    return head + Markup("".join(parts)) + Markup("</svg>")  # noqa: S704 - numbers and our own words only


def _x(at: int, count: int) -> float:
    return WIDTH - 6 - (count - 1 - at) * (WIDTH - 12) / (RUNS_MAX - 1)


def _y(en: float) -> float:
    inside = max(-REACH, min(REACH, en))
    return HEIGHT / 2 - inside / REACH * (HEIGHT / 2 - 5)


def _level(en: float, kind: str) -> str:
    y = _y(en)
    dashes = "" if kind == "limit" else ' stroke-dasharray="1 4"'
    return f'<line class="{kind}" x1="2" x2="{WIDTH - 2}" y1="{y:.1f}" y2="{y:.1f}"{dashes}/>'


def _mark(x: float, y: float, point: TrendPoint) -> str:
    if point.outcome == "good":
        return f'<circle class="good" cx="{x:.1f}" cy="{y:.1f}" r="2.2"/>'
    corners = ((x, y - 5), (x + 5, y), (x, y + 5), (x - 5, y))
    path = " ".join(f"{a:.1f},{b:.1f}" for a, b in corners)
    return f'<polygon class="missed" points="{path}"/>'

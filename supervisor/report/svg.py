"""The picture of a characteristic as SVG for a page.

Rules of this file:
- No style and no script inside: pages forbid both. Classes are in the style sheet; the marks alone are enough to read it in print.
- The picture has a title for whoever cannot see it.
"""

from markupsafe import Markup

from supervisor.report.deviation import Mark, Picture

WIDTH, HEIGHT = 160, 22
MIDDLE = HEIGHT / 2


def svg(picture: Picture | None, title: str) -> Markup:
    """The picture, or nothing where there is none."""
    if picture is None:
        return Markup()
    parts = [
        _line(0.0, 1.0, MIDDLE, "axis"),
        _zone(picture),
        *(_upright(at, 2, HEIGHT - 2, "limit") for at in (picture.lower, picture.upper)),
        *(_mark(each, MIDDLE, "monitor") for each in picture.monitors),
        "" if picture.decided is None else _mark(picture.decided, MIDDLE, "decided"),
    ]
    head = Markup(
        '<svg class="deviation" viewBox="0 0 {} {}" width="{}" height="{}" role="img"><title>{}</title>'
    ).format(WIDTH, HEIGHT, WIDTH, HEIGHT, title)
    return head + Markup("".join(parts)) + Markup("</svg>")  # noqa: S704 - numbers and our own words only


def _x(share: float) -> str:
    return f"{4 + share * (WIDTH - 8):.1f}"


def _line(start: float, end: float, y: float, kind: str) -> str:
    return f'<line class="{kind}" x1="{_x(start)}" x2="{_x(end)}" y1="{y:g}" y2="{y:g}"/>'


def _upright(at: float | None, top: float, bottom: float, kind: str) -> str:
    if at is None:
        return ""
    return f'<line class="{kind}" x1="{_x(at)}" x2="{_x(at)}" y1="{top:g}" y2="{bottom:g}"/>'


def _zone(picture: Picture) -> str:
    """The conformity zone as a bar; open sides end at the edge."""
    if picture.sure_from is None and picture.sure_to is None:
        return ""
    start = picture.sure_from or 0.0
    end = 1.0 if picture.sure_to is None else picture.sure_to
    if end <= start:
        return ""
    width = (end - start) * (WIDTH - 8)
    return f'<rect class="zone" x="{_x(start)}" y="{MIDDLE - 3:g}" width="{width:.1f}" height="6"/>'


def _mark(mark: Mark, y: float, kind: str) -> str:
    if mark.beyond:
        tip, back = (0.0, 0.06) if mark.beyond == "left" else (1.0, 0.94)
        points = f"{_x(tip)},{y:g} {_x(back)},{y - 6:g} {_x(back)},{y + 6:g}"
        return f'<polygon class="{kind}" points="{points}"/>'
    ends = "".join(_upright(at, y - 4, y + 4, kind) for at in (mark.low, mark.high))
    radius = 3.5 if kind == "decided" else 2.5
    dot = f'<circle class="{kind}" cx="{_x(mark.at)}" cy="{y:g}" r="{radius:g}"/>'
    return _line(mark.low, mark.high, y, kind) + ends + dot

"""Templates and the few filters that they use.

Rules of this file: everything put into a template is escaped, except what another template rendered.
"""

import math
from datetime import datetime
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from supervisor.api.record_view import EvidenceView
from supervisor.api.trust_view import CheckView
from supervisor.cell.value import value
from supervisor.report.trend_svg import TrendPoint, trend_svg
from supervisor.web import words

FOLDER = Path(__file__).parent
MINUTE_S = 60
SIGNS: dict[str, Any] = {
    "cell_sign": words.cell_sign,
    "station_sign": words.station_sign,
    "handler_sign": words.handler_sign,
    "place_sign": words.place_sign,
    "pallet_sign": words.pallet_sign,
    "verdict_sign": words.verdict_sign,
}


class Templates:
    """Renders the page's templates."""

    def __init__(self) -> None:
        self._environment = Environment(
            loader=FileSystemLoader(FOLDER / "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._environment.filters.update(
            clock=clock,
            date=date,
            duration=duration,
            number=number,
            percent=percent,
        )
        shown: dict[str, Any] = {**SIGNS, "trends": trends}
        self._environment.globals.update(shown)

    def render(self, template: str, **content: Any) -> Markup:
        """A template as HTML."""
        return Markup(self._environment.get_template(template).render(**content))  # noqa: S704 - our own output, escaped where it was made


def _local(instant: str) -> datetime:
    return datetime.fromisoformat(instant).astimezone()


def clock(instant: str | None) -> str:
    """A time as HH:MM:SS where the cell stands."""
    return _local(instant).strftime("%H:%M:%S") if instant else "–"


def date(instant: str) -> str:
    """A time with its day and its zone where the cell stands."""
    return _local(instant).strftime("%Y-%m-%d %H:%M:%S %Z")


def duration(seconds: float) -> str:
    """Seconds as people say them."""
    minutes, rest = divmod(round(seconds), MINUTE_S)
    hours, minutes = divmod(minutes, MINUTE_S)
    if hours:
        return f"{hours} h {minutes:02d} min"
    return f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"


def number(content: float | None) -> str:
    """A measured value or a limit; "–" where there is none."""
    return "–" if content is None else f"{content:.7g}"


def measured(evidence: EvidenceView | None) -> str:
    """A measured value to the place at which its uncertainty has two digits (JCGM 100:2008, 7.2.6); "–" where there is none."""
    if evidence is None or evidence.value is None:
        return "–"
    if evidence.expanded_u <= 0:
        return number(evidence.value)
    return f"{evidence.value:.{max(0, 1 - math.floor(math.log10(evidence.expanded_u)))}f}"


@value
class ShownTrend:
    """What a page shows of one calibrated value: its number, a picture of its runs, the newest En, what its trend says."""

    number: str
    picture: Markup
    en: float
    outcome: str
    moves: str


def trends(check: CheckView) -> list[ShownTrend]:
    """What a page shows of a check, one value after the other."""
    said = {each.number: each for each in check.levels}
    found: list[ShownTrend] = []
    for numbered in dict.fromkeys(point.number for point in check.trend):
        points = [point for point in check.trend if point.number == numbered]
        drawn = [TrendPoint(en=point.en, outcome=point.outcome) for point in points]
        level = said.get(numbered)
        title = f"En of the last runs of {check.part_type} {numbered}, the newest on the right"
        found.append(
            ShownTrend(
                number=numbered,
                picture=trend_svg(drawn, title),
                en=points[-1].en,
                outcome=points[-1].outcome,
                moves=level.why if level is not None and level.standing == "moves" else "",
            )
        )
    return found


def percent(share: float) -> str:
    """A share in whole percent."""
    return f"{share:.0%}"

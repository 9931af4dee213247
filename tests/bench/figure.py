"""A figure: what was measured, what it is divided by, and what we aim at.

Rules of this file:
- A ratio comes from one run: value and denominator were measured in the same minutes on the same machine. It is the median of the
  rounds' own ratios, so it need not be the quotient of the two medians beside it.
- An aim is judged for the reader. Nobody fails because of it: a shared machine proves little about time.
"""

import statistics
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

Size = Literal["full", "smallest"]
"""How much is measured: for the table, or just enough to know that a bench still runs."""

Measure = Callable[[Size], list["Figure"]]

ROUNDS: dict[Size, int] = {"full": 3, "smallest": 1}


@dataclass(frozen=True, slots=True)
class Aim:
    """What a figure should reach."""

    sign: Literal["≤", "≥"]
    limit: float

    def met(self, value: float) -> bool:
        """Whether it does."""
        return value <= self.limit if self.sign == "≤" else value >= self.limit

    def __str__(self) -> str:
        return f"{self.sign} {self.limit:,g}"


def at_most(limit: float) -> Aim:
    return Aim("≤", limit)


def at_least(limit: float) -> Aim:
    return Aim("≥", limit)


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One line of the table. ``judged`` is what the aim speaks of: the ratio where there is one, else the value."""

    name: str
    value: str
    denominator: str = ""
    judged: float
    ratio: str = ""
    aim: Aim | None = None

    def verdict(self) -> str:
        if self.aim is None:
            return ""
        return f"{self.aim} {'met' if self.aim.met(self.judged) else 'NOT met'}"


def beside(
    name: str,
    mine: Sequence[float],
    unit: str,
    other: tuple[str, Sequence[float]],
    aim: Aim | None = None,
) -> Figure:
    """A figure of rounds beside its denominator's rounds. Values in seconds, bytes or a count per second; ``unit`` as in ``UNITS``."""
    what, theirs = other
    ratio = statistics.median(a / b for a, b in zip(mine, theirs, strict=True))
    return Figure(
        name=name,
        value=UNITS[unit](statistics.median(mine)),
        denominator=f"{what}: {UNITS[unit](statistics.median(theirs))}",
        judged=ratio,
        ratio=f"{ratio:.3g}" if ratio < 1 else f"{ratio:.2f}",
        aim=aim,
    )


def alone(name: str, mine: Sequence[float], unit: str, aim: Aim | None = None) -> Figure:
    """A figure of rounds that is divided by nothing."""
    middle = statistics.median(mine)
    return Figure(name=name, value=UNITS[unit](middle), judged=middle, aim=aim)


UNITS: dict[str, Callable[[float], str]] = {
    "µs": lambda seconds: f"{seconds * 1e6:,.0f} µs",
    "ms": lambda seconds: f"{seconds * 1e3:,.1f} ms",
    "s": lambda seconds: f"{seconds:,.1f} s",
    "MB": lambda size: f"{size / 1e6:,.1f} MB",
    "KB": lambda size: f"{size / 1e3:,.2f} KB",
    "/s": lambda rate: f"{rate:,.0f} /s" if rate >= 100 else f"{rate:,.2f} /s",
    "stations": lambda count: f"{count:,.0f}",
}


def percentile(times: Sequence[float], percent: int) -> float:
    """A percentile within what was seen; of a single value, that value."""
    if len(times) == 1:
        return times[0]
    return statistics.quantiles(times, n=100, method="inclusive")[percent - 1]


def table(figures: Iterable[Figure]) -> str:
    """The figures as a table in Markdown, with columns in line."""
    rows = [("figure", "value", "denominator", "ratio", "aim")]
    rows += [(f.name, f.value, f.denominator, f.ratio, f.verdict()) for f in figures]
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    lines = [_line(row, widths) for row in rows]
    lines.insert(1, _line(["-" * width for width in widths], widths))
    return "\n".join(lines)


def _line(cells: Sequence[str], widths: Sequence[int]) -> str:
    return f"| {' | '.join(cell.ljust(width) for cell, width in zip(cells, widths, strict=True))} |"

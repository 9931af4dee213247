"""What advice rests on: the parts made since the last correction, and how much they spread.

Rules of this file:
- Whether a part was made before a correction is told by its production time. Where that is not known, parts that came into the cell
  later count as made later, except the first ones, which may have stood in the queue.
- The spread comes from neighbours, so that the drift which is to be corrected is not taken for noise.
"""

import math
from collections.abc import Sequence

from supervisor.cell.model import Characteristic
from supervisor.cell.value import replace, value
from supervisor.process.series import LeftOut, Point, Series, made_of
from supervisor.statistics.moments import moments, successive_spread
from supervisor.verdict.record import Record


@value
class Basis:
    """What advice rests on for one characteristic: its values, their mean, and the spread of single parts.

    ``gains`` are (offset, gain). ``sd`` comes from neighbours in ``points`` and before, ``dof`` are its degrees of freedom.
    """

    number: str
    name: str
    unit: str
    target: float
    mean: float
    sd: float
    dof: float
    gains: tuple[tuple[str, float], ...]
    points: tuple[Point, ...]


@value
class Window:
    """A characteristic with its newest values since the last correction.

    ``first`` are the first ones since then, ``before`` the last ones made before it, queued parts among them.
    """

    characteristic: Characteristic
    basis: Basis
    first: tuple[Point, ...]
    before: tuple[Point, ...]
    left_out: tuple[LeftOut, ...]

    @property
    def points(self) -> tuple[Point, ...]:
        """The values, in the order of making."""
        return self.basis.points

    @property
    def deviation(self) -> float:
        """Mean minus target."""
        return self.basis.mean - self.basis.target

    @property
    def chance(self) -> float:
        """The standard error of the mean."""
        return self.basis.sd / math.sqrt(len(self.points))

    @property
    def u(self) -> float:
        """The largest standard uncertainty of the values: what they share is not averaged away."""
        return max(point.u for point in self.points)

    def lacking(self, count: int) -> str:
        """What is missing to advise on ``count`` parts; "" if nothing."""
        number = self.characteristic.number
        if len(self.points) < count:
            return f"{len(self.points)} of the {count} parts that it takes have a value of characteristic {number}; what was made before a correction does not count"
        if self.basis.dof <= 0.0 or self.basis.sd <= 0.0:
            return f"the values of characteristic {number} are all equal: a spread of nothing is no measurement"
        return ""

    def without(self, serial: str) -> "Window":
        """The same without one part; its spread stays."""
        kept = tuple(point for point in self.points if point.serial != serial)
        mean = moments([point.value for point in kept]).mean
        return replace(self, basis=replace(self.basis, points=kept, mean=mean))


def split_at_correction(
    records: Sequence[Record], since_ms: int | None, queue: int
) -> tuple[tuple[Record, ...], tuple[Record, ...], int]:
    """Parts made before and after a correction, and how many of the former came into the cell after it.

    ``records`` are in the order of making; ``queue`` is how many parts stand between machine and cell at most.
    """
    if since_ms is None:
        return (), tuple(records), 0
    before: list[Record] = []
    after: list[Record] = []
    queued = doubted = 0
    for record in records:
        made_ms, known = made_of(record)
        late = record.entered_ms > since_ms
        if known == "yes":
            made_after = made_ms > since_ms
        else:
            made_after = late and doubted >= queue
            doubted += late
        (after if made_after else before).append(record)
        queued += late and not made_after
    return tuple(before), tuple(after), queued


def window_of(characteristic: Characteristic, after: Series, before: Series, count: int) -> Window:
    """The newest ``count`` values since the last correction, with the spread of these and of what was before."""
    newest = after.points[-count:]
    values = [point.value for point in newest]
    runs = [[point.value for point in run.points] for run in (before, after)]
    spread = successive_spread(runs)
    basis = Basis(
        number=characteristic.number,
        name=characteristic.name,
        unit=characteristic.unit,
        target=float(characteristic.target or 0),
        mean=moments(values).mean if values else math.nan,
        sd=0.0 if spread is None else spread.sd,
        dof=0.0 if spread is None else spread.dof,
        gains=tuple((answer.offset, float(answer.gain)) for answer in characteristic.answers),
        points=newest,
    )
    return Window(
        characteristic=characteristic,
        basis=basis,
        first=after.points[:count],
        before=before.points[-count:],
        left_out=after.left_out,
    )

"""What a study found, ready to be shown: one finding per variant, over all seeds.

Rules of this file: everything is worked out from shift figures; shares are of the time looked at, which is the same for all stations.
Whether a part is late is asked once it is known: of those that came in so shortly before the end that they may still be in time, all are
left out, also those that went out before the others.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from typing import Any

from simulators.bench.study.estimate import Estimate, estimate
from supervisor.shift.causes import CAUSES, HANDLER_CAUSES, Cause, HandlerCause
from supervisor.shift.fold import SLICE_MS, ShiftFigures, Stay

MINUTE_MS = 60_000


@dataclass(frozen=True, slots=True, kw_only=True)
class StationFinding:
    """A station: the mean share of its time by cause, and of its utilisation (measuring) the interval."""

    station: str
    utilisation: Estimate
    shares: dict[Cause, float]
    runs: float


@dataclass(frozen=True, slots=True, kw_only=True)
class QueueAt:
    """How many pallets waited in the rack or at an infeed, some minutes into the shift: mean over seeds, least and most of the means."""

    minute: float
    mean: float
    least: float
    most: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PartTypeFinding:
    """The parts of one type: how long they are in the cell, and, where they are due, which share was late and those by how many minutes.

    ``late`` is None without a due time, or where none came due; ``late_by_min`` where none was late. It goes up to the end of the shift for
    parts that were still in the cell.
    """

    part_type: str
    stayed_min: Estimate | None
    stayed_min_p95: float | None
    due_min: float | None
    late: Estimate | None
    late_by_min: float | None

    def as_json(self) -> dict[str, Any]:
        """JSON-ready fields."""
        return {
            "minutes_in_cell": _json(self.stayed_min),
            "minutes_in_cell_p95": self.stayed_min_p95,
            "due_min": self.due_min,
            "late": _json(self.late),
            "late_by_min": self.late_by_min,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One variant over all its seeds. ``gain`` is the throughput over that of the cell as declared, minus 1 (None: it is that cell).

    ``late`` is the share of late parts among all that are due (None: nothing is).
    """

    name: str
    hours: Estimate
    parts_out: Estimate
    throughput_per_h: Estimate
    gain: Estimate | None
    gap: Estimate | None
    gap_as_they_came: Estimate | None
    busiest: str
    stations: tuple[StationFinding, ...]
    handler: dict[HandlerCause, float]
    queue_mean: Estimate
    queue: tuple[QueueAt, ...]
    stayed_min: Estimate | None
    stayed_min_p95: float | None
    part_types: tuple[PartTypeFinding, ...]
    late: Estimate | None
    verdicts: dict[str, int]

    def as_json(self) -> dict[str, Any]:
        """JSON-ready fields."""
        return {
            "name": self.name,
            "hours": _json(self.hours),
            "parts_out": _json(self.parts_out),
            "throughput_per_h": _json(self.throughput_per_h),
            "gain": _json(self.gain),
            "gap_to_bound": _json(self.gap),
            "gap_to_bound_as_they_came": _json(self.gap_as_they_came),
            "bottleneck": self.busiest,
            "stations": {
                each.station: {
                    "utilisation": _json(each.utilisation),
                    "shares": each.shares,
                    "runs": each.runs,
                }
                for each in self.stations
            },
            "handler": self.handler,
            "queue_mean": _json(self.queue_mean),
            "queue": [
                {"minute": q.minute, "mean": q.mean, "least": q.least, "most": q.most}
                for q in self.queue
            ],
            "minutes_in_cell": _json(self.stayed_min),
            "minutes_in_cell_p95": self.stayed_min_p95,
            "part_types": {each.part_type: each.as_json() for each in self.part_types},
            "late": _json(self.late),
            "verdicts": self.verdicts,
        }


def _json(found: Estimate | None) -> dict[str, float | None] | None:
    return None if found is None else {"mean": found.mean, "half_width_95": found.half_width}


def finding(
    name: str,
    shifts: Sequence[ShiftFigures],
    declared: Sequence[ShiftFigures] | None,
    due_ms: Mapping[str, int],
) -> Finding:
    """What a variant's shifts say; ``declared`` are those of the cell as declared, seed by seed (None: these are).

    ``due_ms`` has by part type how long after it came in a part is late.
    """
    throughput = [shift.throughput_per_h() for shift in shifts]
    gaps = [gap for gap in (shift.gap() for shift in shifts) if gap is not None]
    came = [gap for gap in (shift.gap_as_they_came() for shift in shifts) if gap is not None]
    bounds = [shift.bound for shift in shifts if shift.bound is not None]
    return Finding(
        name=name,
        hours=estimate([shift.looked_ms / 3_600_000 for shift in shifts]),
        parts_out=estimate([float(shift.parts_out) for shift in shifts]),
        throughput_per_h=estimate(throughput),
        gain=_gain(throughput, declared),
        gap=estimate(gaps) if gaps else None,
        gap_as_they_came=estimate(came) if came else None,
        busiest=_most_common([bound.busiest for bound in bounds]),
        stations=_stations(shifts),
        handler=_handler(shifts),
        queue_mean=estimate([shift.queue_mean() for shift in shifts]),
        queue=_queue(shifts),
        stayed_min=_mean([_minutes(shift.stays) for shift in shifts]),
        stayed_min_p95=_p95([ms / MINUTE_MS for shift in shifts for ms in shift.stayed_ms]),
        part_types=_part_types(shifts, due_ms),
        late=_share_late([_late_ms(shift, due_ms) for shift in shifts]),
        verdicts=_verdicts(shifts),
    )


def _gain(throughput: Sequence[float], declared: Sequence[ShiftFigures] | None) -> Estimate | None:
    if declared is None:
        return None
    before = [shift.throughput_per_h() for shift in declared]
    if not all(before):
        return None
    return estimate([now / was - 1.0 for now, was in zip(throughput, before, strict=True)])


def _most_common(names: Sequence[str]) -> str:
    counts = Counter(names)
    return max(sorted(counts), key=lambda name: counts[name], default="")


def _stations(shifts: Sequence[ShiftFigures]) -> tuple[StationFinding, ...]:
    found: list[StationFinding] = []
    for at, station in enumerate(shifts[0].stations):
        same = [(shift, shift.stations[at]) for shift in shifts]
        shares: dict[Cause, float] = {
            cause: sum(shift.share(each, cause) for shift, each in same) / len(same)
            for cause in CAUSES
        }
        found.append(
            StationFinding(
                station=station.station,
                utilisation=estimate([shift.share(each, "measuring") for shift, each in same]),
                shares=shares,
                runs=sum(each.runs for _, each in same) / len(same),
            )
        )
    return tuple(found)


def _handler(shifts: Sequence[ShiftFigures]) -> dict[HandlerCause, float]:
    return {
        cause: sum(s.handler_ms[cause] / max(1, s.looked_ms) for s in shifts) / len(shifts)
        for cause in HANDLER_CAUSES
    }


def _queue(shifts: Sequence[ShiftFigures]) -> tuple[QueueAt, ...]:
    points: list[QueueAt] = []
    for at, slices in enumerate(zip_longest(*(shift.queue for shift in shifts))):
        means = [each.mean for each in slices if each is not None]
        points.append(
            QueueAt(
                minute=at * SLICE_MS / 60_000,
                mean=sum(means) / len(means),
                least=min(means),
                most=max(means),
            )
        )
    return tuple(points)


def _part_types(
    shifts: Sequence[ShiftFigures], due_ms: Mapping[str, int]
) -> tuple[PartTypeFinding, ...]:
    """Every type of which parts came."""
    came = {stay.part_type for shift in shifts for stay in shift.stays if stay.part_type}
    return tuple(_part_type(name, shifts, due_ms.get(name)) for name in sorted(came))


def _part_type(name: str, shifts: Sequence[ShiftFigures], due_ms: int | None) -> PartTypeFinding:
    minutes = [_minutes([s for s in shift.stays if s.part_type == name]) for shift in shifts]
    late = [_late_ms(shift, {} if due_ms is None else {name: due_ms}) for shift in shifts]
    by_min = [ms / MINUTE_MS for each in late for ms in each if ms > 0]
    return PartTypeFinding(
        part_type=name,
        stayed_min=_mean(minutes),
        stayed_min_p95=_p95([each for shift in minutes for each in shift]),
        due_min=None if due_ms is None else due_ms / MINUTE_MS,
        late=_share_late(late),
        late_by_min=sum(by_min) / len(by_min) if by_min else None,
    )


def _minutes(stays: Sequence[Stay]) -> list[float]:
    """How long each part was in the cell that was put out."""
    return [(stay.out_ms - stay.entered_ms) / MINUTE_MS for stay in stays if stay.out_ms]


def _late_ms(shift: ShiftFigures, due_ms: Mapping[str, int]) -> list[int]:
    """How late each part was of which that is known, 0 = in time: those whose due time came, or all if none is left in the cell."""
    left = any(not stay.out_ms for stay in shift.stays)
    late: list[int] = []
    for stay in shift.stays:
        if stay.part_type in due_ms:
            due_at_ms = stay.entered_ms + due_ms[stay.part_type]
            if due_at_ms <= shift.to_ms or not left:
                late.append(max(0, (stay.out_ms or shift.to_ms) - due_at_ms))
    return late


def _share_late(late: Sequence[Sequence[int]]) -> Estimate | None:
    """Of a shift's parts, the mean over the shifts that had any."""
    return _mean([[float(ms > 0) for ms in each] for each in late])


def _mean(by_shift: Sequence[Sequence[float]]) -> Estimate | None:
    """The mean over the shifts of their means; a shift without any value says nothing."""
    means = [sum(values) / len(values) for values in by_shift if values]
    return estimate(means) if means else None


def _p95(values: list[float]) -> float | None:
    """The smallest value that 95 % of all values do not exceed."""
    values.sort()
    return values[-(-95 * len(values) // 100) - 1] if values else None


def _verdicts(shifts: Sequence[ShiftFigures]) -> dict[str, int]:
    counts: Counter[str] = Counter()
    for shift in shifts:
        counts.update(shift.verdicts)
    return dict(sorted(counts.items()))

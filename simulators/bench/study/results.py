"""What a study found, ready to be shown: one finding per variant, over all seeds.

Rules of this file: everything is worked out from shift figures; shares are of the time looked at, which is the same for all stations.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import zip_longest
from typing import Any

from simulators.bench.study.estimate import Estimate, estimate
from supervisor.shift.causes import CAUSES, HANDLER_CAUSES, Cause, HandlerCause
from supervisor.shift.fold import SLICE_MS, ShiftFigures


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
class Finding:
    """One variant over all its seeds. ``gain`` is the throughput over that of the cell as declared, minus 1 (None: it is that cell)."""

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
            "verdicts": self.verdicts,
        }


def _json(found: Estimate | None) -> dict[str, float | None] | None:
    return None if found is None else {"mean": found.mean, "half_width_95": found.half_width}


def finding(
    name: str, shifts: Sequence[ShiftFigures], declared: Sequence[ShiftFigures] | None
) -> Finding:
    """What a variant's shifts say; ``declared`` are those of the cell as declared, seed by seed (None: these are)."""
    throughput = [shift.throughput_per_h() for shift in shifts]
    gaps = [gap for gap in (shift.gap() for shift in shifts) if gap is not None]
    came = [gap for gap in (shift.gap_as_they_came() for shift in shifts) if gap is not None]
    stayed = [sum(s.stayed_ms) / len(s.stayed_ms) / 60_000 for s in shifts if s.stayed_ms]
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
        stayed_min=estimate(stayed) if stayed else None,
        stayed_min_p95=_p95([ms / 60_000 for shift in shifts for ms in shift.stayed_ms]),
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


def _p95(values: list[float]) -> float | None:
    """The smallest value that 95 % of all values do not exceed."""
    values.sort()
    return values[-(-95 * len(values) // 100) - 1] if values else None


def _verdicts(shifts: Sequence[ShiftFigures]) -> dict[str, int]:
    counts: Counter[str] = Counter()
    for shift in shifts:
        counts.update(shift.verdicts)
    return dict(sorted(counts.items()))

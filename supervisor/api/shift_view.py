"""Shift figures, as people see them."""

from typing import Literal

from supervisor.api.schema import Example, Instant, Schema, instant, seconds, shown_by
from supervisor.shift.causes import CAUSES, HANDLER_CAUSES, Cause, HandlerCause
from supervisor.shift.fold import ShiftFigures, StationTime

Which = Literal["running", "last", "asked"]
"""The shift under way, the one before, or between two moments that somebody asked for."""

EXAMPLE: Example = {
    "shift": "running",
    "begun_at": "2025-11-25T06:00:00.000Z",
    "until": "2025-11-25T09:15:12.360Z",
    "parts_in": 52,
    "parts_out": 44,
    "parts_per_h": 13.52,
    "verdicts": {"conforming": 41, "nonconforming": 3},
    "time_in_cell_s": 2511.4,
    "stations": [
        {
            "station": "touch-1",
            "runs": 45,
            "spent": [
                {"cause": "measuring", "means": "a run acquires", "time_s": 10938.2, "share": 0.934}
            ],
        }
    ],
    "handler": [{"cause": "carrying", "means": "it has an order", "time_s": 1990.1, "share": 0.17}],
    "queue": [{"at": "2025-11-25T06:00:00.000Z", "mean": 8.4, "most": 10}],
    "bound": {
        "took_s": 11702.0,
        "all_at_hand_s": 11290.5,
        "as_they_came_s": 11601.0,
        "gap": 0.0364,
        "gap_as_they_came": 0.0087,
        "bottleneck": "touch-1",
        "why": "the work of touch-1",
        "loads": {"touch-1": 11260.1, "handler": 1309.0},
    },
}


class StationSpent(Schema):
    """One cause of a station's time."""

    cause: Cause
    means: str
    time_s: float
    share: float


class HandlerSpent(Schema):
    """One cause of the handler's time."""

    cause: HandlerCause
    means: str
    time_s: float
    share: float


class StationShift(Schema):
    """Where a station's time went; the causes are exclusive, and their times add up to the time looked at."""

    station: str
    runs: int
    """Runs that gave a result."""
    spent: list[StationSpent]


class QueueView(Schema):
    """How many pallets waited in the rack for a station, in the five minutes from a moment on."""

    at: Instant
    mean: float
    most: int


class BoundView(Schema):
    """How long the finished work took, and how long it takes at least, whoever routes it."""

    took_s: float
    """From the first part to the last thing done."""
    all_at_hand_s: float
    """The bound if all parts had been at hand when the first one was."""
    as_they_came_s: float
    """The bound with the parts when they came."""
    gap: float
    """``took_s`` over ``all_at_hand_s``, minus 1."""
    gap_as_they_came: float
    """``took_s`` over ``as_they_came_s``, minus 1: what is left to the cell itself."""
    bottleneck: str
    """The station, or the handler, that binds when all parts are at hand."""
    why: str
    """Where ``as_they_came_s`` comes from."""
    loads: dict[str, float]
    """What each station and the handler have to do at least, in the assignment of the bound, in s."""


class ShiftView(Schema):
    """Where the time of a shift went, and how far the cell was from the best it could have done."""

    model_config = shown_by(EXAMPLE)

    shift: Which
    begun_at: Instant
    """When the shift began, or when this process took the cell, if that was later."""
    until: Instant
    parts_in: int
    parts_out: int
    parts_per_h: float
    verdicts: dict[str, int]
    """Of the parts put out."""
    time_in_cell_s: float | None
    """The mean over the parts that came and left within the time looked at."""
    stations: list[StationShift]
    handler: list[HandlerSpent]
    queue: list[QueueView]
    bound: BoundView | None
    """None while nothing is finished."""


def shift_view(figures: ShiftFigures, which: Which) -> ShiftView:
    """The figures in the words of the interface."""
    stayed = figures.stayed_ms
    looked_ms = max(1, figures.looked_ms)
    return ShiftView(
        shift=which,
        begun_at=instant(figures.from_ms),
        until=instant(figures.to_ms),
        parts_in=figures.parts_in,
        parts_out=figures.parts_out,
        parts_per_h=round(figures.throughput_per_h(), 2),
        verdicts=figures.verdicts,
        time_in_cell_s=round(sum(stayed) / len(stayed) / 1000, 1) if stayed else None,
        stations=[_station(figures, each) for each in figures.stations],
        handler=[
            HandlerSpent(
                cause=cause,
                means=means,
                time_s=seconds(figures.handler_ms[cause]),
                share=round(figures.handler_ms[cause] / looked_ms, 4),
            )
            for cause, means in HANDLER_CAUSES.items()
        ],
        queue=[
            QueueView(at=instant(each.from_ms), mean=round(each.mean, 2), most=each.most)
            for each in figures.queue
        ],
        bound=_bound(figures),
    )


def _station(figures: ShiftFigures, station: StationTime) -> StationShift:
    return StationShift(
        station=station.station,
        runs=station.runs,
        spent=[
            StationSpent(
                cause=cause,
                means=means,
                time_s=seconds(station.spent_ms[cause]),
                share=round(figures.share(station, cause), 4),
            )
            for cause, means in CAUSES.items()
        ],
    )


def _bound(figures: ShiftFigures) -> BoundView | None:
    bound, gap, as_they_came = figures.bound, figures.gap(), figures.gap_as_they_came()
    if bound is None or gap is None or as_they_came is None:
        return None
    return BoundView(
        took_s=seconds(figures.work.to_ms - figures.work.from_ms),
        all_at_hand_s=seconds(bound.work_ms),
        as_they_came_s=seconds(bound.ms),
        gap=round(gap, 4),
        gap_as_they_came=round(as_they_came, 4),
        bottleneck=bound.busiest,
        why=bound.why,
        loads={name: seconds(load_ms) for name, load_ms in bound.loads_ms.items()},
    )

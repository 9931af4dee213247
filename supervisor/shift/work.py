"""What was done in a shift, as the bound needs it: parts with their runs and times.

Rules of this file: values only. Times are the cell's time in ms.
"""

from typing import Literal

from supervisor.cell.value import value


@value
class RunDone:
    """A run that gave a result: when it was ordered to start, and how long until the part was free and until the result was there."""

    program: str
    started_ms: int
    part_free_ms: int
    result_ms: int


@value
class PartDone:
    """What became of a part within the time looked at.

    ``entered`` "before": it was there when the look began, and ``entered_ms`` is that moment. ``out`` is the outfeed place it was put on
    ("" = it is still inside). ``home`` is its rack place. ``ready_ms`` is when it had soaked (0 = it need not).
    """

    pallet: str
    part_type: str
    entered: Literal["within", "before"]
    entered_ms: int
    home: str
    out: str
    out_ms: int
    runs: tuple[RunDone, ...]
    ready_ms: int = 0


@value
class Pace:
    """What bounds have to know of how the machines really did, so that no bound is above what happened.

    ``exchange_ms`` has for each station the shortest time seen from part free to the start of the next run on another pallet; a
    station is missing where there was none. ``handler`` is how long the handler took for its orders over what the declaration says, at
    most 1.
    """

    exchange_ms: dict[str, int]
    handler: float


@value
class Work:
    """Everything done from ``from_ms`` until ``to_ms``, the moment of the last run finished or part put out."""

    from_ms: int
    to_ms: int
    parts: tuple[PartDone, ...]
    pace: Pace

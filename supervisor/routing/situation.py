"""What routing is asked and what it answers: the seam between the core and any policy.

Rules of this file:
- Values only. A policy may be replaced behind them; they name nothing that a policy thinks.
- Times are the cell's time or durations in ms, positions are mm along the handler's rail.
- A station's nest is a place whose id is the station's id.
"""

from typing import Literal

from supervisor.cell.model import Sorting
from supervisor.cell.value import value

Intent = tuple[str, tuple[str, ...]]
"""A pallet, and the programs that shall decide what is open of its part: an answer plans them, and the next question brings them back."""


Leg = tuple[str, str, tuple[str, ...]]
"""A pallet, where it is carried to ("" = an outfeed place), and the programs that shall run there: one step of how it goes on."""


@value
class PalletView:
    """A pallet that stands somewhere, or is in hand, and still has something to do.

    ``movable_ms`` is when it may leave its place: now for a rack place, later while its part soaks; in a nest the expected part-free time
    of the run under way, now if there is none. ``open`` holds the characteristics that are neither decided nor awaited from a run already started.
    ``sorting`` is set once the verdict is known. ``done`` names the programs that must not run again on this part. ``planned``
    is what the carry that brought it to its present station announced (``Carry.program`` and ``Carry.then``), kept for the whole
    visit; () where that is not known. ``home`` is the rack place where it may be put down between visits ("" = there is none); of a pallet
    that stands where none comes back to, the one that would be kept for it if it were fetched now. ``entered_ms`` is when it came into the cell; due times count from there. For the pallet in hand ``place`` and ``at_mm`` mean nothing.
    ``barred`` are (station, characteristic): what a station must not decide of it now. A pallet that ``stays`` in the cell gets no verdict:
    a reference part, one of a gauge study that goes on, one whose part soaks in a nest that others need. Where nothing is ``open`` of any other
    that is not sorted, a run of it is under way or evaluated, and its verdict is awaited.
    """

    pallet: str
    part_type: str
    place: str
    at_mm: int
    movable_ms: int
    home: str
    open: tuple[str, ...]
    sorting: Sorting | Literal[""]
    waiting_since_ms: int
    done: tuple[str, ...]
    planned: tuple[str, ...] = ()
    entered_ms: int = 0
    barred: tuple[tuple[str, str], ...] = ()
    stays: Literal["yes", "no"] = "no"


@value
class StationView:
    """A station. ``unusable`` is "" or why no run can start there now.

    ``occupant_leaves_ms`` is not read where the occupant's own view tells a later time. ``run_free_ms`` is when the next run may
    start: the evaluation of the former one may still be going on. ``coming`` is the pallet already on its way there. ``fetch``
    tells for an unusable station whether the handler may enter it all the same and take the pallet out.
    """

    station: str
    unusable: str
    occupant: str
    occupant_leaves_ms: int
    run_free_ms: int
    coming: str
    fetch: Literal["allowed", "refused"] = "refused"


@value
class OutfeedView:
    """A place where a sorted pallet leaves the cell. "taken" includes reserved."""

    place: str
    at_mm: int
    sorting: Sorting | Literal[""]
    free: Literal["free", "taken"]


@value
class Situation:
    """The cell as routing sees it. ``hand`` is the pallet in a jaw ("" = none); its view is among ``pallets``.

    ``plan`` and ``way`` are what the answer before planned and saw; () where nothing is known of it.
    """

    now_ms: int
    hand: str
    jaws: Literal[1, 2]
    at_mm: int
    pallets: tuple[PalletView, ...]
    stations: tuple[StationView, ...]
    outfeeds: tuple[OutfeedView, ...]
    plan: tuple[Intent, ...] = ()
    way: tuple[Leg, ...] = ()


@value
class Alternative:
    """What else could have been done, what it would have cost, and why it was not chosen.

    The cost is None where it was not possible, or where look-ahead did not play it through to the end.
    """

    what: str
    cost_ms: int | None
    why_lost: str


@value
class Carry:
    """Bring a pallet from ``origin`` ("" = it is in hand) to ``target``.

    ``displaced`` is the pallet to take out of the target in the same stop: a swap. ``program`` is the first program to run there,
    ``then`` the ones to follow in the same visit. ``cost_ms`` is comparable with the alternatives of the same answer only. Where
    look-ahead chose, it is the time until all known pallets are out, and no choice could make it less than ``bound_ms``.
    """

    pallet: str
    origin: str
    target: str
    displaced: str
    program: str
    then: tuple[str, ...]
    cost_ms: int
    why: str
    alternatives: tuple[Alternative, ...]
    bound_ms: int | None = None
    plan: tuple[Intent, ...] = ()
    way: tuple[Leg, ...] = ()


@value
class Stay:
    """Carry nothing before ``until_ms``, or before something changes (None: only a change can help)."""

    until_ms: int | None
    why: str
    alternatives: tuple[Alternative, ...]
    bound_ms: int | None = None
    plan: tuple[Intent, ...] = ()
    way: tuple[Leg, ...] = ()

"""The whole state of the cell, as values.

Rules of this file:
- Nothing but what a fold over the journal gives; no derived figure that a function can compute from the rest.
- Dictionaries are never changed in place outside ``Draft``, which copies before it writes. Keys are ids.
- ``stage`` is where something stands in our own tables; the observed facets beside it are what the outside says.
"""

from typing import Literal

from supervisor.cell.model import Vouched
from supervisor.cell.value import value
from supervisor.core.commands import Goal
from supervisor.core.events import Door, Link, Mode, Phase, Presence, Work
from supervisor.core.transitions import BayStage, HandlerStage, PalletStage, RunStage
from supervisor.process.correction import ToolOffsetHistory
from supervisor.process.gauge_study import GaugeStudy
from supervisor.routing.situation import Carry, Intent, Leg
from supervisor.verdict.agreement import Agreement
from supervisor.verdict.record import Verdict
from supervisor.verdict.reference_trend import Trend
from supervisor.verdict.result import StationResult

LINE = "on the line"
"""Where a pallet is that the line carries; no id of a place has blanks."""


@value
class Run:
    """One execution of a program at a station.

    ``counter_before`` and ``boot_before`` are what the station showed when the start was ordered, ``source_before_ms`` the newest time
    that it had given until then, on its own clock; ``started_ms`` is the cell's time of that order (0 before). ``pallet`` ends in " (left)" once its part has left the cell: no other is taken for it. ``study`` is the gauge study that it belongs to ("" = it is for the part's record).
    """

    run_id: str
    run_no: int
    stage: RunStage
    pallet: str
    serial: str
    part_type: str
    program: str
    counter_before: int
    boot_before: str
    started_ms: int
    study: str = ""
    source_before_ms: int = 0


@value
class Figures:
    """What a station has done so far: ms of acquisition, finished runs, exchanges of pallets, and how many of these were swaps."""

    busy_ms: int
    runs: int
    exchanges: int
    swaps: int


@value
class StationState:
    """A station: the last accepted image, then where it stands in our tables.

    ``ended`` are the names of the last run that is over; ``pallet`` is what we hold to be in the nest; ``expecting`` is the nest
    presence that a finished move promised and that has not been observed yet ("" = nothing promised; "empty" with a pallet: a swap
    promised both, in this order); ``last_nest`` is its last reading that was not "unknown", and ``emptied`` how often it was seen
    to become empty since the arm was given the station.
    """

    station: str
    source_ms: int
    boot: str
    link: Link
    mode: Mode
    door: Door
    nest: Presence
    work: Work
    run_id: str
    serial: str
    program: str
    counter: int
    gate: str
    bay: BayStage
    run: Run | None
    ended: tuple[str, ...]
    pallet: str
    expecting: Literal["", "empty", "occupied"]
    last_nest: Presence
    emptied: int
    prepared: str
    figures: Figures


@value
class PlaceState:
    """A place outside the stations. ``reserved`` is the pallet whose home or destination it is ("" = free).

    ``emptied`` counts how often it became empty while an order of the handler is about it, or may have unseen, before something is put there.
    """

    place: str
    presence: Presence
    pallet: str
    expecting: Literal["", "empty", "occupied"]
    reserved: str
    emptied: int = 0


@value
class ReaderState:
    """A tag reader's link."""

    reader: str
    source_ms: int
    boot: str
    link: Link


@value
class HandlerState:
    """The handler: its last accepted image, then our tables. ``jaws`` holds the pallet ids that we hold to be gripped ("" = none).

    ``carry`` is the decision being carried out, ``plan`` what the last one planned for every pallet and ``way`` how it
    would go on then (routing alone reads them).
    """

    source_ms: int
    boot: str
    link: Link
    mode: Mode
    order: int
    phase: Phase
    inside: str
    at: str
    jaws_seen: tuple[Presence, ...]
    why: str
    stage: HandlerStage
    jaws: tuple[str, ...]
    carry: Carry | None
    plan: tuple[Intent, ...] = ()
    way: tuple[Leg, ...] = ()


@value
class PalletState:
    """A pallet and the part on it. Before its tag is read, ``pallet`` is "unread@<place>" and the part is unknown.

    ``place`` is a rack or outfeed place, a station (its nest), a jaw ("jaw-1") or ``LINE``; ``tried`` counts runs per program without a
    usable result; ``open`` are the characteristics that still have to be decided, ``done`` the programs that can decide none of them;
    ``tag_tries`` counts failed readings; ``planned`` are the programs announced for the present visit; ``vouched``: whether somebody has
    compared the part with its tag since another carrier claimed the same; ``twin_of`` are the pallets that claimed before what it claims.
    """

    pallet: str
    stage: PalletStage
    place: str
    home: str
    tag_tries: int
    serial: str
    part_type: str
    batch: str
    produced: str
    entered_ms: int
    since_ms: int
    results: tuple[StationResult, ...]
    tried: tuple[tuple[str, int], ...]
    open: tuple[str, ...]
    done: tuple[str, ...]
    planned: tuple[str, ...]
    visits: int
    verdict: Verdict | Literal[""]
    sorting: Literal["", "conforming", "nonconforming", "hold"]
    revision: int
    vouched: Literal["yes", "no"] = "no"
    twin_of: tuple[str, ...] = ()


@value
class Hold:
    """Something waits for a person. ``about`` is "station", "pallet" or "handler", ``subject`` its id; ``code`` is in the catalogue."""

    hold: str
    code: str
    about: Literal["station", "pallet", "handler"]
    subject: str
    seen: str
    answers: tuple[str, ...]
    since_ms: int


@value
class Outstanding:
    """A goal that no fact has fulfilled yet.

    ``given`` is "yes" once it went out over a link that has not been lost since; ``times`` counts how often it went out.
    """

    goal: Goal
    given: Literal["yes", "no"]
    times: int


@value
class Timer:
    """A wait with its limit and its reason."""

    due_ms: int
    why: str


@value
class Reservation:
    """A pallet that the line carries itself, until ``until_ms``, and the place that is kept for it.

    ``origin`` is where the pallet stood, ``target`` a station or an outfeed place; ``programs`` are to run at the station, in this order.
    Both are "" while nothing takes the pallet, or while it is measured: nothing is kept then, but the handler leaves it to the line.
    ``for_ms`` is the time that was asked for last.
    """

    pallet: str
    origin: str
    target: str
    programs: tuple[str, ...]
    why: str
    by: str
    since_ms: int
    until_ms: int
    for_ms: int


@value
class Unassigned:
    """A result without proof that it belongs to a run of ours, kept aside."""

    at_ms: int
    station: str
    result_id: str
    run_id: str
    serial: str
    why: str


@value
class CheckPoint:
    """One calibrated value as a check found it: deviation and limit in its unit, En, and whether it was found.

    ``level`` is the average of its trend after it, in standard uncertainties from its base.
    """

    at_ms: int
    run_id: str
    number: str
    unit: str
    deviation: float
    limit: float
    en: float
    outcome: Literal["good", "missed"]
    level: float = 0.0


@value
class Check:
    """How one program that checks its station with a reference part stands.

    ``due`` is why a check is due since ``due_ms`` ("" = none is). ``done_ms`` is the last check, ``good_ms`` the last good one (-1: none
    is known), made by run ``good_run``; ``runs``, ``boot`` and ``part_c`` are how the station stood then. ``warmth_c`` is the newest part temperature that the
    station gave. ``missed`` counts the runs of this check that missed anything, ``misses`` by characteristic those in a row; ``trend`` has
    the newest points, ``levels`` what the trend of each value says.
    """

    program: str
    due: str = ""
    due_ms: int = 0
    done_ms: int = -1
    good_ms: int = -1
    good_run: str = ""
    runs: int = 0
    boot: str = ""
    part_c: float | None = None
    warmth_c: float | None = None
    missed: int = 0
    misses: tuple[tuple[str, int], ...] = ()
    trend: tuple[CheckPoint, ...] = ()
    levels: tuple[Trend, ...] = ()


@value
class Suspension:
    """What a station may not decide since a check failed, or because one is late. ``good_since``: whether a later check was good."""

    program: str
    cause: Literal["failed", "late"]
    about: tuple[Vouched, ...]
    since_ms: int
    why: str
    good_since: Literal["yes", "no"] = "no"


@value
class StationTrust:
    """Whether a station may be believed. ``extended_ms`` is until when a person lets it measure on after its calibration (0: not).

    ``checks`` has an entry for each program of a reference part, ``suspensions`` at most one for each, both by program id.
    """

    station: str
    extended_ms: int = 0
    checks: tuple[Check, ...] = ()
    suspensions: tuple[Suspension, ...] = ()


@value
class CellState:
    """Everything. ``want`` is what people asked of the cell; ``next_order`` numbers orders, runs and holds.

    ``agreement`` is how every pair of stations stands, by the title of the pair.
    ``tool_offsets`` has what is known of machine offsets by ``tool_offset_key``; one that nobody corrected yet is not in it.
    ``trust`` has what is known of stations beyond their declaration; one of which nothing is known is not in it.
    ``studies`` are the newest gauge studies, the oldest first; at most the last one goes on.
    ``reservations`` are the places kept for pallets that the line carries, in the order in which they were asked for.
    ``delivered`` is, by receiver of messages, the last journal entry that it was told of.
    """

    declaration: str
    want: Literal["run", "pause"]
    fence: int
    next_order: int
    stations: dict[str, StationState]
    places: dict[str, PlaceState]
    readers: dict[str, ReaderState]
    handler: HandlerState
    pallets: dict[str, PalletState]
    holds: dict[str, Hold]
    outstanding: dict[str, Outstanding]
    timers: dict[str, Timer]
    unassigned: tuple[Unassigned, ...]
    stay: str
    agreement: dict[str, Agreement]
    tool_offsets: dict[str, ToolOffsetHistory]
    trust: dict[str, StationTrust]
    studies: tuple[GaugeStudy, ...] = ()
    delivered: tuple[tuple[str, int], ...] = ()
    reservations: tuple[Reservation, ...] = ()

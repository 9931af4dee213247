"""Where a pallet goes that the line carries, as the line's control sees it.

Rules of this file: what the core says, in other words and units; nothing is chosen here.
"""

from typing import Literal

from pydantic import Field

from supervisor.api.decision_view import AlternativeView, alternatives_view
from supervisor.api.schema import TEXT_MAX, Example, Instant, Schema, instant, shown_by
from supervisor.api.waits import Now
from supervisor.core.line import RESERVED_MS_MAX
from supervisor.core.reservations import claim_on
from supervisor.core.state import Reservation
from supervisor.routing.situation import Carry, Stay

RESERVED_S_MAX = RESERVED_MS_MAX // 1000

NEXT_EXAMPLE: Example = {
    "pallet": "grai:9521234.12345.12",
    "place": "rack-03",
    "go": "station",
    "target": "scan-1",
    "programs": ["pump-body-scan"],
    "why": "scan-1 is free and grai:9521234.12345.12 needs it",
    "alternatives": [
        {
            "what": "grai:9521234.12345.12 to touch-1",
            "cost_s": 31.5,
            "why_lost": "its use begins 12 s later",
        }
    ],
    "claimed_until": "2025-11-25T09:20:00.000Z",
    "claimed_by": "line 2",
    "reserved": "yes",
    "fetch": {"place": "rack-03", "may_enter": "yes", "why": ""},
    "put": {
        "place": "scan-1",
        "may_enter": "no",
        "why": "it waits until the door of scan-1 is open",
    },
}
FREE_EXAMPLE: Example = NEXT_EXAMPLE | {
    "claimed_until": None,
    "claimed_by": "",
    "reserved": "no",
    "fetch": None,
    "put": None,
}


class EntryView(Schema):
    """Whether the line's transport may be at a place now. "yes" holds until the reservation ends."""

    place: str
    may_enter: Literal["yes", "no"]
    why: str
    """What it waits for, or ""."""


class NextView(Schema):
    """Where a pallet goes next if the line carries it, and what is kept for it."""

    model_config = shown_by(NEXT_EXAMPLE)

    pallet: str
    place: str
    """Where it is; "on the line" once it was lifted."""
    go: Literal["station", "outfeed", "wait"]
    target: str
    """The station or outfeed place ("" = wait)."""
    programs: list[str]
    """What is to run there, in order."""
    why: str
    alternatives: list[AlternativeView]
    claimed_until: Instant | None
    """Until when the cell's own handler leaves the pallet alone; null if it does not."""
    claimed_by: str
    reserved: Literal["yes", "no"]
    """Whether the target is kept for it. Being told so keeps nothing: the next answer may be another."""
    fetch: EntryView | None
    """Where the transport takes the pallet; null without a reservation, and once it was lifted."""
    put: EntryView | None
    """Where it puts the pallet down; null without a reservation."""


class ReserveNext(Schema):
    """Keep the next place for a pallet, and the pallet for the line; asked again by its holder, for so long from now on."""

    model_config = shown_by({"for_s": 120, "by": "line 2", "request_id": ""})

    for_s: int = Field(ge=1, le=RESERVED_S_MAX)
    """How long, in the cell's time. In a nest the time of the programs that run there comes on top."""
    by: str = Field(min_length=1, max_length=TEXT_MAX)
    """Who asks, and holds it then; it is journalled."""
    request_id: str = Field(default="", max_length=TEXT_MAX)
    """The idempotency key, for clients that cannot set a header. Each renewal needs a new one."""


class CloseReservation(Schema):
    """Say that a pallet was placed, or that it will not be carried. Only its holder may."""

    model_config = shown_by({"by": "line 2", "request_id": ""})

    by: str = Field(min_length=1, max_length=TEXT_MAX)
    """Who says so: the name that it was reserved under; it is journalled."""
    request_id: str = Field(default="", max_length=TEXT_MAX)
    """The idempotency key, for clients that cannot set a header."""


class ReservationClosedView(Schema):
    """It was journalled and taken by the cell."""

    model_config = shown_by(
        {
            "pallet": "grai:9521234.12345.12",
            "target": "scan-1",
            "how": "placed",
            "by": "line 2",
            "seq": 1842,
            "at": "2025-11-25T09:15:11.004Z",
        }
    )

    pallet: str
    target: str
    how: Literal["placed", "given up"]
    by: str
    seq: int
    """The journal's number of the fact."""
    at: Instant


def next_view(now: Now, pallet: str) -> NextView:
    """What is kept for a pallet; what would be kept now if nothing is."""
    claim = claim_on(now.state, pallet)
    if claim is not None and claim.target:
        return _view(now, pallet, claim, claim)
    return _view(now, pallet, now.core.next_place(now.state, pallet, now.at_ms), claim)


def _view(
    now: Now, pallet: str, goes: Reservation | Carry | Stay, claim: Reservation | None
) -> NextView:
    target, programs, others = "", (), ()
    match goes:
        case Reservation():
            target, programs = goes.target, goes.programs
        case Carry():
            target = goes.target
            programs = (goes.program, *goes.then) if goes.program else ()
            others = goes.alternatives
        case Stay():
            others = goes.alternatives
    kept = claim if claim is not None and claim.target else None
    lifted = kept is not None and now.state.pallets[pallet].place != kept.origin
    return NextView(
        pallet=pallet,
        place=now.state.pallets[pallet].place,
        go=_go(now, target),
        target=target,
        programs=list(programs),
        why=goes.why,
        alternatives=alternatives_view(others),
        claimed_until=None if claim is None else instant(claim.until_ms),
        claimed_by="" if claim is None else claim.by,
        reserved="no" if kept is None else "yes",
        fetch=None if kept is None or lifted else _entry(now, kept, kept.origin),
        put=None if kept is None else _entry(now, kept, kept.target),
    )


def _go(now: Now, target: str) -> Literal["station", "outfeed", "wait"]:
    if not target:
        return "wait"
    return "station" if target in now.state.stations else "outfeed"


def _entry(now: Now, kept: Reservation, place: str) -> EntryView:
    why = now.core.not_to_be_entered(now.state, kept, place, now.at_ms)
    return EntryView(place=place, may_enter="no" if why else "yes", why=why)

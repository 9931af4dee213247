"""Pallets and the parts on them as people see them.

Rules of this file: ``why_here`` says the one thing that a person at the cell wants to know. It takes the first reason that applies,
from the most definite to the least.
"""

from typing import Literal

from supervisor.api.hold_view import holds_about
from supervisor.api.schema import Example, Instant, Schema, instant, shown_by
from supervisor.api.waits import Now
from supervisor.cell.model import Characteristic
from supervisor.cell.reading_order import reading_order
from supervisor.core import reservations
from supervisor.core.holds import HOLDS
from supervisor.core.soaking import ready_ms
from supervisor.core.state import LINE, PalletState, Run
from supervisor.core.transitions import PalletStage
from supervisor.verdict.record import Verdict
from supervisor.verdict.result import Quality

EXAMPLE: Example = {
    "pallet": "grai:9521234.12345.12",
    "stage": "visiting",
    "place": "touch-1",
    "home": "rack-01",
    "why_here": "is measured at touch-1 with pump-body-touch (run R3120000050)",
    "serial": "100017",
    "part_type": "pump-body",
    "batch": "B-2025-0417",
    "produced": "2025-11-24T05:12:40Z",
    "entered_at": "2025-11-25T09:01:12.000Z",
    "since": "2025-11-25T09:12:44.120Z",
    "visits": 2,
    "open": [{"number": "12", "name": "flatness of cover face"}],
    "results": [
        {
            "number": "3",
            "name": "bore for shaft",
            "value": 25.0087,
            "unit": "mm",
            "quality": "good",
            "station": "scan-1",
            "program": "pump-body-scan",
            "run_id": "R3120000031",
            "measured_at": "2025-11-25T09:09:58.031Z",
        }
    ],
    "verdict": "",
    "sorting": "",
    "revision": 0,
    "holds": [],
}


class OpenCharacteristic(Schema):
    """A characteristic that no capable result has decided yet."""

    number: str
    name: str


class ResultView(Schema):
    """One measured value, as the station gave it."""

    number: str
    name: str
    """The characteristic's name ("" = not in the plan)."""
    value: float | None
    unit: str
    quality: Quality
    station: str
    program: str
    run_id: str
    measured_at: Instant


class PalletView(Schema):
    """A pallet, where it stands and why, and what is known of its part."""

    model_config = shown_by(EXAMPLE)

    pallet: str
    """Its id; "unread@<place>" before its tag is read."""
    stage: PalletStage
    place: str
    """A rack, infeed or outfeed place, a station (its nest), a jaw, or "on the line"."""
    home: str
    """Its place in the rack ("" = none)."""
    why_here: str
    """Why it is where it is, completing "this pallet ..."."""
    serial: str
    part_type: str
    batch: str
    produced: str
    """When the part was made, as its tag says."""
    entered_at: Instant
    since: Instant
    """Since when it has been in this stage."""
    visits: int
    open: list[OpenCharacteristic]
    results: list[ResultView]
    """All results so far, the oldest first."""
    verdict: Verdict | Literal[""]
    sorting: Literal["", "conforming", "nonconforming", "hold"]
    revision: int
    """The revision of its newest record (0 = none yet)."""
    holds: list[str]
    """The ids of the holds about it."""


def pallet_view(now: Now, pallet: str) -> PalletView:
    """One pallet."""
    state = now.state.pallets[pallet]
    plan = _plan(now, state.part_type)
    return PalletView(
        pallet=pallet,
        stage=state.stage,
        place=state.place,
        home=state.home,
        why_here=why_here(now, state),
        serial=state.serial,
        part_type=state.part_type,
        batch=state.batch,
        produced=state.produced,
        entered_at=instant(state.entered_ms),
        since=instant(state.since_ms),
        visits=state.visits,
        open=[OpenCharacteristic(number=number, name=_name(plan, number)) for number in state.open],
        results=_results(state, plan),
        verdict=state.verdict,
        sorting=state.sorting,
        revision=state.revision,
        holds=holds_about(now.state, pallet),
    )


def pallets_view(now: Now) -> list[PalletView]:
    """All pallets in the cell by id."""
    return [pallet_view(now, pallet) for pallet in sorted(now.state.pallets, key=reading_order)]


def _plan(now: Now, part_type: str) -> dict[str, Characteristic]:
    declared = now.core.tables.part_types.get(part_type)
    return {each.number: each for each in declared.plan} if declared else {}


def _name(plan: dict[str, Characteristic], number: str) -> str:
    return plan[number].name if number in plan else ""


def _results(state: PalletState, plan: dict[str, Characteristic]) -> list[ResultView]:
    return [
        ResultView(
            number=measured.number,
            name=_name(plan, measured.number),
            value=measured.value,
            unit=measured.unit,
            quality=measured.quality,
            station=result.station,
            program=result.program,
            run_id=result.run_id,
            measured_at=instant(result.measured_ms),
        )
        for result in state.results
        for measured in result.values
    ]


# --- why it is where it is ----------------------------------------------------------------------------------------------------


def why_here(now: Now, pallet: PalletState) -> str:
    """The first reason that applies."""
    return (
        _held(now, pallet)
        or _carried(now, pallet)
        or _on_the_line(now, pallet)
        or _measured(now, pallet)
        or _at_an_end(pallet)
        or _between_checks(now, pallet)
        or _soaks(now, pallet)
        or _cell_at_rest(now)
        or _shut_in(now, pallet)
        or _as_routing_says(now, pallet)
    )


def _held(now: Now, pallet: PalletState) -> str:
    for hold in sorted(now.state.holds.values(), key=lambda hold: hold.since_ms):
        if hold.subject == pallet.pallet:
            return f"waits for a person: {HOLDS[hold.code].title}"
    return ""


def _carried(now: Now, pallet: PalletState) -> str:
    carry = now.state.handler.carry
    if carry is None:
        return f"is in {pallet.place}" if pallet.place in now.core.tables.jaws else ""
    if carry.pallet == pallet.pallet:
        said = "is on its way to" if pallet.place in now.core.tables.jaws else "is to be fetched to"
        return f"{said} {carry.target}: {carry.why}"
    if carry.displaced == pallet.pallet:
        return f"makes room at {carry.target} for {carry.pallet}"
    return ""


def _on_the_line(now: Now, pallet: PalletState) -> str:
    kept = reservations.of(now.state, pallet.pallet)
    if kept is None:
        return ""
    said = "is on its way to" if pallet.place == LINE else "is to be fetched to"
    return f"{said} {kept.target} by {kept.by}, until {instant(kept.until_ms)}"


def _measured(now: Now, pallet: PalletState) -> str:
    station = now.state.stations.get(pallet.place)
    run = station.run if station else None
    if run is None or run.pallet != pallet.pallet:
        return ""
    return f"{_RUN_WORDS[run.stage]} at {pallet.place} with {_program(run)}"


_RUN_WORDS = {
    "none": "stands",
    "preparing": "is about to be measured",
    "prepared": "is about to be measured",
    "starting": "is about to be measured",
    "measuring": "is measured",
    "evaluating": "has been measured and may leave; its result is awaited",
    "finished": "has been measured and may leave; its result is awaited",
}


def _program(run: Run) -> str:
    return f"{run.program} (run {run.run_id})"


def _at_an_end(pallet: PalletState) -> str:
    if pallet.stage == "seen":
        return "waits for its tag to be read"
    if pallet.stage == "sorted":
        return f"is sorted out as {pallet.sorting}: take it away"
    return ""


def _between_checks(now: Now, pallet: PalletState) -> str:
    """A reference part at home of which nothing is to be measured."""
    if pallet.part_type not in now.core.tables.references or pallet.open:
        return ""
    return "waits at home for its next check" if pallet.place == pallet.home else ""


def _soaks(now: Now, pallet: PalletState) -> str:
    part_type = now.core.tables.part_types.get(pallet.part_type)
    from_ms = ready_ms(part_type, pallet)
    if from_ms <= now.at_ms:
        return ""
    return f"adapts to the temperature of the cell until {instant(from_ms)}"


def _cell_at_rest(now: Now) -> str:
    """What keeps the handler from carrying anything at all."""
    handler = now.state.handler
    if any(hold.about == "handler" for hold in now.state.holds.values()):
        return "waits until a person has answered the hold of the handler"
    if handler.link == "down":
        return "waits until the handler is connected"
    if handler.mode != "automatic":
        return f"waits until the handler is in automatic mode (now: {handler.mode})"
    return "waits because the cell is paused" if now.state.want == "pause" else ""


def _shut_in(now: Now, pallet: PalletState) -> str:
    """What keeps everybody from a station that the pallet stands in."""
    station = now.state.stations.get(pallet.place)
    if station is None or (station.link == "up" and station.mode == "automatic"):
        return ""
    if station.link == "down":
        return f"waits until {station.station} is connected"
    return f"waits until {station.station} is in automatic mode (now: {station.mode})"


def _as_routing_says(now: Now, pallet: PalletState) -> str:
    """Routing's word on this pallet in its newest choice; its word on the whole otherwise."""
    if now.choice is not None:
        for lost in now.choice.alternatives:
            if lost.what == pallet.pallet or lost.what.startswith(f"{pallet.pallet} to "):
                return f"waits: {lost.why_lost}"
    if now.state.stay:
        return f"waits: {now.state.stay}"
    carry = now.state.handler.carry
    return (
        f"waits while {carry.pallet} is carried to {carry.target}"
        if carry
        else "waits for the handler"
    )

"""The cell as a whole, and its handler, as people see them."""

from typing import Literal

from pydantic import Field

from supervisor.api.driver_view import EXAMPLE as DRIVER_EXAMPLE
from supervisor.api.driver_view import DriverView, Vitals, driver_view, trouble_of
from supervisor.api.hold_view import holds_about
from supervisor.api.link_view import LinkView
from supervisor.api.schema import TEXT_MAX, Example, Instant, Schema, instant, shown_by
from supervisor.api.waits import Now, Wait, waits_of_handler
from supervisor.core.events import Link, Mode, Phase, Presence
from supervisor.core.transitions import HandlerStage
from supervisor.routing.situation import Carry
from supervisor.shell.ports import Head
from supervisor.shell.runtime import RuntimeStatus

StepPhase = Literal["waiting", "running", "journal refused", "broken"]

EXAMPLE: Example = {
    "cell": "vane-pumps",
    "title": "Inspection of vane pump parts",
    "declaration": "9f2c41d0c0a7",
    "want": "run",
    "step": "running",
    "trouble": "",
    "seq": 1842,
    "at": "2025-11-25T09:15:11.004Z",
    "now": "2025-11-25T09:15:12.360Z",
    "version": "0.1.0",
    "driver": DRIVER_EXAMPLE,
    "stay": "",
    "counts": {
        "stations": 3,
        "stations_connected": 3,
        "pallets": 9,
        "holds": 0,
        "unassigned_results": 0,
    },
    "handler": {
        "handler": "handler",
        "link": "up",
        "mode": "automatic",
        "stage": "picking",
        "phase": "busy",
        "at": "rack-01",
        "inside": "",
        "jaws": [
            {"jaw": "jaw-1", "presence": "empty", "pallet": ""},
            {"jaw": "jaw-2", "presence": "empty", "pallet": ""},
        ],
        "carry": {
            "pallet": "grai:9521234.12345.12",
            "origin": "rack-01",
            "target": "touch-1",
            "displaced": "",
            "programs": ["pump-body-touch"],
            "why": "touch-1 is free and grai:9521234.12345.12 needs it",
        },
        "waits": [],
        "holds": [],
        "source": {
            "url": "opc.tcp://10.20.0.12:4840",
            "link": "up",
            "why": "",
            "security": "encrypted with a current policy (Aes256_Sha256_RsaPss)",
            "boot": "2025-11-25T04:58:12.000Z",
            "asked_interval_s": 0.1,
            "granted": {
                "publishing_interval_s": 0.1,
                "keep_alive_s": 0.5,
                "lifetime_s": 30.0,
                "sampling_interval_s": 0.1,
                "session_s": 30.0,
                "nodes": 9,
            },
            "quiet_s": 0.08,
            "without": [],
            "values": [
                {
                    "node": "mode",
                    "value": "2",
                    "quality": "good",
                    "source_at": "2025-11-25T09:13:01.250Z",
                    "age_s": 44.1,
                }
            ],
        },
    },
    "unassigned": [],
}


class JawView(Schema):
    """One gripping place."""

    jaw: str
    presence: Presence
    """What its sensor reads."""
    pallet: str
    """What should be in it ("" = nothing)."""


class CarryView(Schema):
    """The choice that the handler is carrying out."""

    pallet: str
    origin: str
    target: str
    displaced: str
    programs: list[str]
    why: str


class HandlerView(Schema):
    """The handler."""

    handler: str
    link: Link
    mode: Mode
    stage: HandlerStage
    phase: Phase
    """What became of its last order."""
    at: str
    inside: str
    """The station that its arm is not clear of ("" = clear of all)."""
    jaws: list[JawView]
    carry: CarryView | None
    waits: list[Wait]
    holds: list[str]
    source: LinkView


class UnassignedView(Schema):
    """A result without proof that it belongs to a run of this supervisor, kept aside."""

    at: Instant
    station: str
    result_id: str
    run_id: str
    serial: str
    why: str


class Counts(Schema):
    """How many of each."""

    stations: int
    stations_connected: int
    pallets: int
    holds: int
    unassigned_results: int


class CellView(Schema):
    """The cell as a whole."""

    model_config = shown_by(EXAMPLE)

    cell: str
    title: str
    declaration: str
    """SHA-256 of the cell declaration in force."""
    want: Literal["run", "pause"]
    """What people asked of the cell."""
    step: StepPhase
    """Whether the supervisor decides; anything but "running" means that nothing is sent to the machines."""
    trouble: str
    """Why it does not decide ("" = it does)."""
    seq: int
    """The newest journal entry that this view includes."""
    at: Instant
    """The time of that entry."""
    now: Instant
    """The cell's time when this was answered."""
    version: str
    """Of Pointsman."""
    driver: DriverView
    stay: str
    """Why nothing is carried at the moment ("" = something is, or nothing was looked for)."""
    counts: Counts
    handler: HandlerView
    unassigned: list[UnassignedView]


class ModeOrder(Schema):
    """What the whole cell should do."""

    model_config = shown_by({"mode": "pause", "by": "M. Weaver, shift 2"})

    mode: Literal["run", "pause"]
    """Pause lets what moves come to its end and begins nothing."""
    by: str = Field(min_length=1, max_length=TEXT_MAX)
    """Who asks; it is journalled."""
    request_id: str = Field(default="", max_length=TEXT_MAX)
    """The idempotency key, for clients that cannot set a header."""


class ModeOrdered(Schema):
    """The order was journalled and taken by the cell."""

    model_config = shown_by(
        {"mode": "pause", "by": "M. Weaver, shift 2", "seq": 1842, "at": "2025-11-25T09:15:11.004Z"}
    )

    mode: Literal["run", "pause"]
    by: str
    seq: int
    """The journal's number of the fact."""
    at: Instant


def cell_view(
    now: Now,
    *,
    status: RuntimeStatus,
    head: Head,
    version: str,
    source: LinkView,
    vitals: Vitals,
) -> CellView:
    """The whole cell. ``head`` is the entry that the state follows."""
    cell = now.core.tables.cell
    return CellView(
        cell=cell.cell,
        title=cell.title,
        declaration=now.state.declaration,
        want=now.state.want,
        step=status.phase,
        trouble=status.why or trouble_of(vitals),
        seq=head.seq,
        at=instant(head.at_ms),
        now=instant(now.at_ms),
        version=version,
        driver=driver_view(vitals),
        stay=now.state.stay,
        counts=_counts(now),
        handler=handler_view(now, source),
        unassigned=_unassigned(now),
    )


def _counts(now: Now) -> Counts:
    state = now.state
    return Counts(
        stations=len(state.stations),
        stations_connected=sum(station.link == "up" for station in state.stations.values()),
        pallets=len(state.pallets),
        holds=len(state.holds),
        unassigned_results=len(state.unassigned),
    )


def handler_view(now: Now, source: LinkView) -> HandlerView:
    """The handler."""
    state = now.state.handler
    handler = now.core.tables.handler.handler
    jaws = zip(now.core.tables.jaws, state.jaws_seen, state.jaws, strict=True)
    return HandlerView(
        handler=handler,
        link=state.link,
        mode=state.mode,
        stage=state.stage,
        phase=state.phase,
        at=state.at,
        inside=state.inside,
        jaws=[JawView(jaw=jaw, presence=seen, pallet=pallet) for jaw, seen, pallet in jaws],
        carry=_carry(state.carry) if state.carry else None,
        waits=waits_of_handler(now),
        holds=holds_about(now.state, handler),
        source=source,
    )


def _carry(carry: Carry) -> CarryView:
    return CarryView(
        pallet=carry.pallet,
        origin=carry.origin,
        target=carry.target,
        displaced=carry.displaced,
        programs=[carry.program, *carry.then] if carry.program else [],
        why=carry.why,
    )


def _unassigned(now: Now) -> list[UnassignedView]:
    return [
        UnassignedView(
            at=instant(each.at_ms),
            station=each.station,
            result_id=each.result_id,
            run_id=each.run_id,
            serial=each.serial,
            why=each.why,
        )
        for each in now.state.unassigned
    ]

"""Stations as people see them: five facets, what runs, what it waits for, how much it has done, how good its link is."""

from supervisor.api.hold_view import holds_about
from supervisor.api.link_view import LinkView
from supervisor.api.lookout import Beginning
from supervisor.api.schema import Example, Instant, Schema, instant, seconds, shown_by
from supervisor.api.trust_view import (
    CalibrationView,
    CheckView,
    SuspensionView,
    calibration_view,
    checks_view,
    suspensions_view,
)
from supervisor.api.waits import Now, Wait, waits_of_station
from supervisor.core.events import Door, Link, Mode, Presence, Work
from supervisor.core.state import Figures, Run, StationState
from supervisor.core.transitions import BayStage, RunStage

EXAMPLE: Example = {
    "station": "touch-1",
    "title": "Tactile coordinate measuring machine",
    "kind": "tactile",
    "link": "up",
    "mode": "automatic",
    "door": "none",
    "nest": "occupied",
    "work": "running",
    "gate": "",
    "calibration": {
        "certificate": "K-2025-118",
        "due": "2026-04-30",
        "standing": "valid",
        "days_left": 156,
        "stops": True,
        "extended_until": None,
    },
    "checks": [
        {
            "program": "master-ring-touch",
            "part_type": "master-ring",
            "due": "",
            "due_at": None,
            "last_at": "2025-11-25T06:00:12.000Z",
            "last_good_at": "2025-11-25T06:00:12.000Z",
            "trend": [
                {
                    "at": "2025-11-25T06:00:12.000Z",
                    "run_id": "R3120000012",
                    "number": "1",
                    "unit": "mm",
                    "deviation": 0.0004,
                    "limit": 0.00165,
                    "en": 0.243,
                    "outcome": "good",
                    "level": 0.0,
                }
            ],
            "levels": [
                {
                    "number": "1",
                    "count": 1,
                    "base": 0.486,
                    "level": 0.0,
                    "limit": 1.0,
                    "standing": "base",
                    "since": None,
                    "why": "1 of the 10 runs from which moves of characteristic 1 are counted",
                }
            ],
        }
    ],
    "suspensions": [],
    "bay": "shut",
    "pallet": "grai:9521234.12345.12",
    "prepared": "pump-body-touch",
    "run": {
        "run_id": "R3120000050",
        "stage": "measuring",
        "program": "pump-body-touch",
        "pallet": "grai:9521234.12345.12",
        "serial": "100017",
        "part_type": "pump-body",
        "started_at": "2025-11-25T09:12:44.120Z",
        "part_free_expected_at": "2025-11-25T09:17:44.120Z",
        "result_expected_at": "2025-11-25T09:17:54.120Z",
        "elapsed_s": 61.4,
        "share_done": 0.2047,
    },
    "waits": [],
    "holds": [],
    "usage": {
        "since": "2025-11-25T08:55:00.000Z",
        "observed_s": 1125.5,
        "busy_s": 870.2,
        "utilisation": 0.7732,
        "runs": 3,
        "exchanges": 4,
        "swaps": 3,
    },
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
}


class RunView(Schema):
    """One execution of a program."""

    run_id: str
    stage: RunStage
    program: str
    pallet: str
    serial: str
    part_type: str
    started_at: Instant | None
    """When the start was ordered; null before."""
    part_free_expected_at: Instant | None
    result_expected_at: Instant | None
    elapsed_s: float
    share_done: float
    """Elapsed share of the expected time until part free, at most 1."""


class Usage(Schema):
    """What the station has done since this supervisor process began to look."""

    since: Instant
    observed_s: float
    busy_s: float
    """Time with a pallet being acquired, the present run included."""
    utilisation: float
    """busy_s over observed_s."""
    runs: int
    exchanges: int
    """Pallets put into the nest."""
    swaps: int
    """How many of the exchanges were swaps."""


class StationView(Schema):
    """A station."""

    model_config = shown_by(EXAMPLE)

    station: str
    title: str
    kind: str
    link: Link
    mode: Mode
    door: Door
    nest: Presence
    work: Work
    gate: str
    """Why the station says that it must not measure now ("" = it may)."""
    calibration: CalibrationView
    """The calibration that is declared for it."""
    checks: list[CheckView]
    """Its checks with reference parts."""
    suspensions: list[SuspensionView]
    """What it does not decide now because a check failed or is late."""
    bay: BayStage
    """Where door, nest and arm stand in the supervisor's table."""
    pallet: str
    """The pallet that should be in the nest ("" = none)."""
    prepared: str
    """The program known to be prepared ("" = none)."""
    run: RunView | None
    waits: list[Wait]
    holds: list[str]
    """The ids of the holds about it."""
    usage: Usage
    source: LinkView
    """How the station is connected and how old its values are."""


def station_view(now: Now, station: str, beginning: Beginning, source: LinkView) -> StationView:
    """One station."""
    declared = now.core.tables.stations[station]
    state = now.state.stations[station]
    return StationView(
        station=station,
        title=declared.title,
        kind=declared.kind,
        link=state.link,
        mode=state.mode,
        door=state.door,
        nest=state.nest,
        work=state.work,
        gate=state.gate,
        calibration=calibration_view(now, station),
        checks=checks_view(now, station),
        suspensions=suspensions_view(now, station),
        bay=state.bay,
        pallet=state.pallet,
        prepared=state.prepared,
        run=_run(now, state.run) if state.run else None,
        waits=waits_of_station(now, station),
        holds=holds_about(now.state, station),
        usage=_usage(now, state, beginning),
        source=source,
    )


def _run(now: Now, run: Run) -> RunView:
    program = now.core.tables.programs[run.program]
    begun = run.started_ms > 0
    elapsed_ms = max(0, now.at_ms - run.started_ms) if begun else 0
    return RunView(
        run_id=run.run_id,
        stage=run.stage,
        program=run.program,
        pallet=run.pallet,
        serial=run.serial,
        part_type=run.part_type,
        started_at=instant(run.started_ms) if begun else None,
        part_free_expected_at=instant(run.started_ms + program.part_free_ms) if begun else None,
        result_expected_at=instant(run.started_ms + program.result_ms) if begun else None,
        elapsed_s=seconds(elapsed_ms),
        share_done=round(min(1.0, elapsed_ms / max(1, program.part_free_ms)), 4),
    )


def _usage(now: Now, state: StationState, beginning: Beginning) -> Usage:
    at_first = beginning.figures.get(
        state.station, Figures(busy_ms=0, runs=0, exchanges=0, swaps=0)
    )
    observed_ms = max(0, now.at_ms - beginning.at_ms)
    busy_ms = state.figures.busy_ms - at_first.busy_ms + _busy_now_ms(now, state, beginning)
    return Usage(
        since=instant(beginning.at_ms),
        observed_s=seconds(observed_ms),
        busy_s=seconds(busy_ms),
        utilisation=round(min(1.0, busy_ms / observed_ms), 4) if observed_ms else 0.0,
        runs=state.figures.runs - at_first.runs,
        exchanges=state.figures.exchanges - at_first.exchanges,
        swaps=state.figures.swaps - at_first.swaps,
    )


def _busy_now_ms(now: Now, state: StationState, beginning: Beginning) -> int:
    run = state.run
    if run is None or run.stage not in ("starting", "measuring") or run.started_ms == 0:
        return 0
    return max(0, now.at_ms - max(run.started_ms, beginning.at_ms))

"""Rules of calibrations that end while the cell runs.

Rules of this file:
- The day is that of the cell's own time, which stands in the journal: whoever replays it decides the same.
- A calibration holds until the end of its last day, UTC. From then on its station takes no visit and starts no run; what stands in its
  nest may be fetched, and a run under way comes to its end.
- Only a new declaration ends the matter. Until then a person may let the station measure on, a day at a time and with a reason.
"""

from supervisor.core.draft import Draft
from supervisor.core.tables import DAY_MS

OVERDUE = "calibration-overdue"
EXTENSION_MS = DAY_MS


def over(draft: Draft, station: str) -> str:
    """That the calibration of a station has ended, in words; "" while it holds, or where the station does not stop for it."""
    end_ms = draft.tables.calibrated_until_ms.get(station)
    if end_ms is None or draft.at_ms < end_ms:
        return ""
    known = draft.trust.get(station)
    if known is not None and draft.at_ms < known.extended_ms:
        return ""
    declared = draft.tables.stations[station]
    return f"its calibration {declared.calibration} ended on {declared.calibration_due}"


def begin(draft: Draft) -> None:
    """A supervisor started: wait for the end of every calibration; look at those that have ended and at checks that are due."""
    for station in sorted(draft.tables.calibrated_until_ms):
        _wait(draft, station)
        draft.dirty[station] = None
    draft.dirty |= {declared.station: None for declared in draft.tables.checks.values()}


def look_at_calibration(draft: Draft, station: str) -> None:
    """Ask a person about a calibration that has ended, once; where it holds (again) nothing is to be asked."""
    if station not in draft.tables.calibrated_until_ms:
        return
    ended = over(draft, station)
    if ended:
        draft.hold(OVERDUE, "station", station, ended)
        return
    for hold in sorted(draft.holds):
        if draft.holds[hold].code == OVERDUE and draft.holds[hold].subject == station:
            draft.end_hold(hold)


def measure_on(draft: Draft, station: str) -> None:
    """A person lets a station measure on for a day."""
    draft.change_trust(station, extended_ms=draft.at_ms + EXTENSION_MS)
    _wait(draft, station)
    draft.look_again("station", station)


def forget_undeclared(draft: Draft) -> None:
    """Under another declaration only the stations that it declares are known, and their calibrations are those that it names."""
    stations = draft.tables.stations
    draft.trust = {name: known for name, known in draft.trust.items() if name in stations}
    draft.owned.add("trust")
    for name in sorted(draft.trust):
        draft.change_trust(name, extended_ms=0)
    for timer in sorted(draft.timers):
        if timer.startswith("calibration of "):
            draft.end_timer(timer)
    for hold in sorted(draft.holds):
        if draft.holds[hold].code == OVERDUE:
            draft.end_hold(hold)


def _wait(draft: Draft, station: str) -> None:
    """Wait until the calibration, or the person's word in its place, ends; nothing is waited for twice."""
    known = draft.trust.get(station)
    end_ms = max(
        draft.tables.calibrated_until_ms[station], known.extended_ms if known is not None else 0
    )
    timer = draft.timers.get(f"calibration of {station}")
    if draft.at_ms < end_ms and (timer is None or timer.due_ms != end_ms):
        declared = draft.tables.stations[station]
        why = f"the calibration {declared.calibration} of {station} ends"
        draft.start_timer(f"calibration of {station}", end_ms - draft.at_ms, why)

"""What a station and the handler spend their time with: one cause for each at any moment, read from the state.

Rules of this file:
- The causes of a station are exclusive and leave nothing out, so their times add up to the time looked at.
- The first of these that holds is the cause: held, measuring, evaluating, handler at work, door, preparing; then, with no run in the nest,
  held again where the handler itself waits for a person, waiting for handler, blocked, waiting for pallet.
- A door that moves while the handler is still on its way counts as door.
"""

from typing import Literal

from supervisor.cell.model import Cell
from supervisor.core.draft import held
from supervisor.core.soaking import ready_ms
from supervisor.core.state import CellState, PalletState, StationState

Cause = Literal[
    "measuring",
    "evaluating",
    "preparing",
    "door",
    "handler at work",
    "waiting for handler",
    "blocked",
    "waiting for pallet",
    "held",
]
HandlerCause = Literal["carrying", "waiting for station", "idle", "held"]

CAUSES: dict[Cause, str] = {
    "measuring": "a run acquires",
    "evaluating": "a run is evaluated and the next one cannot begin",
    "preparing": "a program is loaded or a start is awaited",
    "door": "the door or the area grant is on its way",
    "handler at work": "the arm is at the nest",
    "waiting for handler": "there is a pallet to fetch or to bring, and the handler does something else or is on its way",
    "blocked": "a pallet that is done here stands in the nest and is left there: its next station is not free, or nobody needs the nest",
    "waiting for pallet": "the nest is empty and no pallet that this station could measure stands free, those left out that soak",
    "held": "a person is asked, the cell is paused, or the station cannot be used",
}
"""Every cause with what it means, in the order in which figures show them."""
HANDLER_CAUSES: dict[HandlerCause, str] = {
    "carrying": "it has an order",
    "waiting for station": "it is to carry something and may not yet: a door or a run is in the way",
    "idle": "there is nothing to carry",
    "held": "a person is asked, or the handler cannot be used",
}

_Runs = dict[tuple[str, str], tuple[tuple[str, frozenset[str]], ...]]


class Causes:
    """Tells causes apart for one declared cell."""

    def __init__(self, cell: Cell) -> None:
        """Prepare what each station can decide of each part type."""
        self._handler = cell.handler.handler
        self._part_types = {part.part_type: part for part in cell.part_types}
        self._waiting = frozenset(place.place for place in cell.places if place.kind != "outfeed")
        self._runs = _runs_of(cell)
        self._decides = {name: numbers for runs in self._runs.values() for name, numbers in runs}

    def of_handler(self, state: CellState) -> HandlerCause:
        """What the handler does."""
        handler = state.handler
        if self._handler_held(state):
            return "held"
        if "handler" in state.outstanding:
            return "carrying"
        return "idle" if handler.carry is None else "waiting for station"

    def of_station(self, state: CellState, station: StationState, at_ms: int) -> Cause:
        """What a station does at a time of the cell."""
        if _held(state, station.station) or _out_of_service(station):
            return "held"
        run = station.run
        stage = run.stage if run is not None else "none"
        if stage == "measuring":
            return "measuring"
        if stage in ("evaluating", "finished"):
            return "evaluating"
        if station.bay == "entered":
            return "handler at work"
        if station.bay in ("opening", "closing"):
            return "door"
        return "preparing" if run is not None else self._without_run(state, station, at_ms)

    def _without_run(self, state: CellState, station: StationState, at_ms: int) -> Cause:
        carry = state.handler.carry
        name = station.station
        if station.pallet and _held(state, station.pallet):
            return "held"
        if carry is None and state.want == "pause":
            return "held"
        here = carry is not None and name in (carry.origin, carry.target)
        fetched = station.pallet != "" and not here and carry is None
        if fetched:
            return "held" if self._handler_held(state) else "blocked"
        if here or station.pallet or (carry is not None and self._wanted(state, name, at_ms)):
            return "held" if self._handler_held(state) else "waiting for handler"
        return "waiting for pallet"

    def _handler_held(self, state: CellState) -> bool:
        handler = state.handler
        out = handler.link != "up" or handler.mode != "automatic" or handler.stage == "halted"
        return out or _held(state, self._handler)

    def _wanted(self, state: CellState, station: str, at_ms: int) -> bool:
        """Whether a pallet stands free that this station could measure now: one that soaks does not."""
        return any(
            self._measurable(state, pallet, station)
            and ready_ms(self._part_types.get(pallet.part_type), pallet) <= at_ms
            for pallet in state.pallets.values()
        )

    def _measurable(self, state: CellState, pallet: PalletState, station: str) -> bool:
        if pallet.stage not in ("planned", "visiting") or not pallet.open:
            return False
        if pallet.place not in self._waiting and pallet.place not in state.stations:
            return False
        open_numbers = set(pallet.open)
        for other in state.stations.values():
            run = other.run
            if run is None or run.pallet != pallet.pallet:
                continue
            if run.stage not in ("evaluating", "finished"):
                return False
            open_numbers -= self._decides.get(run.program, frozenset())
        programs = self._runs.get((station, pallet.part_type), ())
        return any(name not in pallet.done and open_numbers & decides for name, decides in programs)


def _held(state: CellState, subject: str) -> bool:
    return held(state, subject) is not None


def _out_of_service(station: StationState) -> bool:
    unreadable = "unknown" in (station.door, station.work, station.nest)
    return station.link != "up" or station.mode != "automatic" or station.gate != "" or unreadable


def deciding(cell: Cell) -> dict[str, frozenset[str]]:
    """The characteristics that each program decides: those it covers well enough."""
    required = {
        (part.part_type, each.number): each.required_u
        for part in cell.part_types
        for each in part.plan
    }
    return {
        program.program: frozenset(
            cover.number
            for cover in program.covers
            if (program.part_type, cover.number) in required
            and cover.decides(required[program.part_type, cover.number])
        )
        for program in cell.programs
    }


def _runs_of(cell: Cell) -> _Runs:
    decides = deciding(cell)
    runs: _Runs = {}
    for program in cell.programs:
        key = (program.station, program.part_type)
        runs[key] = (*runs.get(key, ()), (program.program, decides[program.program]))
    return runs

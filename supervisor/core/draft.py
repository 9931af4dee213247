"""The next state while one decision is being made.

Rules of this file:
- A draft lives for one event. It starts from a frozen state, copies a dictionary before the first write to it, and ends as a
  frozen state again, so that ``decide`` stays a pure function while rules read like plain statements.
- Rules change the draft only through its methods; a method that touches a station marks it for another look.
- No rule of the cell stands here: only how goals, timers, holds and stages are kept.
"""

from typing import TYPE_CHECKING, Any, Literal

from supervisor.cell.value import replace
from supervisor.core.commands import CancelTimer, Command, Goal, SetTimer, StoreRecord, subject
from supervisor.core.events import ResultArrived
from supervisor.core.holds import HOLDS
from supervisor.core.state import (
    CellState,
    HandlerState,
    Hold,
    Outstanding,
    PalletState,
    PlaceState,
    ReaderState,
    StationState,
    StationTrust,
    Timer,
    Unassigned,
)
from supervisor.core.tables import CellTables
from supervisor.core.transitions import BAY, HANDLER, PALLET, next_stage
from supervisor.process.correction import ToolOffsetHistory
from supervisor.verdict.agreement import Agreement
from supervisor.verdict.record import Record
from supervisor.verdict.result import StationResult

if TYPE_CHECKING:
    from supervisor.routing.situation import Carry, Stay

UNASSIGNED_MAX = 100


class Draft:
    """The working copy of one decision."""

    __slots__ = (
        "agreement",
        "at_ms",
        "choices",
        "commands",
        "declaration",
        "delivered",
        "dirty",
        "fence",
        "handler",
        "holds",
        "next_order",
        "outstanding",
        "owned",
        "pallets",
        "places",
        "readers",
        "reservations",
        "rethink",
        "state",
        "stations",
        "stay",
        "studies",
        "tables",
        "timers",
        "tool_offsets",
        "trust",
        "unassigned",
        "want",
    )

    def __init__(self, tables: CellTables, state: CellState, at_ms: int) -> None:
        """Start from a state; nothing is copied yet."""
        self.tables = tables
        self.state = state
        self.at_ms = at_ms
        self.declaration = state.declaration
        self.want: Literal["run", "pause"] = state.want
        self.fence = state.fence
        self.next_order = state.next_order
        self.stations = state.stations
        self.places = state.places
        self.readers = state.readers
        self.handler = state.handler
        self.pallets = state.pallets
        self.holds = state.holds
        self.outstanding = state.outstanding
        self.timers = state.timers
        self.unassigned = state.unassigned
        self.stay = state.stay
        self.agreement = state.agreement
        self.tool_offsets = state.tool_offsets
        self.studies = state.studies
        self.delivered = state.delivered
        self.reservations = state.reservations
        self.trust = state.trust
        self.commands: list[Command] = []
        self.choices: list[Carry | Stay] = []
        self.dirty: dict[str, None] = {}
        self.rethink: Literal["yes", "no"] = "no"
        self.owned: set[str] = set()

    def close(self) -> CellState:
        """The state after the decision."""
        return CellState(
            declaration=self.declaration,
            want=self.want,
            fence=self.fence,
            next_order=self.next_order,
            stations=self.stations,
            places=self.places,
            readers=self.readers,
            handler=self.handler,
            pallets=self.pallets,
            holds=self.holds,
            outstanding=self.outstanding,
            timers=self.timers,
            unassigned=self.unassigned,
            stay=self.stay,
            agreement=self.agreement,
            tool_offsets=self.tool_offsets,
            studies=self.studies,
            delivered=self.delivered,
            reservations=self.reservations,
            trust=self.trust,
        )

    def _own(self, name: str) -> dict[str, Any]:
        """The named dictionary, copied before its first write in this draft."""
        content: dict[str, Any] = getattr(self, name)
        if name not in self.owned:
            self.owned.add(name)
            content = dict(content)
            setattr(self, name, content)
        return content

    # --- parts of the state ---------------------------------------------------------------------------------------------------

    def change_station(self, station: str, **changes: Any) -> StationState:
        """Change fields of a station and mark it for another look."""
        after = replace(self.stations[station], **changes)
        self._own("stations")[station] = after
        self.dirty[station] = None
        return after

    def change_place(self, place: str, **changes: Any) -> PlaceState:
        """Change fields of a rack or outfeed place."""
        after = replace(self.places[place], **changes)
        self._own("places")[place] = after
        return after

    def change_reader(self, reader: str, **changes: Any) -> ReaderState:
        """Change fields of a tag reader."""
        after = replace(self.readers[reader], **changes)
        self._own("readers")[reader] = after
        return after

    def change_handler(self, **changes: Any) -> HandlerState:
        """Change fields of the handler. The nests of a carry that it no longer has are looked at again: they waited for it."""
        before = self.handler.carry
        self.handler = replace(self.handler, **changes)
        if before is not None and self.handler.carry is None:
            self.dirty |= {
                place: None for place in (before.origin, before.target) if place in self.stations
            }
        return self.handler

    def change_pallet(self, pallet: str, **changes: Any) -> PalletState:
        """Change fields of a pallet, and mark the station that it stands in for another look."""
        after = replace(self.pallets[pallet], **changes)
        self._own("pallets")[pallet] = after
        if after.place in self.stations:
            self.dirty[after.place] = None
        self.rethink = "yes"
        return after

    def know_tool_offset(self, key: str, history: ToolOffsetHistory) -> None:
        """Keep what is known of a machine offset."""
        self._own("tool_offsets")[key] = history

    def change_trust(self, station: str, **changes: Any) -> StationTrust:
        """Change what is known of the trust in a station."""
        before = self.trust.get(station) or StationTrust(station=station)
        after = replace(before, **changes)
        # Views that are remembered know the trust by its dictionary (``views``): whatever changes makes another one, also within a fact.
        self.owned.add("trust")
        self.trust = {**self.trust, station: after}
        return after

    def add_pallet(self, pallet: PalletState) -> None:
        """A pallet came into the cell."""
        assert pallet.pallet not in self.pallets
        self._own("pallets")[pallet.pallet] = pallet

    def drop_pallet(self, pallet: str) -> PalletState:
        """A pallet is no longer in the cell: its places and reservations are free again."""
        gone = self._own("pallets").pop(pallet)
        self.drop_reservation(pallet)
        for place in sorted(self.places):
            state = self.places[place]
            if state.reserved == pallet:
                self.change_place(place, reserved="")
            if state.pallet == pallet:
                self.change_place(place, pallet="")
        if gone.place in self.stations:
            self.change_station(gone.place, pallet="")
        self.rethink = "yes"
        return gone

    def drop_reservation(self, pallet: str) -> None:
        """Nothing is kept any more for a pallet that the line carries."""
        for kept in self.reservations:
            if kept.pallet == pallet:
                self.reservations = tuple(each for each in self.reservations if each != kept)
                self.end_timer(f"reservation of {pallet}")
                self.rethink = "yes"
                self.dirty |= {at: None for at in (kept.origin, kept.target) if at in self.stations}

    # --- stages ---------------------------------------------------------------------------------------------------------------

    def bay(self, station: str, trigger: str) -> None:
        """Move the bay of a station."""
        self.change_station(station, bay=next_stage(BAY, self.stations[station].bay, trigger))

    def hand(self, trigger: str) -> None:
        """Move the handler's stage."""
        self.change_handler(stage=next_stage(HANDLER, self.handler.stage, trigger))

    def way(self, pallet: str, trigger: str) -> None:
        """Move a pallet's stage."""
        after = next_stage(PALLET, self.pallets[pallet].stage, trigger)
        self.change_pallet(pallet, stage=after, since_ms=self.at_ms)

    # --- goals ----------------------------------------------------------------------------------------------------------------

    def number(self) -> int:
        """The next order number."""
        number = self.next_order
        self.next_order = number + 1
        return number

    def want_goal(self, goal: Goal) -> None:
        """Make a goal outstanding in place of an older one with the same subject; it goes out when its link and interlocks allow."""
        self._own("outstanding")[subject(goal)] = Outstanding(goal=goal, given="no", times=0)

    def end_goal(self, about: str) -> None:
        """A goal is fulfilled or withdrawn; its timer goes with it."""
        if about in self.outstanding:
            del self._own("outstanding")[about]
        self.end_timer(about)

    def end_goal_alone(self, about: str) -> None:
        """A goal is over, and what it was for is still waited for."""
        if about in self.outstanding:
            del self._own("outstanding")[about]

    def mark_given(self, about: str, given: Literal["yes", "no"]) -> None:
        """Note that an outstanding goal went out, or that its link was lost since."""
        before = self.outstanding[about]
        times = before.times + (1 if given == "yes" else 0)
        self._own("outstanding")[about] = replace(before, given=given, times=times)

    def give(self, command: Command) -> None:
        """Send a command with this decision."""
        self.commands.append(command)

    def store(self, record: Record) -> None:
        """Have a record kept."""
        self.commands.append(StoreRecord(record=record))

    # --- timers ---------------------------------------------------------------------------------------------------------------

    def start_timer(self, timer: str, wait_ms: int, why: str) -> None:
        """Wait for at most ``wait_ms``; an older wait of the same name is replaced."""
        due_ms = self.at_ms + wait_ms
        self._own("timers")[timer] = Timer(due_ms=due_ms, why=why)
        self.commands.append(SetTimer(timer=timer, due_ms=due_ms, why=why))

    def end_timer(self, timer: str) -> None:
        """A wait is over."""
        if timer in self.timers:
            del self._own("timers")[timer]
            self.commands.append(CancelTimer(timer=timer))

    # --- holds ----------------------------------------------------------------------------------------------------------------

    def hold(
        self, code: str, about: Literal["station", "pallet", "handler"], named: str, seen: str
    ) -> None:
        """Wait for a person. The same code about the same thing is one hold."""
        for hold in self.holds.values():
            if hold.code == code and hold.subject == named:
                return
        name = f"hold-{self.number()}"
        self._own("holds")[name] = Hold(
            hold=name,
            code=code,
            about=about,
            subject=named,
            seen=seen,
            answers=HOLDS[code].answers,
            since_ms=self.at_ms,
        )
        self.look_again(about, named)

    def end_hold(self, hold: str) -> None:
        """A hold is answered, or its cause is gone by itself."""
        ended = self._own("holds").pop(hold)
        self.look_again(ended.about, ended.subject)

    def rename_hold(self, hold: str, subject: str) -> None:
        """What a hold is about has another name now."""
        self._own("holds")[hold] = replace(self.holds[hold], subject=subject)

    def end_holds_of(self, named: str) -> None:
        """Everything that waited for a person because of this station, pallet or handler is over."""
        for hold in sorted(self.holds):
            if self.holds[hold].subject == named:
                self.end_hold(hold)

    def look_again(self, about: str, named: str) -> None:
        """Something about a thing changed that rules depend on. Whether a station can be used concerns all that share its work."""
        self.rethink = "yes"
        if about == "station" and named in self.stations:
            self.dirty |= dict.fromkeys(self.stations)

    def agree(self, standing: Agreement) -> None:
        """Note how a pair of stations stands."""
        self._own("agreement")[standing.pair.title] = standing

    def keep_aside(self, result: ResultArrived | StationResult, why: str, serial: str = "") -> None:
        """Keep a result that belongs to no run or part of ours; the oldest goes when there are too many (S11)."""
        aside = Unassigned(
            at_ms=self.at_ms,
            station=result.station,
            result_id=result.result_id,
            run_id=result.run_id,
            serial=serial,
            why=why,
        )
        self.unassigned = (*self.unassigned, aside)[-UNASSIGNED_MAX:]


def held(draft: Draft | CellState, named: str) -> Hold | None:
    """The first hold that stops a thing, or None."""
    for hold in draft.holds.values():
        if hold.subject == named and HOLDS[hold.code].stops == "everything":
            return hold
    return None

"""What machines do on orders and by themselves, in the abstract, and what they see go wrong.

Rules of this file:
- No times: what takes time is a step that the explorer takes at any moment after it became possible.
- Machines trust their orders as far as real ones do: they look at what they can see before they move, and stay where they are. Each
  time that was needed is a violation, unless people changed something that the core could not know of (``blame``).
- A station starts a run whenever it is told to and can: it keeps no list of runs that it has done.
"""

from collections.abc import Sequence
from typing import Literal

from simulators.bench.proof.cells import ProofCell
from simulators.bench.proof.truth import (
    NOBODY,
    Blame,
    Handler,
    Order,
    Result,
    State,
    Station,
    Step,
)
from supervisor.core.commands import (
    AbortRun,
    AcknowledgeResult,
    ClearFault,
    MoveHandler,
    PrepareProgram,
    ReadTag,
    SetDoor,
    StartRun,
)
from supervisor.core.tables import JAWS

Said = Literal["", "done", "refused"]
"""What a machine answers at once besides what its image shows: nothing, that it did, that it does not."""

UNFINISHED = ("running", "part free", "finished")

StationGoal = SetDoor | PrepareProgram | StartRun | AbortRun | AcknowledgeResult | ClearFault


class Names:
    """What the machines of a cell are called, and what stands where at first."""

    def __init__(self, cell: ProofCell) -> None:
        """Look it up."""
        declared = cell.cell
        self.cell = cell
        self.stations = tuple(station.station for station in declared.stations)
        self.station = {name: at for at, name in enumerate(self.stations)}
        self.places = tuple(place.place for place in declared.places)
        self.racks = tuple(place.place for place in declared.places if place.kind != "outfeed")
        self.sortings = {place.place: place.sorting for place in declared.places if place.sorting}
        self.jaws = JAWS[: declared.handler.jaws]
        self.spots = (*self.places, *self.stations, *self.jaws)
        self.spot = {name: at for at, name in enumerate(self.spots)}
        self.part = {part.pallet: at for at, part in enumerate(cell.parts)}
        self.handler = len(self.stations)
        self.reader = self.handler + 1
        self.program_part_type = {program.name: program.part_type for program in declared.programs}


class World:
    """The machines and the floor while one transition of the exploration runs."""

    __slots__ = ("floor", "handler", "names", "stations", "violations")

    def __init__(self, names: Names, state: State) -> None:
        """Start from a state."""
        self.names = names
        self.stations: list[Station] = list(state.stations)
        self.handler: Handler = state.handler
        self.floor: list[int] = list(state.floor)
        self.violations: list[str] = []

    # --- what there is ------------------------------------------------------------------------------------------------------------

    def at(self, spot: str) -> int:
        """The part at a spot."""
        return self.floor[self.names.spot[spot]]

    def put(self, spot: str, part: int) -> None:
        """Let a part, or ``NOBODY``, be at a spot."""
        self.floor[self.names.spot[spot]] = part

    def out(self) -> list[int]:
        """The parts that are outside the cell."""
        return [part for part in range(len(self.names.cell.parts)) if part not in self.floor]

    def change(self, at: int, **changes: object) -> None:
        """Change a station."""
        self.stations[at] = self.stations[at]._replace(**changes)

    def move(self, **changes: object) -> None:
        """Change the handler."""
        self.handler = self.handler._replace(**changes)

    def wrong(self, blame: Blame, text: str) -> None:
        """Something happens that must not happen; people's doing is not held against the core."""
        if blame != "people":
            self.violations.append(text)

    # --- stations -----------------------------------------------------------------------------------------------------------------

    def order_station(self, at: int, order: Order) -> Said:
        """Give a station an order."""
        goal = order.goal
        match goal:
            case SetDoor():
                return self._set_door(at, goal, order.blame)
            case PrepareProgram():
                return self._prepare(at, goal, order.blame)
            case StartRun():
                return self._start(at, goal, order.blame)
            case AbortRun():
                return self._abort(at, goal)
            case AcknowledgeResult():
                return self._acknowledge(at, goal)
            case ClearFault():
                self.change(at, mode="automatic")
                return "done"
            case MoveHandler() | ReadTag():
                raise AssertionError(goal)

    def _set_door(self, at: int, goal: SetDoor, blame: Blame) -> Said:
        station, name = self.stations[at], self.names.stations[at]
        if station.mode != "automatic" or station.door == "none":
            return "refused"
        if goal.door == "open" and station.work == "running":
            self.wrong(blame, f"{name} is told to open its door during a run")
            return "refused"
        if goal.door == "closed" and self.handler.inside == name:
            self.wrong(blame, f"{name} is told to close its door on the arm")
            return "refused"
        there, moving = ("open", "opening") if goal.door == "open" else ("closed", "closing")
        if station.door not in (there, moving):
            self.change(at, door=moving)
        return ""

    def _prepare(self, at: int, goal: PrepareProgram, blame: Blame) -> Said:
        station, name = self.stations[at], self.names.stations[at]
        if station.mode != "automatic":
            return "refused"
        if station.work in UNFINISHED:
            self.wrong(
                blame, f"{name} is told to prepare {goal.name} over a run that is unfinished"
            )
            return "refused"
        self.change(at, work="loading", program=goal.name, run=0, asked=goal.order)
        return ""

    def _start(self, at: int, goal: StartRun, blame: Blame) -> Said:
        station, name = self.stations[at], self.names.stations[at]
        if station.mode != "automatic":
            return "refused"
        if station.gate == "yes":
            if blame == "core":
                self.violations.append(f"{name} is told to start though it is not fit to measure")
            return "refused"
        dangers = self._dangers_of_start(at, goal)
        for danger in dangers:
            self.wrong(blame, f"{name} is told to start run {goal.run_id} {danger}")
        if dangers or station.work != "prepared":
            return "refused"
        self.change(
            at,
            work="running",
            run=goal.run_no,
            last=goal.run_no,
            named=goal.serial,
            part=self.at(name),
        )
        return ""

    def _dangers_of_start(self, at: int, goal: StartRun) -> list[str]:
        station, name = self.stations[at], self.names.stations[at]
        parts, part = self.names.cell.parts, self.at(name)
        dangers = {
            "with its door not closed": station.door not in ("closed", "none"),
            "with the arm inside": self.handler.inside == name,
            "on an empty nest": part == NOBODY,
            "on the wrong part": part != NOBODY and parts[part].serial != goal.serial,
            "during another run": station.work in UNFINISHED,
            "twice": station.last == goal.run_no,
            "with a program of another part type": part != NOBODY
            and station.work == "prepared"
            and self.names.program_part_type.get(station.program) != parts[part].part_type,
        }
        return [danger for danger, present in dangers.items() if present]

    def _abort(self, at: int, goal: AbortRun) -> Said:
        station = self.stations[at]
        if station.work not in ("running", "part free") or goal.run_id != self.shown_run(at):
            return "refused"
        self.change(at, work="aborted")
        return "done"

    def _acknowledge(self, at: int, goal: AcknowledgeResult) -> Said:
        station = self.stations[at]
        named = goal.run_id in ("", self.shown_run(at)) or not self.echoes(at)
        if station.work not in ("finished", "aborted") or not named:
            return "refused"
        self.forget_run(at)
        return "done"

    def forget_run(self, at: int) -> None:
        """A station is done with its run."""
        work = "prepared" if self.stations[at].program else "idle"
        self.change(at, work=work, run=0, named="", part=NOBODY, result=None)

    def echoes(self, at: int) -> bool:
        """Whether a station shows names."""
        return self.names.cell.kinds[at].echo == "run id"

    def shown_run(self, at: int) -> str:
        """The name of a station's present run, as the station knows it."""
        return f"R{self.stations[at].run}" if self.stations[at].run else ""

    def step_of(self, at: int) -> str:
        """What a station will do next by itself, apart from its door; "" for nothing."""
        work = self.stations[at].work
        return work if work in ("loading", "running", "part free") else ""

    def step_station(self, at: int) -> Said:
        """Let a station's work go on."""
        match self.stations[at].work:
            case "loading":
                self.change(at, work="prepared")
                return "done"
            case "running" if self.names.cell.kinds[at].leaves == "before the result":
                self.change(at, work="part free")
            case "running" | "part free":
                self._finish(at)
            case _:
                raise AssertionError(self.stations[at])
        return ""

    def _finish(self, at: int) -> None:
        station = self.stations[at]
        counter = station.counter if self.echoes(at) else station.counter + 1
        result = Result(
            run=station.run, named=station.named, part=station.part, counter=counter, told="no"
        )
        self.change(at, work="finished", counter=counter, result=result)

    def break_off(self, at: int) -> None:
        """A station's run ends without result, if it has one."""
        if self.stations[at].work in ("running", "part free"):
            self.change(at, work="aborted")

    def swing(self, at: int) -> None:
        """Let a moving door arrive."""
        self.change(at, door="open" if self.stations[at].door == "opening" else "closed")

    def restart_station(self, at: int) -> None:
        """All that a station knows after a restart is what stands in it. Its counter goes on, which is the worst it can do."""
        self.change(
            at,
            boot="2",
            work="idle",
            program="",
            asked=0,
            run=0,
            named="",
            part=NOBODY,
            result=None,
            mode="automatic",
        )

    # --- handler ------------------------------------------------------------------------------------------------------------------

    def order_handler(self, order: Order) -> Said:
        """Give the handler an order. One that it has had before is known: nothing is done."""
        goal = order.goal
        assert isinstance(goal, MoveHandler)
        handler = self.handler
        if goal.order == handler.last:
            return ""
        if handler.mode != "automatic" or handler.step or handler.inside:
            return "refused"
        self.move(
            order=goal.order,
            last=goal.order,
            phase="accepted",
            step="way",
            action=goal.action,
            place=goal.place,
            pick_jaw=goal.pick_jaw,
            put_jaw=goal.put_jaw,
            picks=self.names.part.get(goal.picked, NOBODY),
            puts=self.names.part.get(goal.put, NOBODY),
            blame=order.blame,
        )
        return ""

    def step_handler(self) -> None:
        """Let the handler's order go on by one step."""
        handler = self.handler
        into = handler.place in self.names.station
        if handler.step == "way":
            self.move(at=handler.place, phase="busy")
            if handler.action == "approach":
                self._done()
            elif not into:
                self._act(("pick", "put"))
            elif self._may_enter():
                self.move(step="inside", inside=handler.place)
        elif handler.step == "inside" and handler.action == "swap":
            self._act(("pick",))
        elif handler.step in ("inside", "half"):
            self._act(("pick", "put") if handler.step == "inside" else ("put",))
        else:
            self._done()

    def _may_enter(self) -> bool:
        """Look before entering."""
        place, blame = self.handler.place, self.handler.blame
        station = self.stations[self.names.station[place]]
        if station.door not in ("open", "none"):
            self.wrong(blame, f"the arm enters {place} while its door is {station.door}")
        elif station.work == "running":
            self.wrong(blame, f"the arm enters {place} during a run")
        else:
            return True
        self.fail_handler()
        return False

    def _act(self, acts: Sequence[Literal["pick", "put"]]) -> None:
        """Take hold, or set down, or both; an order names at most one of each outside a swap."""
        handler = self.handler
        for act in acts:
            if handler.action in (act, "swap") and not self._carry(act):
                self.fail_handler()
                return
        into = handler.place in self.names.station
        if not into:
            self._done()
            return
        after: Step = "half" if acts == ("pick",) else "acted"
        self.move(step=after)

    def _carry(self, act: Literal["pick", "put"]) -> bool:
        handler, place = self.handler, self.handler.place
        jaw = self.names.jaws[(handler.pick_jaw if act == "pick" else handler.put_jaw) - 1]
        source, target = (place, jaw) if act == "pick" else (jaw, place)
        part, meant = self.at(source), handler.picks if act == "pick" else handler.puts
        if part == NOBODY:
            self.wrong(handler.blame, f"the handler takes from {source}, which is empty")
            return False
        if self.at(target) != NOBODY:
            self.wrong(handler.blame, f"the handler sets down at {target}, which is occupied")
            return False
        if part != meant:
            self.wrong(handler.blame, f"the handler takes another pallet than meant from {source}")
        self.put(source, NOBODY)
        self.put(target, part)
        self._check_outfeed(target, part)
        return True

    def _check_outfeed(self, target: str, part: int) -> None:
        sorting = self.names.sortings.get(target, "hold")
        truth = "conforming" if self.names.cell.parts[part].conforms else "nonconforming"
        if sorting not in ("hold", truth):
            self.wrong(self.handler.blame, f"a {truth} part leaves by {target}")

    def _done(self) -> None:
        self._end("done")

    def restart_handler(self) -> None:
        """The arm stays where it is, and what it was about is forgotten, but for the number of the last order."""
        inside = self.handler.inside
        self._end("failed")
        self.move(boot="2", order=0, phase="idle", inside=inside, at="", mode="automatic")

    def fail_handler(self) -> None:
        """The order fails; the arm leaves the station first."""
        self._end("failed")

    def _end(self, phase: Literal["done", "failed"]) -> None:
        self.move(
            phase=phase,
            step="",
            inside="",
            action="",
            place="",
            pick_jaw=0,
            put_jaw=0,
            picks=NOBODY,
            puts=NOBODY,
            blame="core",
        )

"""The production core and modelled machines on one virtual clock: as fast as the processor allows, the same for the same seed.

Rules of this file:
- The adapters here are perfect: whole images at once, every order answered. Faults are thrown into the models by the caller.
- Time jumps to the next moment at which anything is due; facts of one moment are taken in the fixed order of kinds (S9).
- Nothing here judges: the floor records violations, ``checks`` compares records with the truth.
"""

import heapq
from collections.abc import Callable
from typing import TYPE_CHECKING

from simulators.models.cell import CellModels, floor_in_memory
from simulators.models.handler import HandlerImage
from simulators.models.physics import Physics
from simulators.models.station import Answer, StationImage, StationModel
from supervisor.cell.model import Cell
from supervisor.core.commands import (
    AbortRun,
    AcknowledgeResult,
    CancelTimer,
    ClearFault,
    Command,
    MoveHandler,
    PrepareProgram,
    ReadTag,
    SetDoor,
    SetTimer,
    StartRun,
    StoreRecord,
)
from supervisor.core.decide import Core
from supervisor.core.events import (
    Door,
    Event,
    HandlerObserved,
    OrderAnswered,
    Phase,
    PlacesObserved,
    ResultArrived,
    StationObserved,
    SupervisorStarted,
    TagRead,
    TimerFired,
    Work,
)
from supervisor.shell.memory import MemoryJournal
from supervisor.shell.ports import SCHEMA, JournalEntry
from supervisor.verdict.result import MeasuredValue

if TYPE_CHECKING:
    from supervisor.core.state import CellState
    from supervisor.verdict.record import Record

DOOR: dict[str, Door] = {
    "closed": "closed",
    "open": "open",
    "opening": "moving",
    "closing": "moving",
}
WORK: dict[str, Work] = {
    "idle": "idle",
    "prepared": "prepared",
    "acquiring": "running",
    "evaluating": "part free",
    "finished": "finished",
    "aborted": "aborted",
}
PHASE: dict[str, Phase] = {
    "none": "idle",
    "accepted": "accepted",
    "busy": "busy",
    "done": "done",
    "failed": "failed",
}


class Stuck(Exception):  # noqa: N818 - it says what became of the world
    """Facts and commands of one moment do not come to an end."""


class World:
    """One cell in virtual time. ``records`` are the stored ones in order, ``journal`` holds every step."""

    def __init__(self, cell: Cell, physics: Physics, *, seed: int, start_ms: int = 0) -> None:
        """Bring up machines and core at ``start_ms`` of the cell's time."""
        self.core = Core(cell)
        self.state: CellState = self.core.initial()
        self.floor = floor_in_memory(physics)
        self.models = CellModels(physics, floor=self.floor, seed=seed)
        self.journal = MemoryJournal()
        self.records: list[Record] = []
        self.now_ms = start_ms
        self._cell = cell
        self._due: list[tuple[int, int, str, Event]] = []
        self._serial = 0
        self._timers: dict[str, int] = {}
        self._seen: dict[str, object] = {}
        self._answers: list[Event] = []
        self._step(SupervisorStarted(declaration=cell.digest, version="bench", fence=1))
        self._settle()

    # --- time -------------------------------------------------------------------------------------------------------------------

    def next_ms(self) -> int | None:
        """The next moment at which anything is due; None if nothing ever is."""
        model_ms = self.models.due_ms()
        heap_ms = self._due[0][0] if self._due else None
        if model_ms is None or heap_ms is None:
            return model_ms if heap_ms is None else heap_ms
        return min(model_ms, heap_ms)

    def run(self, until_ms: int, *, done: Callable[["World"], bool] | None = None) -> None:
        """Let time pass until a moment, or until nothing is due, or until ``done`` says so."""
        while not (done and done(self)):
            next_ms = self.next_ms()
            if next_ms is None or next_ms > until_ms:
                self.now_ms = until_ms
                return
            self.now_ms = max(self.now_ms, next_ms)
            self.models.advance(self.now_ms)
            self._take_due()
            self._settle()

    def tell(self, event: Event) -> None:
        """A person, or the line, says something now."""
        self._step(event)
        self._settle()

    def _take_due(self) -> None:
        while self._due and self._due[0][0] <= self.now_ms:
            _, _, timer, event = heapq.heappop(self._due)
            if not timer or self._timers.get(timer, self.now_ms + 1) <= self.now_ms:
                self._timers.pop(timer, None)
                self._answers.append(event)

    def _later(self, at_ms: int, timer: str, event: Event) -> None:
        self._serial += 1
        heapq.heappush(self._due, (at_ms, self._serial, timer, event))

    # --- facts ------------------------------------------------------------------------------------------------------------------

    def _settle(self) -> None:
        """Take facts until the moment has nothing new to say."""
        for _ in range(1_000):
            facts = self._facts()
            if not facts:
                return
            for fact in facts:
                self._step(fact)
        message = f"at {self.now_ms} ms the world does not come to rest"
        raise Stuck(message)

    def _facts(self) -> list[Event]:
        facts: list[Event] = []
        results: list[Event] = []
        for name, model in self.models.stations.items():
            image = model.image()
            before = self._seen.get(name)
            if image != before:
                self._seen[name] = image
                if image.work == "finished" and (
                    not isinstance(before, StationImage) or before.work != "finished"
                ):
                    results.append(self._result(name, image))
                facts.append(self._station(name, image))
        handler = self.models.handler.image()
        if handler != self._seen.get("handler"):
            self._seen["handler"] = handler
            facts.append(self._handler(handler))
        places = self.models.reader.image()
        if places != self._seen.get("reader"):
            self._seen["reader"] = places
            facts.append(self._places(places))
        answers, self._answers = self._answers, []
        return [*facts, *results, *answers]

    def _station(self, name: str, image: StationImage) -> StationObserved:
        return StationObserved(
            station=name,
            source_ms=self.now_ms,
            boot="1",
            link="up",
            mode=image.mode,
            door=DOOR[image.door],
            nest=image.nest,
            work=WORK[image.work],
            run_id=image.run_id,
            serial=image.serial,
            program=image.program.name if image.program else "",
            counter=image.count,
            gate="",
        )

    def _result(self, name: str, image: StationImage) -> ResultArrived:
        result = image.result
        assert result is not None
        return ResultArrived(
            station=name,
            source_ms=self.now_ms,
            boot="1",
            result_id=f"1-{result.count}",
            run_id=result.run_id,
            serial=result.serial,
            counter=result.count,
            scope="final",
            values=tuple(
                MeasuredValue(
                    number=each.number, value=each.value, unit=each.unit, quality=each.quality
                )
                for each in result.values
            ),
        )

    def _handler(self, image: HandlerImage) -> HandlerObserved:
        return HandlerObserved(
            source_ms=self.now_ms,
            boot="1",
            link="up",
            mode="unknown" if image.mode == "off" else image.mode,
            order=image.order,
            phase=PHASE[image.phase],
            inside=image.inside,
            at=image.at,
            jaws=tuple("occupied" if jaw else "empty" for jaw in image.jaws),
            why=image.text,
        )

    def _places(self, places: dict[str, bool]) -> PlacesObserved:
        return PlacesObserved(
            reader=self._cell.readers[0].reader,
            source_ms=self.now_ms,
            boot="1",
            link="up",
            presence=tuple(
                (place, "occupied" if there else "empty") for place, there in places.items()
            ),
        )

    # --- commands ---------------------------------------------------------------------------------------------------------------

    def _step(self, event: Event) -> None:
        decision = self.core.decide(self.state, event, self.now_ms)
        self.state = decision.state
        seq = len(self.journal.entries) + 1
        entry = JournalEntry(
            seq=seq, at_ms=self.now_ms, schema=SCHEMA, event=event, commands=decision.commands
        )
        self.journal.append((entry,))
        for command in decision.commands:
            self._carry_out(command)

    def _carry_out(self, command: Command) -> None:
        match command:
            case SetTimer():
                self._timers[command.timer] = command.due_ms
                self._later(command.due_ms, command.timer, TimerFired(timer=command.timer))
            case CancelTimer():
                self._timers.pop(command.timer, None)
            case StoreRecord():
                self.records.append(command.record)
            case MoveHandler():
                self._move(command)
            case ReadTag():
                self._read(command)
            case _:
                self._order_station(command)

    def _move(self, goal: MoveHandler) -> None:
        answer = self.models.handler.execute(
            goal.order, goal.action, goal.place, goal.pick_jaw, goal.put_jaw
        )
        if answer.status == "refused":
            self._answers.append(
                OrderAnswered(order=goal.order, outcome="refused", why=answer.text)
            )

    def _read(self, goal: ReadTag) -> None:
        answer = self.models.reader.read(goal.place)
        fact = TagRead(
            order=goal.order,
            reader=goal.reader,
            place=goal.place,
            status=answer.status,
            payload=answer.payload.hex(),
            why=answer.text,
        )
        self._later(self.now_ms + self.models.reader.read_ms, "", fact)

    def _order_station(
        self, goal: SetDoor | PrepareProgram | StartRun | AbortRun | AcknowledgeResult | ClearFault
    ) -> None:
        answer = _ordered(self.models.stations[goal.station], goal)
        if answer.status != "ok":
            self._answers.append(
                OrderAnswered(order=goal.order, outcome="refused", why=answer.text)
            )


def _ordered(
    model: StationModel,
    goal: SetDoor | PrepareProgram | StartRun | AbortRun | AcknowledgeResult | ClearFault,
) -> Answer:
    match goal:
        case SetDoor():
            return model.drive_door(goal.door)
        case PrepareProgram():
            return model.prepare(goal.name, goal.revision)
        case StartRun():
            return model.start(goal.run_id, goal.serial, goal.name)
        case AbortRun():
            return model.abort(goal.run_id)
        case AcknowledgeResult():
            return model.acknowledge(goal.run_id)
        case ClearFault():
            return model.clear_fault()

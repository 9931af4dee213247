"""The production core and modelled machines on one virtual clock: as fast as the processor allows, the same for the same seed.

Rules of this file:
- The adapters here are perfect: whole images at once, every order answered. Whoever wants trouble throws it: into the models, between
  machines and core (``cut``, ``reboot``, ``wire``, ``goes_lost``), or at the supervisor itself (``die_after``, ``revive``).
- Time jumps to the next moment at which anything is due; facts of one moment are taken in the fixed order of kinds (S9).
- A supervisor that died decides nothing while the machines go on. Revived, it knows what its journal tells and nothing else.
- Nothing here judges: the floor records violations, ``checks`` compares records with the truth, ``watch`` sees each decision.
"""

import heapq
from collections import Counter
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Literal

from simulators.bench import images
from simulators.models.cell import CellModels, floor_in_memory, station_model
from simulators.models.handler import HandlerModel
from simulators.models.physics import Physics
from simulators.models.station import Answer, StationImage, StationModel
from supervisor.cell.model import Cell
from supervisor.core.commands import (
    AbortRun,
    AcknowledgeResult,
    CancelTimer,
    ClearFault,
    Command,
    Goal,
    MoveHandler,
    PrepareProgram,
    ReadTag,
    SetDoor,
    SetTimer,
    StartRun,
    StoreRecord,
)
from supervisor.core.decide import Core, Decision
from supervisor.core.events import Event, OrderAnswered, SupervisorStarted, TagRead, TimerFired
from supervisor.shell.fold import Fold
from supervisor.shell.memory import MemoryJournal
from supervisor.shell.ports import SCHEMA, JournalEntry

if TYPE_CHECKING:
    from supervisor.core.state import CellState
    from supervisor.verdict.record import Record

Wire = Callable[[Event], Iterable[tuple[int, Event]]]
"""What becomes of a fact on its way to the core: what arrives, each after so many ms."""


class Stuck(Exception):  # noqa: N818 - it says what became of the world
    """Facts and commands of one moment do not come to an end."""


def straight(fact: Event) -> Iterable[tuple[int, Event]]:
    """The fact itself, at once."""
    return ((0, fact),)


def arrives(_goal: Goal) -> bool:
    """No goal goes lost."""
    return False


def look_away(_event: Event, _decision: Decision) -> None:
    """Nobody watches."""


class World:
    """One cell in virtual time. ``records`` are the stored ones in order, ``journal`` holds every step.

    ``starts`` counts by run id how often a station began it. ``wire``, ``goes_lost`` (a goal that no machine gets) and ``watch``
    (called with every fact and its decision) may be replaced at any time.
    """

    def __init__(self, cell: Cell, physics: Physics, *, seed: int, start_ms: int = 0) -> None:
        """Bring up machines and core at ``start_ms`` of the cell's time."""
        self.core = Core(cell)
        self.cell = cell
        self.state: CellState = self.core.initial()
        self.floor = floor_in_memory(physics)
        self.models = CellModels(physics, floor=self.floor, seed=seed)
        self.journal = MemoryJournal()
        self.records: list[Record] = []
        self.starts: Counter[str] = Counter()
        self.now_ms = start_ms
        self.wire: Wire = straight
        self.goes_lost: Callable[[Goal], bool] = arrives
        self.watch: Callable[[Event, Decision], None] = look_away
        self.physics = physics
        self._reader = cell.readers[0].reader
        self._handler = cell.handler.handler
        self._due: list[tuple[int, int, str, Event]] = []
        self._serial = 0
        self._timers: dict[str, int] = {}
        self._seen: dict[str, object] = {}
        self._answers: list[Event] = []
        self._changes = -1
        self._down: set[str] = set()
        self._boots: Counter[str] = Counter()
        self._clocks: Counter[str] = Counter()
        self._fence = 0
        self._alive = True
        self._death: tuple[int, Literal["sent", "unsent"]] | None = None
        self._start_supervisor()

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
        """A person, or the line, or an adapter says something now."""
        self._step(event)
        self._settle()

    def look(self) -> None:
        """Something was done to a machine or on the floor: let it show."""
        self.models.advance(self.now_ms)
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

    # --- trouble ----------------------------------------------------------------------------------------------------------------

    def cut(self, machine: str) -> None:
        """The link to a station, the handler or the reader is lost; the machine goes on."""
        self._down.add(machine)
        self._seen.pop(machine, None)
        self.tell(self._gone(machine))

    def mend(self, machine: str) -> None:
        """The link is back: the whole image is read, and a result that is still there is read again."""
        self._down.discard(machine)
        self.look()

    def reboot(self, machine: str) -> None:
        """The control of a station or of the handler restarts: all it still knows is what stands on the floor."""
        if machine in self.models.stations:
            self.models.stations[machine] = station_model(
                self.physics, machine, floor=self.floor, parts=self.models.parts
            )
        else:
            self.models.handler = HandlerModel(self.physics, floor=self.floor)
        self.cut(machine)
        self._boots[machine] += 1
        self.mend(machine)

    def die_after(self, seq: int, commands: Literal["sent", "unsent"]) -> None:
        """Let the supervisor die when a journal entry is durable, its commands sent or not."""
        self._death = (seq, commands)

    def is_dead(self) -> bool:
        """Whether the supervisor died."""
        return not self._alive

    def revive(self) -> None:
        """A new supervisor process takes the cell: its state comes from the journal, everything else from the machines."""
        fold: Fold[CellState] = Fold(lambda _: self.core)
        for entry in self.journal.entries:
            fold.take(entry.event, entry.at_ms)
        self.state = fold.state
        self._alive = True
        self._seen.clear()
        self._start_supervisor()

    def _start_supervisor(self) -> None:
        self._fence += 1
        digest = self.cell.digest
        self._step(SupervisorStarted(declaration=digest, version="bench", fence=self._fence))
        self._settle()

    def _die(self) -> None:
        self._alive = False
        self._death = None
        self._timers.clear()
        self._due.clear()
        self._answers.clear()

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
            before, image = self._seen.get(name), model.image()
            if not self._shows(name, image):
                continue
            facts.append(images.station_seen(name, image, self._stamp(name)))
            was = before.work if isinstance(before, StationImage) else ""
            if image.work == "finished" != was and image.result is not None:
                results.append(images.result_seen(name, image.result, self._stamp(name)))
        handler = self.models.handler.image()
        if self._shows(self._handler, handler):
            facts.append(images.handler_seen(handler, self._stamp(self._handler)))
        if self._places_changed():
            places = self.models.reader.image()
            if self._shows(self._reader, places):
                facts.append(images.places_seen(self._reader, places, self._stamp(self._reader)))
        answers, self._answers = self._answers, []
        return [*self._over_the_wire([*facts, *results]), *answers]

    def _places_changed(self) -> bool:
        """Whether a pallet has moved since the places were looked at; otherwise there is no need to look at each."""
        before, self._changes = self._changes, self.floor.changes
        return before != self._changes or self._reader not in self._seen

    def _shows(self, machine: str, image: object) -> bool:
        """Whether a machine that can be reached shows something new."""
        before = self._seen.get(machine)
        if image is before or machine in self._down or image == before:
            return False
        self._seen[machine] = image
        return True

    def _stamp(self, machine: str) -> images.Stamp:
        """The machine's own clock, which never shows the same time twice, and its boot identity."""
        self._clocks[machine] = max(self.now_ms, self._clocks[machine] + 1)
        return self._clocks[machine], str(1 + self._boots[machine])

    def _gone(self, machine: str) -> Event:
        stamp = self._stamp(machine)
        if machine == self._handler:
            return images.handler_gone(self.cell.handler.jaws, stamp)
        if machine == self._reader:
            return images.places_gone(machine, self.models.reader.places, stamp)
        return images.station_gone(machine, stamp)

    def _over_the_wire(self, facts: list[Event]) -> list[Event]:
        arrived: list[Event] = []
        for fact in facts:
            for after_ms, what in self.wire(fact):
                if after_ms:
                    self._later(self.now_ms + after_ms, "", what)
                else:
                    arrived.append(what)
        return arrived

    # --- commands ---------------------------------------------------------------------------------------------------------------

    def _step(self, event: Event) -> None:
        if not self._alive:
            return
        decision = self.core.decide(self.state, event, self.now_ms)
        self.state = decision.state
        seq = len(self.journal.entries) + 1
        entry = JournalEntry(
            seq=seq, at_ms=self.now_ms, schema=SCHEMA, event=event, commands=decision.commands
        )
        self.journal.append((entry,))
        self.records += [c.record for c in decision.commands if isinstance(c, StoreRecord)]
        self.watch(event, decision)
        dying = self._death if self._death is not None and seq >= self._death[0] else None
        if dying is None or dying[1] == "sent":
            for command in decision.commands:
                self._carry_out(command)
        if dying is not None:
            self._die()

    def _carry_out(self, command: Command) -> None:
        match command:
            case SetTimer():
                self._timers[command.timer] = command.due_ms
                self._later(command.due_ms, command.timer, TimerFired(timer=command.timer))
            case CancelTimer():
                self._timers.pop(command.timer, None)
            case StoreRecord():
                pass  # became durable with its entry
            case _:
                if not self.goes_lost(command):
                    self._order(command)

    def _order(self, goal: Goal) -> None:
        match goal:
            case MoveHandler():
                self._move(goal)
            case ReadTag():
                self._read(goal)
            case _:
                self._order_station(goal)

    def _move(self, goal: MoveHandler) -> None:
        answer = self.models.handler.execute(
            goal.order, goal.action, goal.place, goal.pick_jaw, goal.put_jaw
        )
        if answer.status == "refused":
            self._refuse(goal, answer.text)

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
        for after_ms, what in self.wire(fact):
            self._later(self.now_ms + self.models.reader.read_ms + after_ms, "", what)

    def _order_station(
        self, goal: SetDoor | PrepareProgram | StartRun | AbortRun | AcknowledgeResult | ClearFault
    ) -> None:
        answer = _ordered(self.models.stations[goal.station], goal)
        if answer.status != "ok":
            self._refuse(goal, answer.text)
        elif isinstance(goal, StartRun):
            self.starts[goal.run_id] += 1

    def _refuse(self, goal: Goal, why: str) -> None:
        answer = OrderAnswered(order=goal.order, outcome="refused", why=why)
        self._answers += self._over_the_wire([answer])


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

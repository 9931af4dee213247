"""The production core and modelled machines on one virtual clock: as fast as the processor allows, the same for the same seed.

Rules of this file:
- The adapters here are perfect: whole images at once, every order answered. Whoever wants trouble throws it: into the models, between
  machines and core (``cut``, ``sever``, ``reboot``, ``wire``, ``goes_lost``), or at the supervisor itself (``die_after``, ``revive``,
  ``refuse_entries``, ``leap``).
- Time jumps to the next moment at which anything is due; facts of one moment are taken in the fixed order of kinds (S9).
- What was on its way over a link that is lost never arrives: neither facts nor orders.
- A supervisor that died decides nothing while the machines go on. Revived, it knows what its journal tells and nothing else.
- While the journal takes no entries one decision waits for it, and all later facts wait behind that one.
- Nothing here judges: the floor records violations, ``checks`` compares records with the truth, ``watch`` sees each decision.
"""

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from simulators.bench import images
from simulators.bench.delays import Delays
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
    MarkSuspect,
    MoveHandler,
    PrepareProgram,
    ReadTag,
    SetDoor,
    SetTimer,
    StartRun,
    StoreRecord,
)
from supervisor.core.decide import Core, Decision
from supervisor.core.events import (
    Event,
    HandlerObserved,
    OrderAnswered,
    Outcome,
    PlacesObserved,
    ResultArrived,
    StationObserved,
    SupervisorStarted,
    TagRead,
)
from supervisor.shell.fold import Fold
from supervisor.shell.inbox import Fact, in_order
from supervisor.shell.memory import MemoryJournal, MemorySnapshots
from supervisor.shell.ports import SCHEMA, JournalEntry, Snapshot

if TYPE_CHECKING:
    from supervisor.core.state import CellState
    from supervisor.verdict.record import Record

Sent = Literal["sent", "half", "unsent"]
"""How many of a decision's commands went out before the supervisor died."""

Wire = Callable[[Event], Iterable[tuple[int, Event]]]
"""What becomes of a fact on its way to the core: what arrives, each after so many ms."""


class Stuck(Exception):  # noqa: N818 - it says what became of the world
    """Facts and commands of one moment do not come to an end."""


class Forgotten(Exception):  # noqa: N818 - it says what became of the world
    """What a new supervisor reads in the journal is not what the last one knew."""


def straight(fact: Event) -> Iterable[tuple[int, Event]]:
    """The fact itself, at once."""
    return ((0, fact),)


def arrives(_goal: Goal) -> bool:
    """No goal goes lost."""
    return False


def nothing(_goal: Goal) -> None:
    """Nothing happens."""


def look_away(_event: Event, _decision: Decision) -> None:
    """Nobody watches."""


@dataclass(slots=True, kw_only=True)
class _Desk:
    """What waits for the journal: the decided entry, and facts that came after it."""

    entries: Literal["taken", "refused"] = "taken"
    decided: tuple[JournalEntry, Decision] | None = None
    behind: list[Event] = field(default_factory=list[Event])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Death:
    """The entry that a supervisor dies with."""

    seq: int
    sent: Sent
    orders_min: int

    def comes_with(self, entry: JournalEntry) -> bool:
        """Whether this is the entry."""
        return entry.seq >= self.seq and orders_among(entry.commands) >= self.orders_min


@dataclass(slots=True, kw_only=True)
class _Life:
    """The supervisor's process, when it is to end, and what the next one finds declared, if that is something else."""

    fence: int = 0
    alive: bool = False
    death: _Death | None = None
    declared: Cell | None = None


class _Clocks:
    """The machines' own clocks, which never show the same time twice, and their boot identities."""

    def __init__(self) -> None:
        self._clocks: Counter[str] = Counter()
        self._boots: Counter[str] = Counter()

    def boot(self, machine: str) -> None:
        """The machine restarts."""
        self._boots[machine] += 1

    def stamp(self, machine: str, now_ms: int) -> images.Stamp:
        """What a fact of now carries."""
        self._clocks[machine] = max(now_ms, self._clocks[machine] + 1)
        return self._clocks[machine], str(1 + self._boots[machine])


class World:
    """One cell in virtual time. ``records`` are the stored ones in order, ``journal`` holds every step.

    ``starts`` counts by run id how often a station began it. ``wire``, ``goes_lost`` (a goal that no machine gets), ``arrived``
    (called after a machine got a goal) and ``watch`` (called with every fact and its decision) may be replaced at any time.
    ``snapshot_every``: after so many entries the state is kept, and a revived supervisor folds only what came after (0 = never).
    """

    def __init__(self, cell: Cell, physics: Physics, *, seed: int, start_ms: int = 0) -> None:
        """Bring up machines and core at ``start_ms`` of the cell's time."""
        self.cell, self.core = cell, Core(cell)
        self.cores = {cell.digest: self.core}
        """By declaration: what a journal is read again with."""
        self.state: CellState = self.core.initial()
        self.floor = floor_in_memory(physics)
        self.models = CellModels(physics, floor=self.floor, seed=seed)
        self.journal = MemoryJournal()
        self.records: list[Record] = []
        self.starts: Counter[str] = Counter()
        self.now_ms = start_ms
        self.wire: Wire = straight
        self.goes_lost: Callable[[Goal], bool] = arrives
        self.arrived: Callable[[Goal], None] = nothing
        self.watch: Callable[[Event, Decision], None] = look_away
        self.snapshot_every = 0
        self.physics = physics
        self._reader = cell.readers[0].reader
        self._handler = cell.handler.handler
        self._seen: dict[str, object] = {}
        self._delays = Delays()
        self._answers: list[Event] = []
        self._changes = -1
        self._down: set[str] = set()
        self._unnoticed: set[str] = set()
        self._desk = _Desk()
        self._snapshots: MemorySnapshots[CellState] = MemorySnapshots()
        self._clocks = _Clocks()
        self._life = _Life()
        self._start_supervisor()

    # --- time -------------------------------------------------------------------------------------------------------------------

    def next_ms(self) -> int | None:
        """The next moment at which anything is due; None if nothing ever is."""
        model_ms = self.models.due_ms()
        delay_ms = self._delays.next_ms()
        if model_ms is None or delay_ms is None:
            return model_ms if delay_ms is None else delay_ms
        return min(model_ms, delay_ms)

    def run(self, until_ms: int, *, done: Callable[["World"], bool] | None = None) -> None:
        """Let time pass until a moment, or until nothing is due, or until ``done`` says so."""
        while not (done and done(self)):
            next_ms = self.next_ms()
            if next_ms is None or next_ms > until_ms:
                self.now_ms = until_ms
                self.look()  # what is ordered next begins now, not at the last event
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

    def cell_ms(self) -> int:
        """The supervisor's clock."""
        return self.now_ms + self._delays.ahead_ms

    def leap(self, by_ms: int) -> None:
        """The supervisor's clock leaps forward; the machines notice nothing."""
        self._delays.leap(by_ms)

    def set_back(self, by_ms: int) -> None:
        """The clock is set back while the supervisor is dead: it will begin where its journal ended, if that is later.

        A running supervisor counts on from where it began, whatever is done to the clock (``supervisor.shell.clock``).
        """
        assert not self._life.alive
        last_ms = self.journal.entries[-1].at_ms
        self._delays.ahead_ms = max(self._delays.ahead_ms - by_ms, last_ms - self.now_ms)

    def on_the_way(self) -> bool:
        """Whether facts have still to reach the core."""
        return bool(self._answers or self._desk.behind or self._unnoticed or self._delays.facts())

    def _take_due(self) -> None:
        for machine, event in self._delays.take(self.now_ms):
            self._arrive(machine, event)

    def _arrive(self, machine: str, event: Event) -> None:
        if getattr(event, "link", "") == "down":
            self._unnoticed.discard(machine)
        self._answers.append(event)

    # --- trouble ----------------------------------------------------------------------------------------------------------------

    def cut(self, machine: str) -> None:
        """The link to a station, the handler or the reader is lost; the machine goes on."""
        self.sever(machine, notice_ms=0)
        self._take_due()
        self._settle()

    def sever(self, machine: str, *, notice_ms: int) -> None:
        """The link is lost, also in the middle of a step; the supervisor learns it after so many ms, or when it is back."""
        self._down.add(machine)
        self._delays.lose(machine)
        self._seen.pop(machine, None)
        self._unnoticed.add(machine)
        self._delays.send(self.now_ms + notice_ms, machine, self._gone(machine))

    def mend(self, machine: str) -> None:
        """The link is back: the whole image is read, and a result that is still there is read again."""
        if machine in self._unnoticed:
            self._delays.lose(machine)
            self._arrive(machine, self._gone(machine))
            self._settle()
        self._down.discard(machine)
        self.look()

    def is_down(self, machine: str) -> bool:
        """Whether a machine cannot be reached."""
        return machine in self._down

    def show_again(self, machine: str) -> None:
        """The machine's whole image is read once more."""
        self._seen.pop(machine, None)
        self.look()

    def reboot(self, machine: str) -> None:
        """The control of a machine restarts at once: all it still knows is what stands on the floor."""
        if machine not in self._down:
            self.cut(machine)
        self.restart(machine)
        self.mend(machine)

    def restart(self, machine: str) -> None:
        """The control of a machine whose link is lost restarts, unseen until the link is back."""
        self._clocks.boot(machine)
        if machine in self.models.stations:
            self.models.stations[machine] = station_model(
                self.physics, machine, floor=self.floor, parts=self.models.parts
            )
            self.models.stations[machine].advance(self.now_ms)
        elif machine == self._handler:
            self.models.handler = HandlerModel(self.physics, floor=self.floor)
            self.models.handler.advance(self.now_ms)

    def die_after(self, seq: int, commands: Sent, *, orders_min: int = 0) -> None:
        """Let the supervisor die when a journal entry is durable, its commands sent, half of them or none.

        That is the first entry from ``seq`` on that gives at least so many orders.
        """
        self._life.death = _Death(seq=seq, sent=commands, orders_min=orders_min)

    def is_dead(self) -> bool:
        """Whether the supervisor died."""
        return not self._life.alive

    def revive(self) -> None:
        """A new supervisor process takes the cell: its state comes from the journal, everything else from the machines."""
        start = self._snapshots.latest()
        fold: Fold[CellState] = Fold(self.cores.__getitem__, start=start)
        for entry in self.journal.read(1 if start is None else start.seq + 1):
            fold.take(entry.event, entry.at_ms)
        if fold.state != self.state:
            message = f"the journal up to entry {len(self.journal.entries)} gives another state"
            raise Forgotten(message)
        self.state = fold.state
        self._desk.entries = "taken"
        self._seen.clear()
        if self._life.declared is not None:
            self._declare(self._life.declared)
        self._start_supervisor()

    def redeclare(self, cell: Cell) -> None:
        """A new supervisor process takes the cell under another declaration. The machines stay as they are, declared or not."""
        self._declare(cell)
        self._seen.clear()
        self._start_supervisor()

    def declare(self, cell: Cell) -> None:
        """Whoever takes the cell next finds another declaration of it: that is read when a supervisor starts, and not again."""
        self._life.declared = cell

    def _declare(self, cell: Cell) -> None:
        self._life.declared = None
        self.cell, self.core = cell, Core(cell)
        self.cores[cell.digest] = self.core

    def refuse_entries(self) -> None:
        """The journal takes no entries from now on."""
        self._desk.entries = "refused"

    def holds_back(self) -> bool:
        """Whether the journal takes no entries."""
        return self._desk.entries == "refused"

    def take_entries(self) -> None:
        """The journal takes entries again: first the one that waited, then what came meanwhile, in the fixed order of kinds (S9)."""
        if not self._life.alive:
            return
        self._desk.entries = "taken"
        refused, self._desk.decided = self._desk.decided, None
        if refused is not None:
            self._keep(*refused)
        facts = [
            Fact(source=_source(event), event=event, settled=None) for event in self._desk.behind
        ]
        self._desk.behind = []
        for fact in in_order(facts):
            self._step(fact.event)
        self._settle()

    def _start_supervisor(self) -> None:
        self._life.alive = True
        self._life.fence += 1
        digest = self.cell.digest
        self._step(SupervisorStarted(declaration=digest, version="bench", fence=self._life.fence))
        self._settle()

    def die(self) -> None:
        """The supervisor dies now: what it decided and could not make durable is lost, and so are facts that waited."""
        self._life.alive = False
        self._life.death = None
        self._delays.clear()
        self._answers.clear()
        self._desk.behind.clear()
        self._desk.decided = None
        self._unnoticed.clear()

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
        facts: list[tuple[str, Event]] = []
        results: list[tuple[str, Event]] = []
        for name, model in self.models.stations.items():
            before, image = self._seen.get(name), model.image()
            if not self._shows(name, image):
                continue
            facts.append((name, images.station_seen(name, image, self._stamp(name))))
            was = before.work if isinstance(before, StationImage) else ""
            if image.work == "finished" != was and image.result is not None:
                results.append((name, images.result_seen(name, image.result, self._stamp(name))))
        handler = self.models.handler.image()
        if self._shows(self._handler, handler):
            seen = images.handler_seen(handler, self._stamp(self._handler))
            facts.append((self._handler, seen))
        if self._places_changed():
            places = self.models.reader.image()
            if self._shows(self._reader, places):
                there = images.places_seen(self._reader, places, self._stamp(self._reader))
                facts.append((self._reader, there))
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
        return self._clocks.stamp(machine, self.now_ms)

    def _gone(self, machine: str) -> Event:
        stamp = self._stamp(machine)
        if machine == self._handler:
            return images.handler_gone(self.cell.handler.jaws, stamp)
        if machine == self._reader:
            return images.places_gone(machine, self.models.reader.places, stamp)
        return images.station_gone(machine, stamp)

    def _over_the_wire(self, facts: list[tuple[str, Event]]) -> list[Event]:
        arrived: list[Event] = []
        for machine, fact in facts:
            for after_ms, what in self.wire(fact):
                if after_ms:
                    self._delays.send(self.now_ms + after_ms, machine, what)
                else:
                    arrived.append(what)
        return arrived

    # --- commands ---------------------------------------------------------------------------------------------------------------

    def _step(self, event: Event) -> None:
        if not self._life.alive:
            return
        if self._desk.decided is not None:
            self._desk.behind.append(event)
            return
        decision = self.core.decide(self.state, event, self.cell_ms())
        entry = JournalEntry(
            seq=len(self.journal.entries) + 1,
            at_ms=self.cell_ms(),
            schema=SCHEMA,
            event=event,
            commands=decision.commands,
        )
        if self._desk.entries == "taken":
            self._keep(entry, decision)
        else:
            self._desk.decided = entry, decision

    def _keep(self, entry: JournalEntry, decision: Decision) -> None:
        self.journal.append((entry,))
        self.state = decision.state
        self.records += [c.record for c in decision.commands if isinstance(c, StoreRecord)]
        self._snapshot_when_due(entry)
        self.watch(entry.event, decision)
        death = self._life.death
        if death is None or not death.comes_with(entry):
            for command in decision.commands:
                self._carry_out(command)
            return
        for command in _sent(decision.commands, death.sent):
            self._carry_out(command)
        self.die()

    def _snapshot_when_due(self, entry: JournalEntry) -> None:
        if self.snapshot_every and entry.seq % self.snapshot_every == 0:
            digest = self.cell.digest
            self._snapshots.keep(
                Snapshot(seq=entry.seq, at_ms=entry.at_ms, declaration=digest, state=self.state)
            )

    def _carry_out(self, command: Command) -> None:
        match command:
            case SetTimer():
                self._delays.set_timer(command.timer, command.due_ms)
            case CancelTimer():
                self._delays.cancel_timer(command.timer)
            case StoreRecord() | MarkSuspect():
                pass  # became durable with its entry
            case _:
                if self.machine_of(command) in self._down or self.goes_lost(command):
                    return
                self.order(command)
                self.arrived(command)

    def machine_of(self, goal: Goal) -> str:
        """Whose link carries a goal."""
        match goal:
            case MoveHandler():
                return self._handler
            case ReadTag():
                return goal.reader
            case _:
                return goal.station

    def order(self, goal: Goal) -> None:
        """A machine gets a goal."""
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
            at_ms = self.now_ms + self.models.reader.read_ms + after_ms
            self._delays.send(at_ms, goal.reader, what)

    def _order_station(
        self, goal: SetDoor | PrepareProgram | StartRun | AbortRun | AcknowledgeResult | ClearFault
    ) -> None:
        answer = _ordered(self.models.stations[goal.station], goal)
        if answer.status != "ok":
            self._refuse(goal, answer.text)
        elif isinstance(goal, StartRun):
            self.starts[goal.run_id] += 1

    def _refuse(self, goal: Goal, why: str) -> None:
        self.answer(goal, "refused", why)

    def answer(self, goal: Goal, outcome: Outcome, why: str) -> None:
        """A machine, or the adapter in its stead, answers an order."""
        fact = OrderAnswered(order=goal.order, outcome=outcome, why=why)
        self._answers += self._over_the_wire([(self.machine_of(goal), fact)])


def orders_of(commands: tuple[Command, ...]) -> list[Goal]:
    """Those of some commands that are for machines."""
    return [
        each
        for each in commands
        if not isinstance(each, SetTimer | CancelTimer | StoreRecord | MarkSuspect)
    ]


def orders_among(commands: tuple[Command, ...]) -> int:
    """How many of some commands are for machines."""
    return len(orders_of(commands))


def _sent(commands: tuple[Command, ...], how_many: Sent) -> tuple[Command, ...]:
    match how_many:
        case "sent":
            return commands
        case "half":
            return commands[: len(commands) // 2]
        case "unsent":
            return ()


def _source(event: Event) -> str:
    """Where a fact came from: facts of one source keep their order."""
    match event:
        case StationObserved() | ResultArrived():
            return event.station
        case HandlerObserved():
            return "handler"
        case PlacesObserved() | TagRead():
            return event.reader
        case _:
            return type(event).__name__


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

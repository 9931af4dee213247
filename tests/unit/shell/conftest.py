"""A small real cell for the shell: one door. Closed is opened, open is counted, and some facts do what should never happen.

Rules of this file: what is needed to see the shell at work, and no more; the production core has its own tests.
"""

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from types import SimpleNamespace

import pytest

from supervisor.core.commands import (
    CancelTimer,
    ClearFault,
    Command,
    Goal,
    SetDoor,
    SetTimer,
    StoreRecord,
)
from supervisor.core.events import (
    CellOrdered,
    Event,
    HoldReleased,
    ResultArrived,
    StationObserved,
    SupervisorStarted,
    TimerFired,
)
from supervisor.shell.fold import Fold
from supervisor.shell.memory import MemoryJournal, MemorySnapshots
from supervisor.shell.outbox import Outbox
from supervisor.shell.ports import Head, JournalEntry, JournalRefused, Published
from supervisor.shell.recovery import Recovered, recover
from supervisor.shell.runtime import Runtime, Wiring
from supervisor.verdict.record import Record

DOOR_MS_MAX = 1_000
START_MS = 1_764_000_000_000


@dataclass(frozen=True, kw_only=True)
class Due:
    due_ms: int


@dataclass(frozen=True, kw_only=True)
class DoorState:
    declaration: str = ""
    orders: int = 0
    outstanding: int = 0
    opened: int = 0
    late: int = 0
    poisoned: str = ""
    timers: dict[str, Due] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class DoorDecision:
    state: DoorState
    commands: tuple[Command, ...] = ()
    choices: tuple[()] = ()


class DoorCell:
    """A decider with one door. ``step`` is how far order numbers count, to make a decider that decides otherwise."""

    def __init__(self, *, step: int = 1) -> None:
        self.step = step

    def initial(self) -> DoorState:
        return DoorState()

    def broken(self, state: DoorState) -> tuple[str, ...]:
        return (f"the cell was poisoned by {state.poisoned}",) if state.poisoned else ()

    def decide(self, state: DoorState, event: Event, at_ms: int) -> DoorDecision:
        match event:
            case SupervisorStarted():
                known = replace(state, declaration=event.declaration)
                return DoorDecision(state=known, commands=self._repeated(state))
            case StationObserved(door="closed") if not state.outstanding:
                return self._order(state, at_ms)
            case StationObserved(door="open") if state.outstanding:
                done = replace(state, outstanding=0, opened=state.opened + 1, timers={})
                return DoorDecision(state=done, commands=(CancelTimer(timer="door"),))
            case TimerFired() if event.timer in state.timers:
                late = replace(state, late=state.late + 1, timers={})
                order = ClearFault(order=state.outstanding, station="scan-1")
                return DoorDecision(state=late, commands=(order,))
            case ResultArrived():
                kept = StoreRecord(record=a_record(event.serial, decided_ms=at_ms))
                return DoorDecision(state=state, commands=(kept,))
            case CellOrdered():
                poisoned = replace(state, poisoned=event.by)
                order = SetDoor(order=666, station="scan-1", door="closed")
                return DoorDecision(state=poisoned, commands=(order,))
            case HoldReleased():
                raise LookupError(event.hold)
            case _:
                return DoorDecision(state=state)

    def _order(self, state: DoorState, at_ms: int) -> DoorDecision:
        number = state.orders + self.step
        due = Due(due_ms=at_ms + DOOR_MS_MAX)
        ordered = replace(state, orders=number, outstanding=number, timers={"door": due})
        return DoorDecision(state=ordered, commands=self._repeated(ordered))

    def _repeated(self, state: DoorState) -> tuple[Command, ...]:
        goals: list[Command] = []
        if state.outstanding:
            goals.append(SetDoor(order=state.outstanding, station="scan-1", door="open"))
        for name, due in state.timers.items():
            goals.append(SetTimer(timer=name, due_ms=due.due_ms, why="the door did not open"))
        return tuple(goals)


def a_record(serial: str, *, decided_ms: int = 0) -> Record:
    return Record(
        serial=serial,
        part_type="pump-body",
        plan_revision="A",
        batch="B1",
        produced="",
        pallet="grai:1",
        declaration="d1",
        rule="1.65",
        revision=1,
        entered_ms=0,
        decided_ms=decided_ms,
        verdict="conforming",
        why="",
        findings=(),
    )


class StandingClock:
    """Time that a test moves by hand."""

    def __init__(self) -> None:
        self.at_ms = START_MS

    def now_ms(self) -> int:
        return self.at_ms

    def real_s(self, cell_ms: int) -> float:
        return max(0.0, cell_ms / 1_000_000)


class Station:
    """An adapter that notes its goals, or dies on the first."""

    name = "scan-1"

    def __init__(self, log: list[str], *, dies: str = "") -> None:
        self.given: list[Goal] = []
        self.log = log
        self.dies = dies

    async def run(self, emit: Callable[[Event], None]) -> None:
        """Unused: tests put facts in themselves."""

    def give(self, goal: Goal) -> None:
        if self.dies:
            raise RuntimeError(self.dies)
        self.log.append(f"given {type(goal).__name__} {goal.order}")
        self.given.append(goal)


class LoggingJournal(MemoryJournal):
    """A journal that notes its appends and refuses the first ``refusals`` of them."""

    def __init__(self, log: list[str], *, refusals: int = 0) -> None:
        super().__init__()
        self.log = log
        self.refusals = refusals

    def append(self, entries: Sequence[JournalEntry]) -> Head:
        if self.refusals:
            self.refusals -= 1
            raise JournalRefused("no space left on the disk")
        self.log.append(f"appended {entries[0].seq}..{entries[-1].seq}")
        return super().append(entries)


class Viewer:
    """A publisher that keeps what it saw."""

    def __init__(self, log: list[str]) -> None:
        self.log = log
        self.seen: list[Published[DoorState]] = []

    def publish(self, published: Published[DoorState]) -> None:
        self.log.append(f"published {published.head.seq}")
        self.seen.append(published)


class Cell:
    """Everything around one runtime; ``restart`` makes the next process on the same journal."""

    def __init__(
        self, *, journal: LoggingJournal | None = None, dies: str = "", writer: str = "inline"
    ) -> None:
        self.log: list[str] = journal.log if journal else []
        self.journal = journal or LoggingJournal(self.log)
        self.snapshots: MemorySnapshots[DoorState] = MemorySnapshots()
        self.clock = StandingClock()
        self.writer = writer
        self.deciders = lambda _digest: DoorCell()
        self.boot(dies=dies)

    def boot(self, *, dies: str = "") -> None:
        self.station = Station(self.log, dies=dies)
        self.viewer = Viewer(self.log)
        self.recovered: Recovered[DoorState] = recover(self.deciders, self.journal, self.snapshots)
        wiring = Wiring(
            journal=self.journal,
            snapshots=self.snapshots,
            clock=self.clock,
            outbox=Outbox(handler="handler", adapters=[self.station]),
            publisher=self.viewer,
            writer=self.writer,
        )
        self.runtime = Runtime(self.recovered, wiring)

    @property
    def state(self) -> DoorState:
        return self.viewer.seen[-1].state


def door(position: str, *, source_ms: int = 1, link: str = "up") -> StationObserved:
    return StationObserved(
        station="scan-1",
        source_ms=source_ms,
        boot="b",
        link=link,
        mode="automatic",
        door=position,
        nest="empty",
        work="idle",
        run_id="",
        serial="",
        program="",
        counter=0,
        gate="",
    )


def started(declaration: str = "d1") -> SupervisorStarted:
    return SupervisorStarted(declaration=declaration, version="1", fence=1)


def result(serial: str) -> ResultArrived:
    return ResultArrived(
        station="scan-1",
        source_ms=1,
        boot="b",
        result_id="r",
        run_id="",
        serial=serial,
        counter=1,
        scope="final",
        values=(),
    )


async def until(condition: Callable[[], bool]) -> None:
    """Let the loop turn until something holds; a deadline, no fixed wait."""
    async with asyncio.timeout(5):
        while not condition():  # noqa: ASYNC110 - the condition is another thread's or the loop's own doing
            await asyncio.sleep(0)


@pytest.fixture(scope="session")
def the() -> SimpleNamespace:
    """The classes and makers of this file."""
    return SimpleNamespace(
        DoorCell=DoorCell,
        Cell=Cell,
        LoggingJournal=LoggingJournal,
        StandingClock=StandingClock,
        Station=Station,
        door=door,
        started=started,
        result=result,
        fold=lambda **options: Fold(lambda _digest: DoorCell(**options)),
        until=until,
        poison=CellOrdered(want="run", by="somebody"),
        raiser=HoldReleased(hold="h1", answer="ok", by="somebody", place=""),
    )

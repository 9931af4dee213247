"""Where a service can be killed: named points of the step, and the wrappers around journal and outbox that reach them.

Rules of this file:
- Nothing here is part of the product. Only ``tests.system.kills.service`` wires these wrappers in, around the production ports.
- A point is reached in the order of a step (S2): before an append, within it, after it, before dispatch, after dispatch.
- The death is SIGKILL to the own process: no handler, no ``finally``, no flush runs.
"""

import os
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from supervisor.core.commands import Goal, MoveHandler, StartRun, StoreRecord
from supervisor.core.events import (
    HandlerObserved,
    PlacesObserved,
    ResultArrived,
    StationObserved,
    SupervisorStarted,
    TagRead,
)
from supervisor.shell.ports import Head, Journal, JournalEntry

Point = Literal[
    "before append",
    "within append",
    "append held up",
    "after append",
    "command journalled",
    "command on its way",
    "command sent",
    "start journalled",
    "start on its way",
    "start sent",
    "before result stored",
    "after result stored",
    "before record stored",
    "after record stored",
    "swap journalled",
    "swap on its way",
    "amid the swap",
    "swap done",
    "while recovering",
]
POINTS: tuple[Point, ...] = get_args(Point)

AT_THE_STORE: tuple[Point, ...] = tuple(
    point
    for point in POINTS
    if "append" in point or "stored" in point or point in ("command journalled", "while recovering")
)
"""Where it matters which database it is."""

RARE: tuple[Point, ...] = POINTS[POINTS.index("start journalled") :]
"""Points that a run reaches a few times per part only."""

WITHIN_APPEND_MS_MAX = 3.0
HELD_UP_MS_MAX = 40.0
"""A slow disk: the rest of the process goes on while a command waits to be durable."""
ON_ITS_WAY_MS_MAX = 25.0
"""Long enough to fall before, between and after the requests of one order (measured: 2 to 15 ms on loopback)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Death:
    """Die at a point when it has been reached ``skip`` times before; ``share`` 0..1 draws the delay where a point has one."""

    point: Point
    skip: int
    share: float


class Trigger:
    """Counts how often its point was reached and kills at the right time."""

    def __init__(self, death: Death, kill: Callable[[], None]) -> None:
        self.death = death
        self._left = death.skip
        self._kill = kill

    def reached(self, point: Point) -> None:
        """Die here if this is the place."""
        if self._due(point):
            self._kill()

    def reached_soon(self, point: Point, within_ms: float) -> None:
        """Die a little later, whatever goes on then."""
        if self._due(point):
            threading.Thread(
                target=self._kill_later, args=(within_ms * self.death.share,), daemon=True
            ).start()

    def held_up(self, point: Point, up_to_ms: float) -> None:
        """Die here, after a wait in which the rest of the process goes on."""
        if self._due(point):
            self._kill_later(up_to_ms * self.death.share)

    def _due(self, point: Point) -> bool:
        if point != self.death.point:
            return False
        self._left -= 1
        return self._left == -1

    def _kill_later(self, delay_ms: float) -> None:
        time.sleep(delay_ms / 1000)
        self._kill()


def die() -> None:
    """SIGKILL to this process."""
    os.kill(os.getpid(), signal.SIGKILL)


class Wire:
    """What one process has given to machines that has not shown in a fact yet."""

    def __init__(self) -> None:
        self.swap = 0
        self._given: dict[str, Goal] = {}

    def give(self, address: str, goal: Goal) -> None:
        """A goal goes to a machine."""
        self._given[address] = goal
        if isinstance(goal, MoveHandler) and goal.action == "swap":
            self.swap = goal.order

    def answered(self, entries: Sequence[JournalEntry], handler: str) -> list[Goal]:
        """The goals to which a fact of their machine has come, each once."""
        machines = [_source(entry.event, handler) for entry in entries]
        return [self._given.pop(name) for name in machines if name in self._given]

    def amid_swap(self, entry: JournalEntry) -> bool:
        """Whether the fact shows the swap between its two moves: something in each jaw, and the arm at work."""
        seen = entry.event
        ours = isinstance(seen, HandlerObserved) and seen.order == self.swap != 0
        return ours and seen.phase == "busy" and set(seen.jaws) == {"occupied"}

    def swap_done(self, entry: JournalEntry) -> bool:
        """Whether the fact shows the swap at its end."""
        seen = entry.event
        return (
            isinstance(seen, HandlerObserved) and seen.order == self.swap and seen.phase == "done"
        )


def _source(event: object, handler: str) -> str:
    match event:
        case StationObserved() | ResultArrived():
            return event.station
        case HandlerObserved():
            return handler
        case PlacesObserved() | TagRead():
            return event.reader
        case _:
            return ""


class DeadlyJournal:
    """The journal of a service that is to be killed."""

    def __init__(self, journal: Journal, trigger: Trigger, wire: Wire, handler: str) -> None:
        self._journal = journal
        self._trigger = trigger
        self._wire = wire
        self._handler = handler
        self.read = journal.read
        self.head = journal.head

    def append(self, entries: Sequence[JournalEntry]) -> Head:
        """See ``Journal``."""
        for point in self._before(entries):
            self._trigger.reached(point)
        if _carry_goals(entries):
            self._trigger.held_up("append held up", HELD_UP_MS_MAX)
        self._trigger.reached_soon("within append", WITHIN_APPEND_MS_MAX)
        head = self._journal.append(entries)
        for point in _after(entries):
            self._trigger.reached(point)
        return head

    def _before(self, entries: Sequence[JournalEntry]) -> Iterator[Point]:
        yield "before append"
        for goal in self._wire.answered(entries, self._handler):
            yield "start sent" if isinstance(goal, StartRun) else "command sent"
        for entry in entries:
            if isinstance(entry.event, ResultArrived):
                yield "before result stored"
            if any(isinstance(command, StoreRecord) for command in entry.commands):
                yield "before record stored"
            if self._wire.amid_swap(entry):
                yield "amid the swap"
            if self._wire.swap_done(entry):
                yield "swap done"


def _after(entries: Sequence[JournalEntry]) -> Iterator[Point]:
    commands = [command for entry in entries for command in entry.commands]
    for entry in entries:
        if isinstance(entry.event, ResultArrived):
            yield "after result stored"
        if isinstance(entry.event, SupervisorStarted | PlacesObserved | StationObserved):
            yield "while recovering"
    for command in commands:
        match command:
            case StoreRecord():
                yield "after record stored"
            case StartRun():
                yield "start journalled"
            case MoveHandler(action="swap"):
                yield "swap journalled"
            case _:
                pass
    yield "command journalled" if _carry_goals(entries) else "after append"


def _carry_goals(entries: Sequence[JournalEntry]) -> bool:
    return any(isinstance(command, Goal) for entry in entries for command in entry.commands)


class DeadlyOutbox:
    """The outbox of a service that is to be killed."""

    def __init__(self, outbox, trigger: Trigger, wire: Wire) -> None:
        self._outbox = outbox
        self._trigger = trigger
        self._wire = wire
        self.address = outbox.address

    def give(self, goal: Goal) -> None:
        """See ``Outbox``."""
        self._outbox.give(goal)
        self._wire.give(self.address(goal), goal)
        match goal:
            case StartRun():
                self._trigger.reached_soon("start on its way", ON_ITS_WAY_MS_MAX)
            case MoveHandler(action="swap"):
                self._trigger.reached_soon("swap on its way", ON_ITS_WAY_MS_MAX)
        self._trigger.reached_soon("command on its way", ON_ITS_WAY_MS_MAX)

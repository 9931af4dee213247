"""What the shell asks of its neighbours, as protocols, and the one value they all exchange.

Rules of this file:
- Nothing here does anything. The core, the store, the stations, the page and the bench each fit one of these shapes.
- Only the runtime calls a ``Journal`` or an ``Adapter``; adapters reach the shell only through ``emit``, which enqueues (S1).
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Generic, Protocol, TypeVar

from supervisor.cell.value import value
from supervisor.core.commands import Command, Goal
from supervisor.core.events import Event
from supervisor.routing.situation import Carry, Stay

SCHEMA = 6
"""The number of the journal's present form (S12). It grows whenever a field of an event or a command changes."""


class Wait(Protocol):
    """A timer as the state holds it."""

    @property
    def due_ms(self) -> int:
        """The cell's time at which it is due."""
        ...


class Timed(Protocol):
    """All that the shell reads of a state: its timers by name, to set them again after a restart."""

    @property
    def timers(self) -> Mapping[str, Wait]:
        """The waits that have neither fired nor been cancelled."""
        ...


S = TypeVar("S", bound=Timed)
S_co = TypeVar("S_co", bound=Timed, covariant=True)


class Decision(Protocol[S_co]):
    """The next state, the commands that lead there, and what routing chose on the way."""

    @property
    def state(self) -> S_co:
        """The state after the event."""
        ...

    @property
    def commands(self) -> tuple[Command, ...]:
        """What has to be carried out, in order."""
        ...

    @property
    def choices(self) -> tuple[Carry | Stay, ...]:
        """Each choice with its reason and with the alternatives that lost."""
        ...


class Decider(Protocol[S]):
    """The core: pure, total, deterministic."""

    def initial(self) -> S:
        """The state before the first fact."""
        ...

    def decide(self, state: S, event: Event, at_ms: int) -> Decision[S]:
        """What follows from a fact at a time."""
        ...

    def broken(self, state: S) -> tuple[str, ...]:
        """The invariants that a state violates; empty when all is well."""
        ...


DeciderFor = Callable[[str], Decider[S]]
"""The decider for a cell declaration, by its digest. A journal may span several declarations."""


@value
class JournalEntry:
    """One step: the fact, when it was taken, and the commands decided from it. ``seq`` counts from 1 without a gap."""

    seq: int
    at_ms: int
    schema: int
    event: Event
    commands: tuple[Command, ...]


@value
class Head:
    """The end of a journal. ``digest`` is the last entry's hash as hexadecimal text; ``seq`` is 0 for an empty journal."""

    seq: int
    at_ms: int
    digest: str


class JournalRefused(Exception):  # noqa: N818 - it says what happened, like every fact
    """The journal could not be written for a reason that may pass; the same append may be tried again."""


class Journal(Protocol):
    """Where entries become durable. One writer; ``append`` may be called from one thread at a time."""

    def append(self, entries: Sequence[JournalEntry]) -> Head:
        """Keep entries, and the records that their ``StoreRecord`` commands carry, all or nothing; durable on return.

        Raises:
            JournalRefused: nothing was kept, or it is not known; the same call may be repeated.
        """
        ...

    def read(self, from_seq: int) -> Iterator[JournalEntry]:
        """The entries from a sequence number on, in order."""
        ...

    def head(self) -> Head:
        """The end of the journal."""
        ...


@value
class Snapshot(Generic[S]):
    """The state after entry ``seq``, decided under ``declaration``."""

    seq: int
    at_ms: int
    declaration: str
    state: S


class Snapshots(Protocol[S]):
    """Where states are kept so that a restart need not fold the whole journal."""

    def latest(self) -> Snapshot[S] | None:
        """The newest snapshot that this version can read and that belongs to this journal."""
        ...

    def keep(self, snapshot: Snapshot[S]) -> None:
        """Keep a snapshot; losing one costs only time."""
        ...


class Adapter(Protocol):
    """One station, handler or reader on the wire."""

    @property
    def name(self) -> str:
        """The id of the station, handler or reader."""
        ...

    async def run(self, emit: Callable[[Event], None]) -> None:
        """Report facts until cancelled; never raises for trouble outside."""
        ...

    def give(self, goal: Goal) -> None:
        """Take a goal and return at once; the newest goal of a subject wins."""
        ...


class Clock(Protocol):
    """The cell's time."""

    def now_ms(self) -> int:
        """The cell's time in ms; never smaller than before."""
        ...

    def real_s(self, cell_ms: int) -> float:
        """How many seconds of real time a span of the cell's time takes."""
        ...


@value
class Choice:
    """What routing chose while an entry was decided. Not journalled: a fold gives it again."""

    seq: int
    at_ms: int
    made: Carry | Stay


@value
class Published(Generic[S]):
    """What became durable in one step: the state after it, the journal's head, the new entries and the choices behind them."""

    state: S
    head: Head
    entries: tuple[JournalEntry, ...]
    choices: tuple[Choice, ...]


class Publisher(Protocol[S]):
    """Who wants to see each durable state: the page and the interfaces."""

    def publish(self, published: Published[S]) -> None:
        """Take it and return at once."""
        ...

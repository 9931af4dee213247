"""What the interface reads, and whom it tells.

Rules of this file:
- The interface reads published states and the store, and puts people's words into the inbox. It touches nothing else.
- Questions to the store may take time; they are asked off the event loop.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Literal, Protocol

from supervisor.api.driver_view import UNLEASED_VITALS, Vitals
from supervisor.api.link_view import LinkView
from supervisor.api.lookout import Lookout
from supervisor.cell.value import value
from supervisor.core.decide import Core
from supervisor.core.events import Event
from supervisor.shell.ports import Clock, Head, JournalEntry
from supervisor.shell.runtime import RuntimeStatus
from supervisor.verdict.record import Record, Verdict
from supervisor.verdict.suspicion import SuspectValue, Suspicion


class Orders(Protocol):
    """The runtime, as far as people's words go."""

    def status(self) -> RuntimeStatus:
        """How the step is doing."""
        ...

    async def submit(self, event: Event, *, source: str) -> int:
        """Put a fact in and wait until it is durable and published; its sequence number.

        Raises:
            InboxClosed: it will not be decided.
        """
        ...


class Entries(Protocol):
    """The journal, for reading."""

    def read(self, from_seq: int) -> Iterator[JournalEntry]:
        """The entries from a number on."""
        ...

    def head(self) -> Head:
        """The end."""
        ...

    def seq_at(self, at_ms: int) -> int:
        """The number of the first entry at or after a time of the cell."""
        ...

    def mentioning(
        self, from_seq: int, to_seq: int, words: Sequence[str], kinds: Sequence[str]
    ) -> Iterator[JournalEntry]:
        """The entries of a range whose text holds one of the words or that are of one of the kinds."""
        ...

    def hash_at(self, seq: int) -> bytes | None:
        """The hash of an entry; None if there is no such entry."""
        ...


class Kept(Protocol):
    """A record and the number of the journal entry that commanded it."""

    @property
    def seq(self) -> int:
        """The journal's number."""
        ...

    @property
    def record(self) -> Record:
        """The record."""
        ...

    @property
    def body(self) -> str:
        """The text of the record as it is kept: JSON."""
        ...

    @property
    def suspect(self) -> Sequence[SuspectValue]:
        """The values that decide in it and that a failed check has cast doubt on since."""
        ...

    @property
    def sha256(self) -> str:
        """The hash of that text, in hexadecimal."""
        ...


class KeptSuspicion(Protocol):
    """What a failed check casts doubt on, and the number of the journal entry that commanded it."""

    @property
    def seq(self) -> int:
        """The journal's number."""
        ...

    @property
    def suspicion(self) -> Suspicion:
        """The suspicion."""
        ...


class Page(Protocol):
    """Records, newest decision first, and where the next page begins ("" = this was the last)."""

    @property
    def records(self) -> Sequence[Kept]:
        """The records."""
        ...

    @property
    def after(self) -> str:
        """The position of the next page."""
        ...


@value
class RecordQuestion:
    """Which records are asked for; "" and None ask for all. Times bound the decision, from (inclusive) to (exclusive)."""

    part_type: str = ""
    batch: str = ""
    serial: str = ""
    verdict: Verdict | Literal[""] = ""
    station: str = ""
    from_ms: int | None = None
    to_ms: int | None = None
    revisions: Literal["latest", "all"] = "latest"
    suspect: Literal["", "yes"] = ""


class Measured(Protocol):
    """One measured value, with the record in force that holds it."""

    @property
    def measured_ms(self) -> int:
        """When."""
        ...

    @property
    def role(self) -> Literal["decided", "monitored"]:
        """Whether it decided its characteristic."""
        ...

    @property
    def number(self) -> str:
        """The characteristic."""
        ...

    @property
    def value(self) -> float | None:
        """The value, None where there was no number."""
        ...

    @property
    def unit(self) -> str:
        """Its unit."""
        ...

    @property
    def program(self) -> str:
        """The measurement program."""
        ...

    @property
    def run_id(self) -> str:
        """The run."""
        ...

    @property
    def seq(self) -> int:
        """The journal entry that kept the record."""
        ...

    @property
    def serial(self) -> str:
        """The part."""
        ...

    @property
    def part_type(self) -> str:
        """Its type."""
        ...

    @property
    def batch(self) -> str:
        """Its batch."""
        ...

    @property
    def verdict(self) -> Verdict:
        """The verdict on the part."""
        ...


class MeasuredPage(Protocol):
    """Measured values, the oldest first, and where the next page begins."""

    @property
    def lines(self) -> Sequence[Measured]:
        """The values."""
        ...

    @property
    def after(self) -> str:
        """The position of the next page ("" = this was the last)."""
        ...


@value
class MeasuredQuestion:
    """What a station measured between two times, from (inclusive) to (exclusive)."""

    station: str
    from_ms: int
    to_ms: int


class Records(Protocol):
    """The kept records."""

    def revisions(self, serial: str, *, part_type: str = "") -> Sequence[Kept]:
        """Every record of a serial number, newest first. A serial number is unique within its part type only."""
        ...

    def suspicions(self) -> Sequence[KeptSuspicion]:
        """What failed checks cast doubt on, the oldest first."""
        ...

    def papers(self, serial: str, *, part_type: str) -> Sequence[JournalEntry]:
        """The entries that amended or signed records of a part, in order."""
        ...

    def page(self, question: RecordQuestion, *, limit: int, after: str) -> Page:
        """One page of records."""
        ...

    def measured(self, question: MeasuredQuestion, *, limit: int, after: str) -> MeasuredPage:
        """One page of measured values."""
        ...


class Note(Protocol):
    """A head as text to be kept elsewhere, signed where there is a key (else ``key`` and ``signature`` are "")."""

    @property
    def seq(self) -> int:
        """The number of the entry."""
        ...

    @property
    def at_ms(self) -> int:
        """Its time."""
        ...

    @property
    def hash(self) -> str:
        """Its hash, in hexadecimal."""
        ...

    @property
    def key(self) -> str:
        """The name of the key."""
        ...

    @property
    def signature(self) -> str:
        """The signature, in hexadecimal."""
        ...

    def text(self) -> str:
        """One line of JSON in ASCII."""
        ...


@value
class Told:
    """How a receiver of messages stands: the last journal entry that it was told of, and since when it takes nothing (None = it does)."""

    receiver: str
    seq: int
    failing_since_ms: int | None
    why: str


@value
class Sources:
    """Everything that one interface reads.

    ``links`` gives the connection of each station, handler and reader by its id; ``head_note`` writes a head down for keeping;
    ``speed`` is how many times as fast as real time the cell's clock runs; ``vitals`` gives what the process knows of itself;
    ``receivers`` how those stand that messages are sent to.
    """

    core: Core
    lookout: Lookout
    orders: Orders
    entries: Entries
    records: Records
    clock: Clock
    links: Callable[[], Mapping[str, LinkView]]
    head_note: Callable[[Head], Note]
    version: str
    speed: float = 1.0
    vitals: Callable[[], Vitals] = lambda: UNLEASED_VITALS
    receivers: Callable[[], Sequence[Told]] = lambda: ()

"""The front door of the store.

Rules of this file:
- ``open_store`` takes the cell: it locks, migrates, grows the fence, and refuses a journal that ends short of a head known elsewhere.
- ``open_archive`` only reads, also while a supervisor drives the cell, or from a copy.
- Whoever opens closes; both are context managers.
"""

from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, ExitStack
from pathlib import Path
from types import TracebackType
from typing import Self

from sqlalchemy import Connection, update

from supervisor.shell.ports import S
from supervisor.store.chain import Known, VerifyReport
from supervisor.store.database import Durability, Place, place_of, reading_engine, writing_engine
from supervisor.store.declarations import Declarations, WritableDeclarations
from supervisor.store.errors import StoreError
from supervisor.store.head_file import HeadFile
from supervisor.store.head_note import HeadNote, Seal, note_of
from supervisor.store.journal import JournalReader, SqlJournal
from supervisor.store.lock import FileLock
from supervisor.store.migration import NEWEST, migrate, present
from supervisor.store.reader import Reader
from supervisor.store.records import Records
from supervisor.store.schema import META
from supervisor.store.snapshots import SqlSnapshots
from supervisor.store.verification import check_end, verify_store
from supervisor.store.writer import Writer


class Archive:
    """A store for reading: journal, records and declarations."""

    def __init__(self, reader: Reader, head_file: HeadFile | None, held: ExitStack) -> None:
        """Made by ``open_archive``; ``held`` is let go of on closing."""
        self.records = Records(reader)
        self._reader = reader
        self._head_file = head_file
        self._held = held

    @property
    def journal(self) -> JournalReader:
        """The journal."""
        return JournalReader(self._reader)

    @property
    def declarations(self) -> Declarations:
        """The cell declarations that the journal names."""
        return Declarations(self._reader)

    def verify(self, heads: Sequence[Known] = ()) -> VerifyReport:
        """Whether everything is as it was written, also by heads that were kept elsewhere."""
        return verify_store(
            JournalReader(self._reader),
            self.records,
            Declarations(self._reader),
            head_file=self._head_file,
            heads=heads,
        )

    def head_note(self, seal: Seal | None = None) -> HeadNote:
        """The head to hand out with what is read: the end, signed where a key is given, else the signed one of the head file."""
        noted = self._head_file.note_kept() if self._head_file is not None else None
        if seal is None and noted is not None and noted.signature:
            return noted
        return note_of(JournalReader(self._reader).head(), seal)

    def known_head(self) -> Known | None:
        """The head in the second file; None if there is no readable one."""
        return self._head_file.known() if self._head_file is not None else None

    def standing_still(self) -> AbstractContextManager[Reader]:
        """Everything as it is at one moment, for one thread."""
        return self._reader.standing_still()

    def close(self) -> None:
        """Let go of the database."""
        self._held.close()

    def __enter__(self) -> Self:
        """Itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close."""
        self.close()


class Store(Archive):
    """A store that drives a cell. ``fence`` is larger than that of every supervisor before."""

    def __init__(
        self,
        journal: SqlJournal,
        writer: Writer,
        reader: Reader,
        head_file: HeadFile | None,
        held: ExitStack,
    ) -> None:
        """Made by ``open_store``."""
        super().__init__(reader, head_file, held)
        self.fence = journal.fence
        self._writer = writer
        self._journal = journal

    @property
    def journal(self) -> SqlJournal:
        """The journal, also for appending."""
        return self._journal

    @property
    def declarations(self) -> WritableDeclarations:
        """The cell declarations, also for keeping one."""
        return WritableDeclarations(self._reader, self._writer)

    def snapshots(self, state: type[S]) -> SqlSnapshots[S]:
        """The snapshots of states of one class."""
        return SqlSnapshots(self._reader, self._writer, state)

    def trouble(self) -> str:
        """What people should know although the store works ("" = nothing)."""
        return self._head_file.trouble if self._head_file is not None else ""


def open_store(
    address: str,
    *,
    durability: Durability = "power-safe",
    head_file: Path | None = None,
    seal: Seal | None = None,
    heads: Sequence[Known] = (),
) -> Store:
    """Take the cell whose store is at ``address``; a new database is made where there is none.

    A power-safe SQLite store keeps its head in ``<database>.head`` unless ``head_file`` names another place, at best on another
    disk. A store on a server keeps it only where ``head_file`` says so; a process-safe one never: a power cut may leave it behind.
    ``seal`` signs the head that is kept. A journal that lacks one of ``heads`` is refused.

    Raises:
        StoreError: "address-wrong", "driver-missing", "cell-taken", "database-unreachable", "no-write-ahead-log",
            "database-newer", "journal-cut", "journal-changed".
    """
    place = place_of(address)
    head_keeper = head_keeper_of(place, durability, head_file, seal)
    return open_checked(
        place, durability, head_keeper, lambda journal: check_end(journal, head_keeper, heads)
    )


def open_checked(
    place: Place,
    durability: Durability,
    head_keeper: HeadFile | None,
    check: Callable[[JournalReader], None],
) -> Store:
    """Take a cell if ``check`` does not raise. For those of this room who look at the end in their own way."""
    with ExitStack() as held:
        if place.file is not None:
            held.callback(FileLock(place.file).release)
        engine = writing_engine(place, durability)
        held.callback(engine.dispose)
        writer = Writer(engine, place)
        held.callback(writer.drop)
        writer.run(migrate)
        reader = Reader(engine, place)
        check(JournalReader(reader))
        journal = SqlJournal(reader, writer, fence=_take_fence(writer), head_file=head_keeper)
        held.callback(journal.end)
        return Store(journal, writer, reader, head_keeper, held.pop_all())


def open_archive(address: str, *, head_file: Path | None = None) -> Archive:
    """Read the store at ``address``.

    Raises:
        StoreError: "address-wrong", "driver-missing", "no-journal", "schema-other".
    """
    place = place_of(address)
    hint = "Check the address"
    if place.file is not None and not place.file.is_file():
        raise StoreError("no-journal", f"there is no file {place.file}", hint)
    with ExitStack() as held:
        engine = reading_engine(place)
        held.callback(engine.dispose)
        reader = Reader(engine, place)
        with reader.asking() as connection:
            found = present(connection)
        if not found:
            raise StoreError("no-journal", f"{place} holds no journal", hint)
        if found != NEWEST:
            raise StoreError(
                "schema-other",
                f"{place} has schema {found}, this version reads {NEWEST}",
                "Let the supervisor of this version open it once, or use the version that wrote it",
            )
        return Archive(reader, head_keeper_of(place, "power-safe", head_file), held.pop_all())


def head_keeper_of(
    place: Place, durability: Durability, path: Path | None, seal: Seal | None = None
) -> HeadFile | None:
    """Who keeps the head of a store in a second file; None where nobody does."""
    if durability == "process-safe":
        return None
    if path is None and place.file is not None:
        path = place.file.with_name(place.file.name + ".head")
    return HeadFile(path, seal=seal) if path is not None else None


def _take_fence(writer: Writer) -> int:
    taken: list[int] = []

    def work(connection: Connection) -> None:
        grown = update(META).values(fence=META.c.fence + 1, standing="driving")
        taken.append(connection.execute(grown.returning(META.c.fence)).scalar_one())

    writer.run(work)
    return taken[-1]

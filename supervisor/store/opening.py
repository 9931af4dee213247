"""The front door of the store.

Rules of this file:
- ``open_store`` takes the cell: it locks, migrates, grows the fence, and refuses a journal that ends short of a head known elsewhere.
- ``Standby`` waits until nobody drives the cell, and then does the same. What decides between two is one conditional change of the lease.
- ``open_archive`` only reads, also while a supervisor drives the cell, or from a copy.
- Whoever opens closes; both are context managers.
"""

import logging
import time
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, ExitStack
from pathlib import Path
from types import TracebackType
from typing import Self

from sqlalchemy import Connection

from supervisor.cell.value import value
from supervisor.shell.ports import S
from supervisor.store.chain import Known, VerifyReport
from supervisor.store.database import Durability, Place, place_of, reading_engine, writing_engine
from supervisor.store.declarations import Declarations, WritableDeclarations
from supervisor.store.errors import StoreError, StoreRefused, cell_taken
from supervisor.store.head_file import HeadFile
from supervisor.store.head_note import HeadNote, Seal, note_of
from supervisor.store.journal import JournalReader, SqlJournal
from supervisor.store.lease import LENGTH_S, LOOKS_PER_LEASE, Lease, Seen, Watch, seen_in, take
from supervisor.store.lock import replace_lock, take_lock
from supervisor.store.migration import NEWEST, migrate, present
from supervisor.store.reader import Reader
from supervisor.store.records import Records
from supervisor.store.snapshots import SqlSnapshots
from supervisor.store.verification import check_end, verify_store
from supervisor.store.writer import Taking, Writer

log = logging.getLogger(__name__)


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

    def driver(self) -> Seen:
        """Who drives the cell, and whether it is awake.

        Raises:
            StoreRefused: the database does not answer.
        """
        return _ask_lease(self._reader)

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
        lease: Lease,
        reader: Reader,
        head_file: HeadFile | None,
        held: ExitStack,
    ) -> None:
        """Made by ``open_store``."""
        super().__init__(reader, head_file, held)
        self.fence = journal.fence
        self.lease = lease
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

    def keeps_head_elsewhere(self) -> bool:
        """Whether the head is kept in a second file."""
        return self._head_file is not None

    def keep_up_head_file(self) -> None:
        """Write the newest head into the second file, if it is not there. Call it every ``head_file.EVERY_S``, from any thread."""
        if self._head_file is not None:
            self._head_file.keep_up()


@value
class Opening:
    """How a store is opened. The fence becomes larger than ``fence_above`` and than any before; ``check`` looks at the journal's end."""

    place: Place
    durability: Durability
    keeper: HeadFile | None
    check: Callable[[JournalReader], None]
    lease_s: float = LENGTH_S
    fence_above: int = 0


def open_store(  # noqa: PLR0913 - options, all of them with a default
    address: str,
    *,
    durability: Durability = "power-safe",
    head_file: Path | None = None,
    seal: Seal | None = None,
    heads: Sequence[Known] = (),
    lease_s: float = LENGTH_S,
    fence_above: int = 0,
) -> Store:
    """Take the cell whose store is at ``address``; a new database is made where there is none.

    Returns at once where the last driver has ended or is proven dead. Where that cannot be told (it ran on another machine), waits
    until its lease has run out.

    A power-safe SQLite store keeps its head in ``<database>.head`` unless ``head_file`` names another place, at best on another
    disk. A store on a server keeps it only where ``head_file`` says so; a process-safe one never: a power cut may leave it behind.
    ``seal`` signs the head that is kept. A journal that lacks one of ``heads`` is refused.

    Raises:
        StoreError: "address-wrong", "driver-missing", "cell-taken", "database-unreachable", "no-write-ahead-log",
            "database-newer", "journal-cut", "journal-changed".
    """
    keeper = head_keeper_of(place_of(address), durability, head_file, seal)
    return _open(
        Opening(
            place=place_of(address),
            durability=durability,
            keeper=keeper,
            check=lambda journal: check_end(journal, keeper, heads),
            lease_s=lease_s,
            fence_above=fence_above,
        )
    )


def open_checked(
    place: Place,
    durability: Durability,
    head_keeper: HeadFile | None,
    check: Callable[[JournalReader], None],
) -> Store:
    """Take a cell if ``check`` does not raise. For those of this room who look at the end in their own way."""
    return _open(Opening(place=place, durability=durability, keeper=head_keeper, check=check))


def _open(opening: Opening) -> Store:
    place = opening.place
    with ExitStack() as held:
        if place.file is not None:
            held.callback(take_lock(place.file).release)
        writer = _writer(opening, "free", held)
        seen = _free_soon(Reader(writer.engine, place))
        return _taken(opening, writer, seen, held)


class Standby:
    """Waits for a cell that somebody drives. ``look`` may take seconds and is called from one thread at a time."""

    def __init__(  # noqa: PLR0913 - options, all of them with a default
        self,
        address: str,
        *,
        durability: Durability = "power-safe",
        head_file: Path | None = None,
        seal: Seal | None = None,
        heads: Sequence[Known] = (),
        lease_s: float = LENGTH_S,
        fence_above: int = 0,
    ) -> None:
        """Stand by for the cell whose store is at ``address``; the options are those of ``open_store``.

        Raises:
            StoreError: "address-wrong".
        """
        keeper = head_keeper_of(place_of(address), durability, head_file, seal)
        self._address = address
        self._opening = Opening(
            place=place_of(address),
            durability=durability,
            keeper=keeper,
            check=lambda journal: check_end(journal, keeper, heads),
            lease_s=lease_s,
            fence_above=fence_above,
        )
        self._watch = Watch()
        self._archive: Archive | None = None
        self.pause_s = lease_s / LOOKS_PER_LEASE
        self.driver = ""

    def look(self) -> Store | None:
        """The store, as soon as nobody drives the cell any more; None while somebody does.

        Raises:
            StoreError: the store cannot be used; see ``open_store``.
        """
        try:
            seen = self._seen()
            if seen is None:
                return _open(self._opening)  # only its lock can tell
            self.driver = f"{seen.holder}"
            self.pause_s = seen.length_s / LOOKS_PER_LEASE
            return self._take_over(seen) if self._watch.free(seen) else None
        except StoreRefused:
            self._watch.lost()
            self.close()
            return None
        except StoreError as error:
            if error.code == "cell-taken":
                return None
            raise

    def close(self) -> None:
        """Stand by no longer."""
        if self._archive is not None:
            self._archive.close()
            self._archive = None

    def _seen(self) -> Seen | None:
        """The lease; None where there is no database yet, or one of an older version."""
        if self._archive is None:
            try:
                self._archive = open_archive(self._address)
            except StoreError as error:
                if error.code in ("no-journal", "schema-other"):
                    return None
                raise
        return self._archive.driver()

    def _take_over(self, seen: Seen) -> Store:
        place = self._opening.place
        with ExitStack() as held:
            lock = held.enter_context(ExitStack())  # let go of after everything else
            free = place.file is None or _lock_if_free(place.file, lock)
            try:
                writer = _writer(self._opening, "from another", held)
                store = _taken(self._opening, writer, seen, held)
            except StoreRefused as refused:
                if _is_locked(refused):
                    # Frozen amid a write: its lease is over, but the file stays locked as long as it exists.
                    log.warning(
                        "%s holds %s locked although its lease ran out: it is killed",
                        seen.holder,
                        place,
                    )
                    seen.holder.kill()
                raise
            if place.file is not None and not free:
                lock.callback(replace_lock(place.file).release)
            self.close()
            return store


def _lock_if_free(file: Path, held: ExitStack) -> bool:
    try:
        held.callback(take_lock(file).release)
    except StoreError as error:
        if error.code != "cell-taken":
            raise
        return False
    return True


def _is_locked(refused: StoreRefused) -> bool:
    """Whether somebody else kept SQLite from writing for longer than it waits."""
    cause: object = getattr(refused.__cause__, "orig", refused.__cause__)
    return getattr(cause, "sqlite_errorname", "") == "SQLITE_BUSY"


def _free_soon(reader: Reader) -> Seen:
    """Wait until the last driver's lease is over, for no longer than that.

    Raises:
        StoreError: "cell-taken": it renews it.
    """
    watch, first = Watch(), _ask_lease(reader)
    seen = first
    while not watch.free(seen):
        if (seen.fence, seen.beat) != (first.fence, first.beat):
            raise cell_taken(f"{reader.place} is driven by {seen.holder}")
        time.sleep(seen.length_s / LOOKS_PER_LEASE)
        seen = _ask_lease(reader)
    return seen


def _ask_lease(reader: Reader) -> Seen:
    with reader.asking() as connection:
        return seen_in(connection)


def _writer(opening: Opening, taking: Taking, held: ExitStack) -> Writer:
    """A writer on a database of the present schema."""
    engine = writing_engine(opening.place, opening.durability)
    held.callback(engine.dispose)
    writer = Writer(engine, opening.place, taking)
    held.callback(writer.drop)
    writer.run(migrate)
    return writer


def _taken(opening: Opening, writer: Writer, seen: Seen, held: ExitStack) -> Store:
    """The store, taken from whoever was seen to drive it last."""
    place = opening.place
    reader = Reader(writer.engine, place)
    opening.check(JournalReader(reader))
    fence = _take_fence(writer, seen, opening)
    lease = Lease(place, fence=fence, length_s=opening.lease_s)
    held.callback(lease.close)
    journal = SqlJournal(reader, writer, fence=fence, head_file=opening.keeper)
    held.callback(journal.end)
    return Store(journal, writer, lease, reader, opening.keeper, held.pop_all())


SQLITE_BEGINS = b"SQLite format 3\0"
"""What a database begins with (https://www.sqlite.org/fileformat.html, 1.3.1)."""


def _may_be_a_database(file: Path) -> bool:
    """Whether a file begins as a database does, or is empty, as one is before anything is written."""
    try:
        with file.open("rb") as opened:
            begins = opened.read(len(SQLITE_BEGINS))
    except OSError:
        return True  # the database itself says why it cannot be read
    return begins in (b"", SQLITE_BEGINS)


def open_archive(address: str, *, head_file: Path | None = None) -> Archive:
    """Read the store at ``address``.

    Raises:
        StoreError: "address-wrong", "driver-missing", "no-journal", "schema-other".
    """
    place = place_of(address)
    hint = "Name the database that `pointsman serve` writes: a file, sqlite:///FILE or postgresql://USER@HOST/DATABASE"
    if place.file is not None and not place.file.is_file():
        raise StoreError("no-journal", f"there is no file {place.file}", hint)
    if place.file is not None and not _may_be_a_database(place.file):
        raise StoreError("no-journal", f"{place.file} is no SQLite database", hint)
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


def _take_fence(writer: Writer, seen: Seen, opening: Opening) -> int:
    taken: list[int] = []

    def work(connection: Connection) -> None:
        taken.append(
            take(connection, seen, length_s=opening.lease_s, fence_above=opening.fence_above)
        )

    writer.run(work)
    return taken[-1]

"""Where the database is, and how it is reached.

Rules of this file:
- SQLite is the embedded default: one file, write-ahead log. PostgreSQL by address, with the synchronous driver: the writer is a thread.
- "power-safe" survives a power cut: nothing committed is lost. "process-safe" survives the end of the process; a power cut may
  take the last commits. The journal of a real cell is power-safe.
- The two databases differ in the statements of ``Dialect`` and nowhere else.
"""

from pathlib import Path
from typing import Literal

from sqlalchemy import URL, Engine, create_engine, event, make_url
from sqlalchemy.engine.interfaces import DBAPIConnection
from sqlalchemy.exc import ArgumentError

from supervisor.cell.value import value
from supervisor.store.errors import StoreError

Durability = Literal["power-safe", "process-safe"]

BUSY_MS_MAX = 5_000
CONNECT_S_MAX = 5
DEAD_PEER_MS_MAX = 10_000

# One statement that inserts nothing once somebody else has grown the fence.
_ENTRY = (
    "INSERT INTO journal (seq, at_ms, schema, kind, body, prev, hash)"
    " SELECT {0}, {0}, {0}, {0}, {0}, {0}, {0} WHERE (SELECT fence FROM meta) = {0}"
)


@value
class Dialect:
    """The statements of the hot path in one database's words."""

    begin: str
    begin_reading: str
    insert_entry: str


DIALECTS = {
    "sqlite": Dialect(
        begin="BEGIN IMMEDIATE",
        begin_reading="BEGIN",  # with a write-ahead log a transaction sees one moment from its first question on
        insert_entry=_ENTRY.format("?"),
    ),
    "postgresql": Dialect(
        begin="BEGIN",
        begin_reading="BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY",
        insert_entry=_ENTRY.format("%s"),
    ),
}


@value
class Place:
    """Where a store is. ``file`` is the database file of SQLite, None for a server."""

    url: URL
    file: Path | None

    def __str__(self) -> str:
        """For people; without the password."""
        return str(self.file) if self.file else self.url.render_as_string(hide_password=True)


def place_of(text: str) -> Place:
    """Where an address (``sqlite:///cell.db``, ``postgresql://...``) or a plain file name leads.

    Raises:
        StoreError: "address-wrong".
    """
    hint = "Give a file name, sqlite:///FILE or postgresql://USER@HOST/DATABASE"
    if "://" not in text:
        file = Path(text)
        return Place(url=URL.create("sqlite", database=str(file)), file=file)
    try:
        url = make_url(text)
    except (ArgumentError, ValueError) as error:
        raise StoreError("address-wrong", f"{text} is no database address", hint) from error
    if url.drivername == "sqlite" and url.database not in (None, "", ":memory:"):
        return Place(url=url, file=Path(str(url.database)))
    if url.get_backend_name() == "postgresql" and url.database:
        return Place(url=url.set(drivername="postgresql+psycopg"), file=None)
    seen = f"{url.render_as_string(hide_password=True)} is no address of a store"
    raise StoreError("address-wrong", seen, hint)


def writing_engine(place: Place, durability: Durability) -> Engine:
    """An engine whose every connection keeps the promise of ``durability``.

    Raises:
        StoreError: "driver-missing".
    """
    if place.file is not None:
        synchronous = "FULL" if durability == "power-safe" else "NORMAL"
        return _sqlite_engine(
            place,
            "PRAGMA journal_mode = WAL",
            f"PRAGMA synchronous = {synchronous}",
            "PRAGMA foreign_keys = ON",
        )
    return _postgres_engine(
        place, f"-c synchronous_commit={'on' if durability == 'power-safe' else 'off'}"
    )


def reading_engine(place: Place) -> Engine:
    """An engine that cannot change anything.

    Raises:
        StoreError: "driver-missing".
    """
    if place.file is not None:
        return _sqlite_engine(place, "PRAGMA query_only = ON")
    return _postgres_engine(place, "-c default_transaction_read_only=on")


def _sqlite_engine(place: Place, *pragmas: str) -> Engine:
    arguments = {"check_same_thread": False, "timeout": BUSY_MS_MAX / 1000}
    engine = create_engine(place.url, connect_args=arguments)

    def prepare(connection: DBAPIConnection, _record: object) -> None:
        cursor = connection.cursor()
        for pragma in pragmas:
            cursor.execute(pragma)
        cursor.close()

    event.listen(engine, "connect", prepare)
    return engine


def _postgres_engine(place: Place, options: str) -> Engine:
    arguments = {
        "connect_timeout": CONNECT_S_MAX,
        "tcp_user_timeout": DEAD_PEER_MS_MAX,
        "options": options,
    }
    try:
        return create_engine(place.url, connect_args=arguments, pool_pre_ping=True)
    except ModuleNotFoundError as error:
        raise StoreError(
            "driver-missing",
            f"{place} needs the PostgreSQL driver, which is not installed",
            "Install pointsman with the extra 'postgres'",
        ) from error

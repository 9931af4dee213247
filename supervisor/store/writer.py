"""The one writing connection of the store.

Rules of this file:
- One transaction at a time, from one thread at a time: all of it or nothing.
- On PostgreSQL the connection holds an advisory lock: whoever has it knows that no transaction of another supervisor is under way.
- After any trouble the connection is thrown away and the next transaction begins on a fresh one.
"""

from collections.abc import Callable
from contextlib import suppress
from typing import Any, Literal

from sqlalchemy import Connection, Engine, text
from sqlalchemy.exc import SQLAlchemyError

from supervisor.store.database import DIALECTS, Place
from supervisor.store.errors import StoreError, StoreRefused, cell_taken

# A number that nobody else uses for an advisory lock in a database of ours: "pointsmn" in ASCII.
LOCK_KEY = int.from_bytes(b"pointsmn", "big")
GONE_MS_MAX = 5_000

# The view pg_locks shows a 64-bit key as two halves and objsubid 1 (PostgreSQL manual, "pg_locks").
_CUT_OFF = text(
    "SELECT pg_terminate_backend(pid, :ms) FROM pg_locks WHERE locktype = 'advisory' AND granted AND objsubid = 1"
    " AND classid = CAST(:high AS bigint) AND objid = CAST(:low AS bigint)"
    " AND database = (SELECT oid FROM pg_database WHERE datname = current_database())"
)

Taking = Literal["free", "from another"]


class Writer:
    """Runs transactions on the connection that drives the cell."""

    def __init__(self, engine: Engine, place: Place, taking: Taking = "free") -> None:
        """Connect and, on PostgreSQL, lock. "from another": whose lease has run out; what it has begun is undone and it is cut off.

        Raises:
            StoreError: "database-unreachable" or "cell-taken".
        """
        self.place = place
        self.dialect = DIALECTS[engine.dialect.name]
        self._engine = engine
        self._driver_error: type[Exception] = engine.dialect.loaded_dbapi.Error
        self._errors = (SQLAlchemyError, self._driver_error)
        self._integrity_error: type[Exception] = engine.dialect.loaded_dbapi.IntegrityError
        self._connection: Connection | None = None
        self.cursor: Any = None
        try:
            if taking == "from another" and self._engine.dialect.name == "postgresql":
                self._cut_off()
            self._connect()
        except self._errors as error:
            self.drop()
            raise StoreError(
                "database-unreachable",
                f"{place} cannot be opened: {_said(error)}",
                "Check that the address is right, that the folder exists and may be written, and that the server runs",
            ) from error

    @property
    def engine(self) -> Engine:
        """What makes connections that write."""
        return self._engine

    def run(self, work: Callable[[Connection], None]) -> None:
        """Do ``work`` in one transaction. ``cursor`` is the driver's cursor of the same connection.

        Raises:
            StoreRefused: the transaction failed or its outcome is not known; it may be tried again.
            StoreError: whatever ``work`` raises, "entry-foreign" for a row that was there already.
        """
        try:
            connection = self._connection or self._reconnect()
            self.cursor.execute(self.dialect.begin)
            work(connection)
            self.cursor.execute("COMMIT")
        except self._errors as error:
            raise self._trouble(error) from error
        except BaseException:
            self.drop()
            raise

    def run_one(self, statement: str, parameters: tuple[object, ...]) -> int:
        """Carry out one statement, which is a transaction by itself; how many rows it touched. Raises as ``run`` does."""
        try:
            if self._connection is None:
                self._reconnect()
            return self.cursor.execute(statement, parameters).rowcount
        except self._errors as error:
            raise self._trouble(error) from error

    def _trouble(self, error: Exception) -> StoreError:
        """Throw the connection away and say what happened."""
        self.drop()
        if isinstance(error, self._integrity_error):
            return StoreError(
                "entry-foreign",
                f"{self.place} holds a row that this supervisor did not write: {_said(error)}",
                "Stop whatever else writes into this database, verify the journal, then start again",
            )
        return StoreRefused(
            "journal-refused",
            f"{self.place} did not take a write: {_said(error)}",
            "Make room on its disk or bring the database back; the cell waits and goes on by itself",
        )

    def drop(self) -> None:
        """Throw the connection away; an open transaction is undone and an advisory lock is gone."""
        connection, self._connection = self._connection, None
        cursor, self.cursor = self.cursor, None
        if cursor is not None:
            # Closing alone is not enough: SQLite keeps the transaction open as long as anybody holds a statement of it.
            with suppress(self._driver_error):
                cursor.execute("ROLLBACK")
            with suppress(self._driver_error):
                cursor.close()
        if connection is not None:
            with suppress(*self._errors):
                connection.invalidate()
            connection.close()

    def _connect(self) -> Connection:
        # ``run`` says BEGIN and COMMIT. The driver must not (AUTOCOMMIT), nor must SQLAlchemy or alembic, who both keep to a
        # transaction that they are told is under way.
        connection = self._engine.connect().execution_options(isolation_level="AUTOCOMMIT")
        connection.begin()
        self._connection = connection
        driver: Any = connection.connection.driver_connection
        self.cursor = driver.cursor()
        if self._engine.dialect.name == "postgresql":
            self._lock(connection)
        else:
            self._check_log()
        return connection

    def _check_log(self) -> None:
        found = self.cursor.execute("PRAGMA journal_mode").fetchone()
        if found != ("wal",):
            raise StoreError(
                "no-write-ahead-log",
                f"{self.place} cannot have a write-ahead log, SQLite chose {found[0]}",
                "Put the database on a local disk of this machine",
            )

    def _reconnect(self) -> Connection:
        try:
            return self._connect()
        except StoreError as error:
            # The server may not have noticed yet that our old connection is gone. Whoever really took the cell grew the fence.
            raise StoreRefused(error.code, error.seen, error.hint) from error

    def _cut_off(self) -> None:
        """End the session that holds the advisory lock, and wait until it is gone with all that it had under way."""
        with self._engine.connect() as connection:
            connection.execute(
                _CUT_OFF, {"high": LOCK_KEY >> 32, "low": LOCK_KEY & 0xFFFFFFFF, "ms": GONE_MS_MAX}
            )

    def _lock(self, connection: Connection) -> None:
        taken = connection.execute(text("SELECT pg_try_advisory_lock(:key)"), {"key": LOCK_KEY})
        if not taken.scalar_one():
            self.drop()
            raise cell_taken(f"{self.place} is driven by another supervisor")


def _said(error: Exception) -> str:
    return str(getattr(error, "orig", None) or error).strip().replace("\n", " ")

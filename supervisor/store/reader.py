"""Reading connections of the store.

Rules of this file:
- Any thread may read, while the journal is written; a reader never waits for the writer and never holds it up.
- What is asked of a ``standing_still`` reader is answered from one moment, however long the questions take.
"""

from collections.abc import Generator
from contextlib import contextmanager

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import SQLAlchemyError

from supervisor.store.database import DIALECTS, Place
from supervisor.store.errors import StoreRefused


class Reader:
    """Hands out connections for short questions."""

    def __init__(self, engine: Engine, place: Place) -> None:
        self.place = place
        self._engine = engine

    @contextmanager
    def asking(self) -> Generator[Connection]:
        """A connection for a question.

        Raises:
            StoreRefused: "database-unreachable".
        """
        try:
            with self._engine.connect() as connection:
                yield connection
        except SQLAlchemyError as error:
            raise StoreRefused(
                "database-unreachable",
                f"{self.place} does not answer: {getattr(error, 'orig', None) or error}",
                "Check the database; ask again",
            ) from error

    @contextmanager
    def standing_still(self) -> Generator["Reader"]:
        """A reader of one moment, for one thread. While it stands, the database keeps what it may still ask for."""
        with self.asking() as asked:
            # The driver would begin a transaction in its own time; AUTOCOMMIT leaves that to the statements here.
            connection = asked.execution_options(isolation_level="AUTOCOMMIT")
            connection.exec_driver_sql(DIALECTS[self._engine.dialect.name].begin_reading)
            try:
                yield _StillReader(self._engine, self.place, connection)
            finally:
                connection.exec_driver_sql("ROLLBACK")


class _StillReader(Reader):
    """Asks everything over one connection, whose transaction sees one moment."""

    def __init__(self, engine: Engine, place: Place, connection: Connection) -> None:
        super().__init__(engine, place)
        self._connection = connection

    @contextmanager
    def asking(self) -> Generator[Connection]:
        """The one connection."""
        yield self._connection

"""Reading connections of the store.

Rules of this file: any thread may read, while the journal is written; a reader never waits for the writer and never holds it up.
"""

from collections.abc import Generator
from contextlib import contextmanager

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import SQLAlchemyError

from supervisor.store.database import Place
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

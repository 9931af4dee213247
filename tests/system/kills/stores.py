"""The stores that a sweep runs on: SQLite in the run's own folder, and a PostgreSQL server of our own."""

import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.integration.store.conftest import PostgresServer

STORES = ("sqlite", "postgresql")


class ProgramsMissing(Exception):  # noqa: N818 - it says what is missing
    """The PostgreSQL server programs are not on this machine."""


@contextmanager
def address_of(store: str) -> Iterator[Callable[[], str] | None]:
    """What gives an empty database for each cell of a sweep; None where each run folder has its own.

    Raises:
        ProgramsMissing: there is no PostgreSQL on this machine.
    """
    if store == "sqlite":
        yield None
        return
    programs = sorted(
        (path.parent for path in Path("/usr/lib/postgresql").glob("*/bin/initdb")),
        key=lambda folder: int(folder.parent.name),
    )
    if not programs:
        raise ProgramsMissing("needs the PostgreSQL server programs: apt-get install postgresql")
    with tempfile.TemporaryDirectory(prefix="pg-") as folder:
        server = PostgresServer(programs[-1], Path(folder))
        try:
            yield server.emptied
        finally:
            server.stop()

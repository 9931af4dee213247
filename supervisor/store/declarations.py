"""Cell declarations by their digest, kept beside the journal so that it can be replayed with nothing else.

Rules of this file: a declaration is kept before the first entry that names it, and never changed.
"""

from sqlalchemy import Connection, insert, select

from supervisor.cell.canonical import cell_from_json
from supervisor.store.errors import StoreError
from supervisor.store.reader import Reader
from supervisor.store.schema import DECLARATION
from supervisor.store.writer import Writer


def fits(digest: str, text: str) -> bool:
    """Whether a declaration is the one that its digest names."""
    try:
        return cell_from_json(text).digest == digest
    except ValueError:  # msgspec's errors are ValueErrors
        return False


class Declarations:
    """Reads declarations."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    def text(self, digest: str) -> str:
        """The text of a declaration.

        Raises:
            StoreError: "declaration-unknown".
        """
        question = select(DECLARATION.c.body).where(DECLARATION.c.digest == digest)
        with self._reader.asking() as connection:
            found = connection.execute(question).scalar()
        if found is None:
            raise StoreError(
                "declaration-unknown",
                f"{self._reader.place} has no cell declaration with digest {digest}",
                "Restore the database from a whole backup",
            )
        return found

    def digests(self) -> tuple[str, ...]:
        """All that are kept, sorted."""
        question = select(DECLARATION.c.digest).order_by(DECLARATION.c.digest)
        with self._reader.asking() as connection:
            return tuple(connection.execute(question).scalars())


class WritableDeclarations(Declarations):
    """Reads and keeps declarations."""

    def __init__(self, reader: Reader, writer: Writer) -> None:
        super().__init__(reader)
        self._writer = writer

    def keep(self, digest: str, text: str) -> None:
        """Keep a declaration; one that is there already stays as it is.

        Raises:
            StoreRefused: the database did not take it.
        """

        def work(connection: Connection) -> None:
            same = select(DECLARATION.c.digest).where(DECLARATION.c.digest == digest)
            if connection.execute(same).scalar() is None:
                connection.execute(insert(DECLARATION).values(digest=digest, body=text))

        self._writer.run(work)

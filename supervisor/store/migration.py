"""Bringing a database to the present schema.

Rules of this file:
- Every opening for driving migrates first; reading never does.
- A migration is one transaction, on SQLite as well: after a crash in its middle the database is as before.
- alembic is loaded only where there is something to do: it costs 10 MB that a supervisor would carry for months.
"""

from sqlalchemy import Connection, inspect, text

from supervisor.store.errors import StoreError

NEWEST = "0004"
"""The last file in ``migrations/versions``; a test compares."""


def migrate(connection: Connection) -> None:
    """Run what is missing, inside the transaction that the caller has begun.

    Raises:
        StoreError: "database-newer".
    """
    found = present(connection)
    if found == NEWEST:
        return
    if found > NEWEST:
        raise StoreError(
            "database-newer",
            f"the database has schema {found}, this version knows up to {NEWEST}",
            "Use the version that wrote it, or restore a backup from before",
        )
    from alembic import command  # noqa: PLC0415 - see the rules above
    from alembic.config import Config  # noqa: PLC0415

    config = Config()
    config.set_main_option("script_location", "supervisor.store:migrations")
    config.attributes["connection"] = connection
    command.upgrade(config, "head")


def present(connection: Connection) -> str:
    """The number of a database's schema; "" for an empty one."""
    if not inspect(connection).has_table("alembic_version"):
        return ""
    return str(connection.execute(text("SELECT version_num FROM alembic_version")).scalar_one())

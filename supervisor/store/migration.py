"""Bringing a database to the present schema.

Rules of this file:
- Every opening for driving migrates first; reading never does.
- A migration is one transaction, on SQLite as well: after a crash in its middle the database is as before.
"""

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", "supervisor.store:migrations")
    return config


def migrate(connection: Connection) -> None:
    """Run what is missing, inside the transaction that the caller has begun."""
    config = _config()
    config.attributes["connection"] = connection
    command.upgrade(config, "head")


def newest() -> str:
    """The revision of the present schema."""
    return str(ScriptDirectory.from_config(_config()).get_current_head())


def present(connection: Connection) -> str:
    """The revision of a database; "" for an empty one."""
    return MigrationContext.configure(connection).get_current_revision() or ""

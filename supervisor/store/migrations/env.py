"""How alembic reaches the database: over the connection of whoever opens the store."""

from alembic import context

context.configure(connection=context.config.attributes["connection"])
context.run_migrations()

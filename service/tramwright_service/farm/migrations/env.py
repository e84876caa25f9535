"""Where alembic begins: it migrates over the connection that `schema.py` gives it, inside that transaction."""

from alembic import context

context.configure(connection=context.config.attributes["connection"])
context.run_migrations()

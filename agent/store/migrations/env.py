"""What Alembic runs: the steps on the connection, and in the transaction, that ``agent.store.schema`` gives it."""

from __future__ import annotations

from alembic import context

from agent.store.schema import VERSION_TABLE
from agent.store.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    version_table=VERSION_TABLE,
)
context.run_migrations()

"""What alembic runs: the migrations, in the transaction that is open already."""

from __future__ import annotations

from alembic import context

from audit.register.schema import METADATA, VERSION_TABLE

context.configure(
    connection=context.config.attributes["connection"], target_metadata=METADATA, version_table=VERSION_TABLE
)
context.run_migrations()

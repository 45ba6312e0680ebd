"""Bringing the tables of a register up to this version, where they are behind."""

from __future__ import annotations

import sqlalchemy as sa

from audit.errors import AuditError
from audit.register.schema import HEAD, METADATA, VERSION_TABLE


def revision_of(connection: sa.Connection, name: str) -> str | None:
    """The revision of a register, None where the database is empty. AuditError where it holds something else."""
    tables = set(sa.inspect(connection).get_table_names())
    if VERSION_TABLE in tables:
        found: str | None = connection.execute(sa.text(f"SELECT version_num FROM {VERSION_TABLE}")).scalar()
        return found
    if tables & set(METADATA.tables) or (tables and connection.dialect.name == "sqlite"):
        raise AuditError(f"{name} is a database, but no register: say another place with --register")
    return None


def migrate(connection: sa.Connection, name: str, writing: bool = True) -> None:
    """Make or bring up the tables, in the transaction that is open. AuditError where a later version made them."""
    found = revision_of(connection, name)
    if found == HEAD:
        return
    if found is not None and found > HEAD:
        raise AuditError(
            f"{name} was written by a later version of this program (its tables are {found}, known are those up to "
            f"{HEAD}): use that version"
        )
    if not writing:
        state = "was written by an earlier version; the next check brings it up" if found else "has no run yet"
        raise AuditError(f"{name} {state}")
    upgrade(connection, HEAD)


def upgrade(connection: sa.Connection, revision: str) -> None:
    """Run the migrations up to a revision."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", "audit.register:migrations")
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    command.upgrade(config, revision)

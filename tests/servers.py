"""Statements that tests run on a PostgreSQL server."""

from __future__ import annotations


def run_on_server(url: str, statement: str) -> None:
    """Run one statement outside any transaction."""
    import sqlalchemy as sa

    there = sa.make_url(url).set(drivername="postgresql+psycopg")
    engine = sa.create_engine(there, isolation_level="AUTOCOMMIT", poolclass=sa.pool.NullPool)
    with engine.connect() as connection:
        connection.exec_driver_sql(statement)

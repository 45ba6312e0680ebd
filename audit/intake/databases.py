"""Databases as exports: SQLite and PostgreSQL, only ever read, in one snapshot, streamed.

A URL holds a password perhaps. Neither it nor a message that may repeat it is ever shown.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import quote

import pyarrow as pa

from audit.errors import AuditError, said_by
from audit.intake.canonical_text import Piece, canonical_text, joined
from audit.intake.cells import Cells, Grid, canonical_names, match_columns
from audit.intake.export import InputFile
from audit.intake.location import BY_A_MAPPING, location_name
from audit.intake.refusing import refusing
from audit.intake.tables import TABLES, Column, Table
from audit.yaml.faults import did_you_mean

if TYPE_CHECKING:
    import sqlalchemy

_KINDS: Final = ("sqlite", "postgresql", "postgresql+psycopg")
_BLOCK: Final = 20_000

Choose = Callable[[Sequence[str]], Mapping[str, Any]]


@dataclass(frozen=True)
class Database:
    """An open database: what it is called, its tables and views, and the one connection, used by one at a time."""

    name: str
    tables: tuple[str, ...]
    connection: sqlalchemy.Connection
    secrets: tuple[str, ...]
    lock: Lock

    def canonical_tables(self) -> dict[str, str]:
        """Canonical table -> the table or view of that name, in the order of `TABLES`."""
        found: dict[str, str] = {}
        for name in self.tables:
            known = name.lower()
            if known in found:
                raise AuditError(f"{self.name} has the tables {found[known]} and {name}; leave one")
            if known in TABLES:
                found[known] = name
        if "tasks" not in found:
            raise AuditError(f"{self.name} has no table called tasks; {BY_A_MAPPING}")
        return {name: found[name] for name in TABLES if name in found}

    def read_table(self, name: str, choose: Choose, at_most: int | None = None) -> Grid:
        """The columns that `choose` picks of a table, in the order of its key, or of all that is read of it.

        `at_most` limits the rows.
        """
        if name not in self.tables:
            raise AuditError(f"{self.name} has no table `{name}`{did_you_mean(name, self.tables)}")
        import sqlalchemy

        with self.refusing(), self.lock:
            schema, _, plain = name.rpartition(".")
            inspector = sqlalchemy.inspect(self.connection)
            header = [str(column["name"]) for column in inspector.get_columns(plain, schema=schema or None)]
            key = [
                str(each) for each in inspector.get_pk_constraint(plain, schema=schema or None)["constrained_columns"]
            ]
            chosen = choose(header)
            quoted = self.connection.dialect.identifier_preparer.quote_identifier
            columns = ", ".join(map(quoted, chosen))
            order = ", ".join(map(quoted, key or chosen))
            source = ".".join(quoted(part) for part in (schema, plain) if part)
            query = f"SELECT {columns} FROM {source} ORDER BY {order}"
            limited = query if at_most is None else f"{query} LIMIT {at_most}"
            return self._read(f"table {name}", limited, lambda _: chosen)

    def read_query(self, query: str, name: str, choose: Choose) -> Grid:
        """The columns that `choose` picks of what a query gives, in its order."""
        with self.refusing(), self.lock:
            return self._read(name, query, choose)

    def _read(self, name: str, query: str, choose: Choose) -> Grid:
        import sqlalchemy

        statement = sqlalchemy.text(query.replace("\\", "\\\\").replace(":", "\\:"))
        rows = self.connection.execution_options(stream_results=True, yield_per=_BLOCK).execute(statement)
        header = list(rows.keys())
        chosen = choose(header)
        digest, size, count = hashlib.sha256(), 0, 0
        pieces: dict[str, list[Piece]] = {each: [] for each in chosen}
        for block in rows.partitions():
            columns = list(zip(*block, strict=True))
            count += len(block)
            for each in chosen:
                text, typed = canonical_text(columns[header.index(each)])
                pieces[each].append((text, typed))
                for part in (text.is_valid().cast(pa.uint8()), text.fill_null("")):
                    for buffer in part.buffers():
                        if buffer is not None:
                            digest.update(buffer)
                            size += buffer.size
        cells = {each: joined(parts) for each, parts in pieces.items()}
        return Grid(
            file=name,
            columns={each: text for each, (text, _) in cells.items()},
            rows=count,
            lines_of=lambda records: records + 1,
            source=InputFile(name, digest.hexdigest(), size),
            typed={each: typed for each, (_, typed) in cells.items() if typed is not None},
        )

    @contextmanager
    def refusing(self) -> Iterator[None]:
        """Turn what the database, its driver or SQLAlchemy raises into one sentence without secrets."""
        with refusing(self.name, told=lambda error: _harmless(error, self.secrets)):
            yield


@contextmanager
def open_database(url: str) -> Iterator[Database]:
    """Open a database for reading. AuditError, which never shows the URL, if that can't be done."""
    import sqlalchemy
    from sqlalchemy.exc import SQLAlchemyError

    try:
        parsed = sqlalchemy.make_url(url)
    except (SQLAlchemyError, ValueError):
        parsed = None
    if parsed is None or parsed.drivername not in _KINDS or not parsed.database:
        raise AuditError("this database URL can't be read; expected sqlite:///FILE or postgresql://USER@HOST/DATABASE")
    values = [value for each in parsed.query.values() for value in ((each,) if isinstance(each, str) else each)]
    secrets = tuple(str(each) for each in (url, parsed.password, *values) if each)
    kind = "SQLite" if parsed.drivername == "sqlite" else "PostgreSQL"
    name = f"{kind} database {location_name(url)}"
    engine = _sqlite(Path(parsed.database), name) if kind == "SQLite" else _postgresql(parsed)
    with ExitStack() as opened:
        opened.callback(engine.dispose)
        with refusing(name, told=lambda error: _harmless(error, secrets)):
            connection = opened.enter_context(engine.connect())
            tables = _tables(connection)
        yield Database(name, tables, connection, secrets, Lock())


def _sqlite(path: Path, name: str) -> sqlalchemy.Engine:
    import sqlalchemy

    if not path.is_file():
        raise AuditError(f"{name}: there is no such file")

    def connect() -> sqlite3.Connection:
        opened = sqlite3.connect(f"file:{quote(str(path))}?mode=ro", uri=True, check_same_thread=False)
        opened.execute("PRAGMA query_only = ON")
        opened.execute("BEGIN")
        return opened

    return sqlalchemy.create_engine("sqlite://", creator=connect, poolclass=sqlalchemy.pool.StaticPool)


def _postgresql(url: sqlalchemy.URL) -> sqlalchemy.Engine:
    import sqlalchemy

    engine = sqlalchemy.create_engine(url.set(drivername="postgresql+psycopg"), poolclass=sqlalchemy.pool.NullPool)
    return engine.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)


def _tables(connection: sqlalchemy.Connection) -> tuple[str, ...]:
    """Tables and views: those of the default schema by their names, those of others with the schema before it."""
    import sqlalchemy

    inspector = sqlalchemy.inspect(connection)
    names = [*inspector.get_table_names(), *inspector.get_view_names()]
    if connection.dialect.name == "postgresql":
        for schema in inspector.get_schema_names():
            if schema not in ("information_schema", "pg_catalog"):
                below = [*inspector.get_table_names(schema), *inspector.get_view_names(schema)]
                names += [f"{schema}.{name}" for name in below]
    return tuple(sorted(names))


def _harmless(error: BaseException, secrets: Sequence[str]) -> str:
    text = said_by(getattr(error, "orig", None) or error).strip()
    for secret in secrets:
        text = text.replace(secret, "***")
    return f"can't be read: {text}"


def canonical_opener(
    database: Database, table: Table, name: str, wanted: Sequence[Column]
) -> Callable[[], Sequence[Cells]]:
    """What reads a canonical table from the database's table of that name."""

    def read() -> list[Cells]:
        names: dict[str, str] = {}
        present: set[str] = set()

        def choose(header: Sequence[str]) -> dict[str, Any]:
            names.update(match_columns(header, f"table {name}", table, wanted))
            present.update(canonical_names(header, table))
            return dict.fromkeys(names.values(), pa.string())

        grid = database.read_table(name, choose)
        columns = {each: grid.columns[written] for each, written in names.items()}
        return [
            Cells(table, grid.file, columns, grid.rows, grid.lines_of, source=grid.source, present=frozenset(present))
        ]

    return read

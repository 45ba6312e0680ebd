"""Where a register is kept: an SQLite file, or a PostgreSQL database for a team. One run writes at a time."""

from __future__ import annotations

import os
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Final
from urllib.parse import quote

import sqlalchemy as sa

from audit.errors import AuditError
from audit.intake.location import Location, location_name
from audit.register.migrating import migrate
from audit.register.packing import Damaged
from audit.register.seal import first_broken
from audit.register.store import Register, file_at, refusing

WAIT_SECONDS: Final = 60
"""How long a run waits for another that is writing."""
_LOCK: Final = 7_205_759_403
"""The advisory lock that a run holds on PostgreSQL: any number, the same for every run."""
_URL_EXPECTED: Final = "expected a path, sqlite:///FILE or postgresql://USER@HOST/DATABASE"
_HEADER, _MAGIC = 100, b"SQLite format 3\x00"


@contextmanager
def open_register(
    where: Location, *, create: bool = False, writing: bool = True, wait: float = WAIT_SECONDS
) -> Iterator[Register]:
    """Open a register in one transaction, begun as a writer unless it is only read, with the tables of this version.

    AuditError, in one sentence, where that can't be done: it is not a register, of a later version, damaged or
    read-only, or another run goes on writing for `wait` seconds. With `create`, a path where
    nothing is becomes an empty register.
    """
    name = f"The register {location_name(where)}"
    path, url = _place(where)
    if path is None:
        assert url is not None
        engine = _postgresql(url, writing, wait)
    else:
        _look_at(path, name, create)
        engine = _sqlite(path, writing, wait)
    try:
        with refusing(name, url), engine.connect() as connection, ExitStack() as until_closed:
            connection.begin()
            migrate(connection, name, writing)
            with _telling_of_damage(connection, name):
                yield Register(name, connection, until_closed, path, None if path is None else file_at(path))
    finally:
        engine.dispose()


@contextmanager
def _telling_of_damage(connection: sa.Connection, name: str) -> Iterator[None]:
    """Where something fails that nobody foresaw, AuditError if the register is not as it was sealed: that is why."""
    try:
        yield
    except (AuditError, Damaged, sa.exc.SQLAlchemyError, sqlite3.Error):
        raise
    except Exception as error:
        connection.rollback()  # what this run was about to add has no seal yet
        broken = first_broken(connection)
        if broken is None:
            raise
        raise AuditError(
            f"{name} is damaged, run {broken[0]}: {broken[1]}; take the last copy that is sound"
        ) from error


def _place(where: Location) -> tuple[Path | None, sa.URL | None]:
    """The path of a register in a file, or else its URL."""
    if isinstance(where, Path):
        return where, None
    try:
        url = sa.make_url(where)
    except (sa.exc.SQLAlchemyError, ValueError):
        raise AuditError(f"the register's URL can't be read; {_URL_EXPECTED}") from None
    if not url.database or url.drivername not in ("sqlite", "postgresql", "postgresql+psycopg"):
        raise AuditError(f"the register's URL can't be used; {_URL_EXPECTED}")
    return (Path(url.database), None) if url.drivername == "sqlite" else (None, url)


def _look_at(path: Path, name: str, create: bool) -> None:
    """Begin a register where none is; refuse what is none, or not all of one."""
    try:
        if path.is_dir():
            raise AuditError(f"{name} can't be opened: {path} is a folder; give a file in it")
        if not path.exists():
            if not create:
                raise AuditError(f"{name} can't be opened: there is no file {path}")
            _begin(path)
        with path.open("rb") as file:
            head, size = file.read(_HEADER), path.stat().st_size
    except OSError as error:
        raise AuditError(f"{name} can't be opened at {path}: {error.strerror or error}") from error
    if not size:
        raise AuditError(f"{name} is an empty file, not a register: delete it, or say another place with --register")
    if not head.startswith(_MAGIC):
        raise AuditError(f"{name} is not a register: {path} is a file of another kind")
    page = int.from_bytes(head[16:18], "big")
    if size < int.from_bytes(head[28:32], "big") * (65_536 if page == 1 else page):
        raise AuditError(f"{name} is truncated: the end of its file is missing; take the last copy that is complete")


def _begin(path: Path) -> None:
    """Make an empty register at one stroke: of two runs at once one begins it, and no kill leaves half of one."""
    handle, made = tempfile.mkstemp(prefix=".deicer-audit-register-", dir=path.parent)
    os.close(handle)
    try:
        engine = _sqlite(Path(made), True, WAIT_SECONDS)
        with engine.begin() as connection:
            migrate(connection, str(path))
        engine.dispose()
        try:
            os.link(made, path)
        except FileExistsError:
            pass  # the other run's is as good
        except OSError:  # a drive without links
            Path(made).rename(path)
        path.chmod(0o666 & ~_umask())
    finally:
        Path(made).unlink(missing_ok=True)


def _umask() -> int:
    mask = os.umask(0o077)
    os.umask(mask)
    return mask


def _sqlite(path: Path, writing: bool, wait: float) -> sa.Engine:
    def connect() -> sqlite3.Connection:
        # The transaction is begun and ended by us alone: Python's driver would end it before a table is made.
        opened = sqlite3.connect(
            f"file:{quote(str(path))}?mode={'rw' if writing else 'ro'}",
            uri=True,
            timeout=wait,
            isolation_level=None,
            check_same_thread=False,
        )
        opened.execute("PRAGMA foreign_keys = ON")
        return opened

    def begin(connection: sa.Connection) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")
        if writing:  # a file that can't be written says so only when something is
            connection.exec_driver_sql("PRAGMA user_version = 0")

    engine = sa.create_engine("sqlite://", creator=connect, poolclass=sa.pool.NullPool)
    sa.event.listen(engine, "begin", begin)
    return engine


def _postgresql(url: sa.URL, writing: bool, wait: float) -> sa.Engine:
    engine = sa.create_engine(url.set(drivername="postgresql+psycopg"), poolclass=sa.pool.NullPool)
    if not writing:
        return engine.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)

    def lock(connection: sa.Connection) -> None:
        connection.exec_driver_sql(f"SET LOCAL lock_timeout = {int(wait * 1000)}")
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_LOCK})")
        connection.exec_driver_sql("CREATE TEMPORARY TABLE writable () ON COMMIT DROP")

    sa.event.listen(engine, "begin", lock)
    return engine

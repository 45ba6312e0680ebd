"""Opening a register: what is one and what is not, one writer at a time, and nothing left of what was not kept."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from audit.errors import AuditError
from audit.intake.location import Location
from audit.register.migrating import migrate, upgrade
from audit.register.opening import open_register
from audit.register.schema import HEAD, METADATA, RUNS, VERSION_TABLE
from audit.register.store import Register
from tests.servers import run_on_server


def a_run(number: int = 1, **changes: Any) -> dict[str, Any]:
    return {
        "run": number,
        "kind": "check",
        "made_at": datetime(2026, 1, 2, 3, 4, 5, 678, tzinfo=UTC),
        "export": "night",
        "version": "1",
        "reading": "",
        "records": 0,
        "records_root": "",
    } | changes


def runs_in(where: Location) -> list[int]:
    with open_register(where) as register:
        return list(register.connection.execute(sa.select(RUNS.c.run).order_by(RUNS.c.run)).scalars())


def test_what_is_kept_and_what_is_not(place: Location) -> None:
    """Rows are there after `commit`, and only then; an instant comes back in UTC, whatever zone it had."""
    east = timezone(timedelta(hours=5))
    with open_register(place, create=True) as register:
        at = datetime(2026, 1, 2, 8, 0, tzinfo=east)
        register.connection.execute(sa.insert(RUNS), [a_run(made_at=at)])
        register.commit()
    with open_register(place) as register:
        register.connection.execute(sa.insert(RUNS), [a_run(2)])
    with open_register(place) as register:
        [row] = register.connection.execute(sa.select(RUNS))
        assert (row.made_at, row.made_at.utcoffset()) == (datetime(2026, 1, 2, 3, tzinfo=UTC), timedelta(0))


def test_a_naive_instant_is_refused(tmp_path: Path) -> None:
    """An instant without a zone would mean another time elsewhere."""
    with open_register(tmp_path / "r.db", create=True) as register, pytest.raises(sa.exc.StatementError):
        register.connection.execute(sa.insert(RUNS), [a_run(made_at=datetime(2026, 1, 2))])


REVISIONS = [
    script.revision for script in ScriptDirectory(str(Path("audit/register/migrations").resolve())).walk_revisions()
]


@pytest.mark.parametrize("revision", REVISIONS)
def test_every_earlier_schema_is_brought_up(place: Location, revision: str) -> None:
    """A register of each earlier version keeps its rows and gets the tables as they are now."""
    with open_register(place, create=True) as register:
        for table in reversed(METADATA.sorted_tables):
            register.connection.execute(sa.text(f"DROP TABLE {table.name}"))
        register.connection.execute(sa.text(f"DROP TABLE {VERSION_TABLE}"))
        upgrade(register.connection, revision)
        register.connection.execute(sa.insert(RUNS), [a_run()])
        register.commit()
    with open_register(place) as register:
        context = MigrationContext.configure(
            register.connection, opts={"version_table": VERSION_TABLE, "compare_type": True}
        )
        assert compare_metadata(context, METADATA) == []
        assert [row.run for row in register.connection.execute(sa.select(RUNS))] == [1]
    assert REVISIONS[0] == HEAD


def test_a_later_version_is_refused(place: Location) -> None:
    """What a later version wrote, this one can't know: one sentence, and the register as it was."""
    with open_register(place, create=True) as register:
        register.connection.execute(sa.text(f"UPDATE {VERSION_TABLE} SET version_num = '9999'"))
        register.commit()
    with pytest.raises(AuditError, match="written by a later version"), open_register(place):
        pass


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"task_id,work_order\n" * 20, "is a file of another kind"),
        (b"", "is an empty file"),
        (b"SQLite format 3\x00" + b"\xff" * 5000, "truncated|is not a register|damaged"),
    ],
)
def test_what_is_no_register(tmp_path: Path, content: bytes, told: str) -> None:
    """A file of another kind is refused and left alone."""
    path = tmp_path / "r.db"
    path.write_bytes(content)
    with pytest.raises(AuditError, match=told), open_register(path, create=True):
        pass
    assert path.read_bytes() == content


def test_a_database_of_something_else_is_no_register(tmp_path: Path) -> None:
    """An export in SQLite given as the register by mistake stays as it is."""
    path = tmp_path / "hangar.db"
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE tasks (task_id TEXT)")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(AuditError, match="no register"), open_register(path, create=True):
        pass
    assert path.read_bytes() == before


def test_a_truncated_register_is_refused(tmp_path: Path) -> None:
    """Half a file is told before anything is read from it."""
    path = tmp_path / "r.db"
    with open_register(path, create=True):
        pass
    path.write_bytes(path.read_bytes()[:8192])
    with pytest.raises(AuditError, match="truncated"), open_register(path):
        pass


def test_a_damaged_register_is_refused(tmp_path: Path) -> None:
    """Pages overwritten with nonsense end in one sentence."""
    path = tmp_path / "r.db"
    with open_register(path, create=True):
        pass
    content = bytearray(path.read_bytes())
    content[100:4096] = b"\xee" * 3996
    path.write_bytes(content)
    with pytest.raises(AuditError, match=r"damaged|no register"), open_register(path):
        pass


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that every user gets to: every pytest that begins shuts others out of its own."""
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        yield Path(folder)


@pytest.mark.skipif(os.name != "posix", reason="rights as POSIX has them")
def test_a_read_only_register_is_refused(open_folder: Path) -> None:
    """Who may not write is told so before a long audit, not after it."""
    path = open_folder / "r.db"
    with open_register(path, create=True):
        pass
    path.chmod(0o444)
    open_folder.chmod(0o555)
    code = (
        "import os, sys; from pathlib import Path\nimport sqlite3, sqlalchemy.dialects.sqlite\n"
        "from audit.errors import AuditError\nfrom audit.register.opening import open_register\n"
        "if os.geteuid() == 0: os.seteuid(65534)\n"  # rights don't bind the superuser
        "try:\n with open_register(Path(sys.argv[1]), wait=1): pass\n"
        "except AuditError as error: print(error)"
    )
    told = subprocess.run(
        [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True, cwd=Path.cwd()
    ).stdout
    open_folder.chmod(0o755)
    assert "can't be written: it is read-only" in told


def test_a_read_only_server_is_refused(database: str) -> None:
    """The same on a server that is a copy, or under maintenance."""
    with open_register(database, create=True):
        pass
    with open_register(database) as register:
        register.commit()
    name = sa.make_url(database).database
    run_on_server(database, f"ALTER DATABASE {name} SET default_transaction_read_only = on")
    with pytest.raises(AuditError, match="read-only"), open_register(database):
        pass


def test_a_folder_or_a_missing_file_or_folder_is_refused(tmp_path: Path) -> None:
    """A mistyped path begins no register where one is only read."""
    for path, create in ((tmp_path, True), (tmp_path / "r.db", False), (tmp_path / "not" / "there.db", True)):
        with pytest.raises(AuditError), open_register(path, create=create):
            pass
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("url", ["mysql://somebody@host/db", "sqlite://", "postgresql://"])
def test_other_urls_are_refused(url: str) -> None:
    """Only what a register can be kept in."""
    with pytest.raises(AuditError, match="expected a path"), open_register(url):
        pass


def test_no_password_is_shown(database: str) -> None:
    """A message of the driver that repeats the URL doesn't give the password away."""
    url = sa.make_url(database).set(password="sesame-4711", username="nobody-here")
    with (
        pytest.raises(AuditError) as caught,
        open_register(url.render_as_string(hide_password=False)),
    ):
        pass
    assert "sesame" not in str(caught.value)


def test_a_second_writer_waits_and_is_told(place: Location) -> None:
    """While one run writes, another waits; past its patience it is told, and the first is not disturbed."""
    with open_register(place, create=True) as register:
        register.connection.execute(sa.insert(RUNS), [a_run()])
        with pytest.raises(AuditError, match="is in use"), open_register(place, wait=0.2):
            pass
        register.commit()
    assert runs_in(place) == [1]


ONE_RUN = """
import sys
import sqlalchemy as sa
from pathlib import Path
from audit.register.schema import RUNS
from audit.register.opening import open_register
from tests.register.test_store import a_run
where = sys.argv[1] if "://" in sys.argv[1] else Path(sys.argv[1])
sys.stdin.read(1)
with open_register(where, create=True) as register:
    last = register.connection.execute(sa.select(sa.func.max(RUNS.c.run))).scalar() or 0
    register.connection.execute(sa.insert(RUNS), [a_run(last + 1)])
    register.commit()
"""


def test_writers_at_once_lose_nothing(place: Location) -> None:
    """Several runs at once on an empty place: each has its own number, one after another."""
    command = [sys.executable, "-c", ONE_RUN, str(place)]
    runs = [subprocess.Popen(command, stdin=subprocess.PIPE, cwd=Path.cwd()) for _ in range(4)]
    for run in runs:
        assert run.stdin is not None
        run.stdin.close()  # the sign to begin
    assert [run.wait() for run in runs] == [0] * 4
    assert runs_in(place) == [1, 2, 3, 4]


KILLED = """
import os, signal, sys
import sqlalchemy as sa
from pathlib import Path
from audit.register.schema import RUNS
from audit.register.opening import open_register
from tests.register.test_store import a_run
where = sys.argv[1] if "://" in sys.argv[1] else Path(sys.argv[1])
with open_register(where, create=True) as register:
    for number in range(2, 2000):
        register.connection.execute(sa.insert(RUNS), [a_run(number, export="x" * 5000)])
    os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.skipif(os.name != "posix", reason="killing as POSIX has it")
def test_a_killed_run_leaves_no_trace(place: Location) -> None:
    """Killed in the midst of writing, with more written than fits into memory: the next run finds what was before."""
    with open_register(place, create=True) as register:
        register.connection.execute(sa.insert(RUNS), [a_run()])
        register.commit()
    done = subprocess.run([sys.executable, "-c", KILLED, str(place)], check=False, cwd=Path.cwd())
    assert done.returncode < 0
    assert runs_in(place) == [1]


def test_a_server_that_goes_away_is_told(database: str) -> None:
    """The connection is ended from outside in the midst of a run: one sentence, nothing written."""

    def cut(register: Register) -> None:
        register.connection.execute(sa.insert(RUNS), [a_run()])
        run_on_server(
            database,
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
            "WHERE datname = current_database() AND pid <> pg_backend_pid()",
        )
        register.connection.execute(sa.insert(RUNS), [a_run(2)])

    with open_register(database, create=True) as register:
        register.commit()
    with pytest.raises(AuditError, match="went away during the run"), open_register(database) as register:
        cut(register)
    assert runs_in(database) == []


def test_migrating_is_left_alone_where_nothing_is_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A nightly run pays nothing for migrations that are done."""
    path = tmp_path / "r.db"
    with open_register(path, create=True):
        pass
    monkeypatch.setattr("audit.register.migrating.upgrade", lambda *_: pytest.fail("migrated again"))
    with open_register(path) as register:
        migrate(register.connection, "r.db")

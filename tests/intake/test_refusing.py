"""The border of reading: whatever a library raises is one sentence about the input; our own mistakes stay mistakes."""

from __future__ import annotations

import json
import sqlite3
import zipfile
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq
import pytest
import python_calamine

from audit.cli import run
from audit.errors import AuditError, InternalError
from audit.exit_codes import ExitCode
from audit.intake import csv_files, workbooks
from audit.intake.cells import ExportFile
from audit.intake.parquet_files import read_parquet_grid
from audit.intake.reading import read_export
from audit.intake.refusing import refusing
from audit.shipped import sample_folder

TASKS = pyarrow.csv.read_csv(
    sample_folder() / "tasks.csv",
    convert_options=pyarrow.csv.ConvertOptions(strings_can_be_null=False, include_missing_columns=False),
).slice(0, 3)

ODD = [KeyError("x"), TypeError("x"), AttributeError("x"), IndexError("x"), RuntimeError("x"), MemoryError("x")]


@pytest.fixture
def export(tmp_path: Path) -> Callable[[str], Path]:
    """Makes an export of a few sound task records in a format: its folder, or what holds it."""

    def make(ending: str) -> Path:
        folder = tmp_path / "export"
        folder.mkdir()
        rows = TASKS.to_pylist()
        match ending:
            case "parquet":
                pq.write_table(TASKS, folder / "tasks.parquet")
            case "xlsx":
                book = openpyxl.Workbook()
                for row in (TASKS.column_names, *(list(row.values()) for row in rows)):
                    book.worksheets[0].append([str(cell) for cell in row])
                book.save(folder / "tasks.xlsx")
            case "csv" | "zip":
                pyarrow.csv.write_csv(TASKS, folder / "tasks.csv")
        if ending == "zip":
            with zipfile.ZipFile(tmp_path / "export.zip", "w") as packed:
                packed.write(folder / "tasks.csv", "tasks.csv")
            return tmp_path / "export.zip"
        return folder

    return make


@pytest.mark.parametrize("odd", ODD, ids=lambda odd: type(odd).__name__)
@pytest.mark.parametrize(
    ("ending", "where", "name"),
    [
        ("csv", pyarrow.csv, "read_csv"),
        ("parquet", pq, "ParquetFile"),
        ("xlsx", python_calamine.CalamineWorkbook, "from_path"),
        ("zip", zipfile.ZipFile, "open"),
    ],
)
def test_whatever_a_library_raises(
    export: Callable[[str], Path],
    monkeypatch: pytest.MonkeyPatch,
    odd: Exception,
    ending: str,
    where: object,
    name: str,
) -> None:
    """Of whatever kind, one sentence names the file; the same export is read where nothing is raised."""
    made = export(ending)
    assert read_export(made).counts["tasks"].read == 3

    def fail(*args: object, **kwargs: object) -> None:
        raise odd

    workbooks._opened.cache_clear()
    monkeypatch.setattr(where, name, fail)
    with pytest.raises(AuditError, match=r"^(tasks|export)\.\w+ can't be read as .+: .*x") as caught:
        read_export(made)
    assert len(caught.value.args) == 1


@pytest.mark.parametrize("mistake", [KeyError, TypeError, AttributeError, AssertionError, InternalError])
def test_a_mistake_of_the_audit_is_not_the_inputs_fault(mistake: type[Exception]) -> None:
    """Raised in the audit's own code it stays what it is, also inside the border."""
    ours = {"__name__": "audit.intake.somewhere", "mistake": mistake}
    exec("def fail():\n    raise mistake('x')\ndef lookup():\n    return {}['x']", ours)
    with pytest.raises(mistake), refusing("tasks.csv"):
        ours["fail"]()
    with pytest.raises(KeyError), refusing("tasks.csv"):
        ours["lookup"]()


@pytest.mark.parametrize("leaving", [KeyboardInterrupt, SystemExit, GeneratorExit])
def test_leaving_is_no_fault_of_the_input(leaving: type[BaseException]) -> None:
    """Ctrl-C passes through."""
    with pytest.raises(leaving), refusing("tasks.csv"):
        raise leaving


def test_a_mistake_while_reading_ends_as_an_internal_error(
    export: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """At the command line: exit code 4, not 2."""
    ours: dict[str, object] = {"__name__": "audit.intake.csv_files"}
    exec("def fail(*args):\n    return {}['x']", ours)
    monkeypatch.setattr(csv_files, "csv_header", ours["fail"])
    assert run(["check", str(export("csv")), "--out", str(tmp_path / "out"), "-q"]) == ExitCode.INTERNAL_ERROR
    assert "internal error, KeyError: 'x'" in capsys.readouterr().err


def in_zone(zone: str, column: str) -> pa.Table:
    times = pa.array([0, 1, 2], pa.timestamp("us", zone))
    return TASKS.set_column(TASKS.column_names.index(column), column, times)


@pytest.mark.parametrize("column", ["started_at", "task_id"])
@pytest.mark.parametrize("command", ["check", "check --mapping", "map"])
def test_a_parquet_file_names_a_zone_that_there_is_not(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], column: str, command: str
) -> None:
    """One sentence with file, column and zone, whichever way the file is read."""
    (tmp_path / "export").mkdir()
    pq.write_table(in_zone("Mars/Olympus_Mons", column), tmp_path / "export" / "tasks.parquet")
    arguments = [command.split(maxsplit=1)[0], str(tmp_path / "export"), "--out", str(tmp_path / "out")]
    if "--mapping" in command:
        columns = {
            name: name
            for name in ("task_id", "work_order", "aircraft", "action", "started_at", "finished_at", "station")
        }
        written = {"title": "x", "tables": {"tasks": [{"files": "tasks.parquet", "columns": columns}]}}
        (tmp_path / "mapping.yaml").write_text(json.dumps(written), encoding="utf-8")
        arguments += ["--mapping", str(tmp_path / "mapping.yaml")]
    assert run(arguments) == ExitCode.COULD_NOT_RUN
    told = capsys.readouterr().err
    assert f"column `{column}` is in an unknown time zone, Mars/Olympus_Mons" in told, told
    assert "internal error" not in told


def test_counts_in_the_place_of_times(tmp_path: Path) -> None:
    """A Parquet column of whole numbers is no time; how seconds since 1970 are read is told."""
    table = in_zone("UTC", "started_at")
    place = table.column_names.index("started_at")
    table = table.set_column(place, "started_at", table["started_at"].cast(pa.int64()))
    pq.write_table(table, tmp_path / "tasks.parquet")
    with pytest.raises(AuditError, match=r"from values of type int64; a mapping reads seconds since 1970 \(formats: "):
        read_export(tmp_path)


@pytest.mark.parametrize("zone", ["UTC", "Europe/Berlin", "+05:30"])
def test_zones_that_there_are(tmp_path: Path, zone: str) -> None:
    """The instants are read as they are, whatever the zone."""
    pq.write_table(in_zone(zone, "started_at"), tmp_path / "tasks.parquet")
    file = ExportFile("tasks.parquet", tmp_path / "tasks.parquet")
    times = read_parquet_grid(file, lambda header: {"started_at": pa.string()})
    assert times.columns["started_at"].cast(pa.int64()).to_pylist() == [0, 1, 2]


@pytest.mark.parametrize("command", ["check", "map"])
@pytest.mark.parametrize("place", ["cell", "table name"])
def test_sqlite_text_that_is_no_utf_8(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], command: str, place: str
) -> None:
    """Text written with another encoding: one sentence names the database."""
    path = tmp_path / "hangar.db"
    columns = ", ".join(TASKS.column_names)
    connection = sqlite3.connect(path)
    connection.execute(f"CREATE TABLE tasks ({columns})")
    blanks = ", ".join("CAST(x'4dfc6c6c6572' AS TEXT)" if place == "cell" else "'x'" for _ in TASKS.column_names)
    connection.execute(f"INSERT INTO tasks VALUES ({blanks})")
    connection.commit()
    if place == "table name":
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute("UPDATE sqlite_master SET name = CAST(x'74fc' AS TEXT), tbl_name = CAST(x'74fc' AS TEXT)")
        connection.commit()
    connection.close()
    assert run([command, f"sqlite:///{path}", "--out", str(tmp_path / "out")]) == ExitCode.COULD_NOT_RUN
    told = capsys.readouterr().err
    assert told.startswith("deicer-audit: SQLite database hangar.db can't be read: "), told
    assert told.count("\n") == 1
    assert "internal error" not in told

"""Faults of whole files, as whoever runs the check meets them: the exit code and one sentence."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from audit.cli import run
from audit.exit_codes import ExitCode
from tests.faults.clean_export import as_csv, clean_tables
from tests.faults.table import FAULTS

Files = dict[str, str]
Edit = Callable[[Files], object]


def _check(tmp_path: Path, edit: Edit, *, health: bool = False) -> int:
    files = {f"{name}.csv": as_csv(rows) for name, rows in clean_tables().items()}
    edit(files)
    export = tmp_path / "export"
    export.mkdir()
    for name, text in files.items():
        (export / name).write_text(text, encoding="utf-8")
    more = [] if health else ["--skip-health"]
    return int(run(["check", str(export), "--out", str(tmp_path / "out"), *more]))


@pytest.mark.parametrize(
    ("edit", "sentence"),
    [
        pytest.param(lambda files: files.pop("tasks.csv"), "tasks", id="no tasks file"),
        pytest.param(lambda files: files.update({"flights.csv": ""}), "flights.csv", id="a file without a header"),
        pytest.param(
            lambda files: files.update({"flights.csv": files["flights.csv"].replace(",1.25,", ",75,")}),
            "say `unit: minutes` in a mapping",
            id="a column in another unit",
        ),
        pytest.param(
            lambda files: files.update({"tasks.csv": files["tasks.csv"].replace("started_at", "begun", 1)}),
            "started_at",
            id="a column by another name",
        ),
    ],
)
def test_what_is_refused(edit: Edit, sentence: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit code 2, what is wrong, and no output."""
    assert _check(tmp_path, edit) == ExitCode.COULD_NOT_RUN
    said = capsys.readouterr().err
    assert sentence in said
    assert "Traceback" not in said
    assert not (tmp_path / "out").exists()


def _local_flights() -> dict[str, list[dict[str, str]]]:
    """The clean export, its flight times by the clocks of the stations, without a zone."""
    tables = clean_tables()
    for edit in next(fault for fault in FAULTS if fault.id.startswith("flight times by the clocks")).edits:
        edit(tables)
    return tables


def test_flight_times_by_another_clock_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Where a tenth of all records would be of work in flight the sentence says how many, and what would fit."""
    local = {f"{name}.csv": as_csv(rows) for name, rows in _local_flights().items()}
    assert _check(tmp_path, lambda files: files.update(local)) == ExitCode.COULD_NOT_RUN
    said = capsys.readouterr().err
    assert "read as UTC, 16 task records are of work in flight and 0 flights land before takeoff" in said
    assert "by the clocks of the stations 1 and 0" in said
    assert "`zone: origin`" in said


def test_flight_times_that_may_go_by_another_clock_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Where it is fewer than a tenth, it may be the records: told on the first screen, in the report and the summary,
    and export health is not as expected."""
    tables = _local_flights()
    look = next(row for row in tables["tasks"] if row["action"] == "inspect")
    nights = [
        look
        | {"task_id": f"T-N-{number}", "work_order": f"W-N-{number}"}
        | {"started_at": f"{day}T01:00:00Z", "finished_at": f"{day}T02:00:00Z", "signed_at": f"{day}T02:00:00Z"}
        for number, day in enumerate(f"2025-{month:02}-{day:02}" for month in (7, 8, 9, 10, 11) for day in range(1, 31))
    ]
    local = {f"{name}.csv": as_csv(rows) for name, rows in (tables | {"tasks": tables["tasks"] + nights}).items()}
    assert _check(tmp_path, lambda files: files.update(local), health=True) == ExitCode.FINDINGS
    said = capsys.readouterr().err
    assert "Clock?      flight times: 16 contradictions as UTC, far fewer as local time" in said
    summary = json.loads((tmp_path / "out" / "summary.json").read_text(encoding="utf-8"))
    assert summary["flight_clock"]["inside"] == 16
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "By which clock the flight times are written" in page
    assert "Flight times may go by the clocks of the stations" in page


def test_a_table_cut_within_a_row(tmp_path: Path) -> None:
    """The torn row is set aside and counted; the cure finding, whose flight is still there, is found."""

    def cut(files: Files) -> None:
        whole = files["flights.csv"]
        files["flights.csv"] = whole[: whole.index("F-IBIS-1015B") + 30]

    assert _check(tmp_path, cut) == ExitCode.FINDINGS
    summary = json.loads((tmp_path / "out" / "summary.json").read_text(encoding="utf-8"))
    assert summary["rows"]["flights"]["quarantined"] == 1
    findings = (tmp_path / "out" / "findings.csv").read_text(encoding="utf-8")
    assert "flight-before-cure" in findings
    assert "TARN-IBIS" not in "".join(line for line in findings.splitlines() if "overdue" in line)

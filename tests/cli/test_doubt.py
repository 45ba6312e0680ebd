"""What an export leaves in doubt, as people see it: on the terminal, in the report and in the machine files."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

from audit.cli import run
from audit.exit_codes import ExitCode
from tests.intake.conftest import COMPONENT, FLIGHT, STATION, TASK, as_csv

Rows = Mapping[str, Sequence[Mapping[str, str]]]


@pytest.fixture
def checked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Any:
    """Check an export of some rows; returns the exit code, what was said and the summary."""

    def check(tables: Rows, mapping: str = "") -> tuple[int, str, dict[str, Any]]:
        export = tmp_path / "export"
        export.mkdir(exist_ok=True)
        for name, rows in tables.items():
            (export / f"{name}.csv").write_text(as_csv(*rows), encoding="utf-8")
        more: list[str] = []
        if mapping:
            (tmp_path / "mapping.yaml").write_text(mapping, encoding="utf-8")
            more = ["--mapping", str(tmp_path / "mapping.yaml")]
        out = tmp_path / "out"
        code = run(["check", str(export), "--out", str(out), "--skip-health", *more])
        summary = out / "summary.json"
        data = json.loads(summary.read_text(encoding="utf-8")) if summary.exists() else {}
        return int(code), capsys.readouterr().err, data

    return check


TABLES: Rows = {"tasks": [TASK], "flights": [FLIGHT], "components": [COMPONENT], "stations": [STATION]}
OTHER_LETTERS: Rows = {**TABLES, "flights": [FLIGHT | {"aircraft": "a-1"}]}


def test_a_cell_that_cannot_be_read_is_told(checked: Any, tmp_path: Path) -> None:
    """The row is audited; the cell is counted, listed in faults.csv and drawn in the report."""
    _, said, summary = checked({**TABLES, "tasks": [TASK | {"humidity_pct": "45 %"}]})
    assert "1 cell of audited rows can't be read (tasks 1)" in said
    assert summary["faults"] == {"tasks": 1}
    assert summary["rows"]["tasks"] == {"read": 1, "audited": 1, "quarantined": 0}
    faults = (tmp_path / "out" / "faults.csv").read_text(encoding="utf-8").splitlines()
    assert faults == ["table,file,line,column,value,reason", "tasks,tasks.csv,2,humidity_pct,45 %,not a number"]
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "Left out of audited rows: 1&nbsp;cell" in page


def test_files_called_nearly_as_a_table_are_told(checked: Any, tmp_path: Path) -> None:
    """A file of more rows, or under another name, is not read, and not passed over; others are nobody's business."""
    files = {"tasks_2025": [TASK], "flight": [FLIGHT], "lots (1)": [TASK], "taskforce": [TASK], "notes": [TASK]}
    tables = {name: rows for name, rows in TABLES.items() if name != "flights"} | files
    _, said, summary = checked(tables)
    assert "Not read    flight.csv and 2 more, called nearly as a table is" in said
    assert summary["files_not_read"] == ["flight.csv", "lots (1).csv", "tasks_2025.csv"]
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "Not read: flight.csv, lots (1).csv, tasks_2025.csv." in page


def test_nearly_equal_names_are_told(checked: Any, tmp_path: Path) -> None:
    """They stand on the first screen, in the report and in the summary."""
    _, said, summary = checked(OTHER_LETTERS)
    assert "One name?   1 nearly equal: aircraft A1 in components, tasks, a-1 in flights" in said
    assert summary["near_names"] == [
        {
            "kind": "aircraft",
            "name": "A1",
            "tables": ["components", "tasks"],
            "other": "a-1",
            "other_tables": ["flights"],
        }
    ]
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "aircraft A1 in components, tasks, a-1 in flights" in page


def test_a_mapping_says_that_they_are_one(checked: Any) -> None:
    """With canonical files, too, where it needs no tables; nothing is in doubt then."""
    _, said, summary = checked(OTHER_LETTERS, "title: Log\nnames: {aircraft: {same: {a-1: A1}}}\n")
    assert "nearly equal" not in said
    assert summary["near_names"] == []
    assert {one["name"] for one in summary["inputs"]} >= {"mapping.yaml"}


def test_a_mapping_says_that_they_are_two(checked: Any) -> None:
    """Then they are two, and nobody is asked again."""
    _, said, summary = checked(OTHER_LETTERS, "title: Log\nnames: {aircraft: {distinct: [[a-1, A1]]}}\n")
    assert "nearly equal" not in said
    assert summary["near_names"] == []


@pytest.mark.parametrize(
    ("names", "sentence"),
    [
        ("{planes: {same: {a: b}}}", "names.planes: no such names; expected one of aircraft, component_serial"),
        ("{aircraft: {same: {a: b, b: c}}}", "'b' stands for another name itself"),
        ("{aircraft: {distinct: [[a]]}}", "names.aircraft.distinct"),
    ],
)
def test_a_mapping_that_cannot_mean_what_it_says(checked: Any, names: str, sentence: str) -> None:
    """It is refused with the place and what was expected."""
    code, said, _ = checked(TABLES, f"title: Log\nnames: {names}\n")
    assert code == ExitCode.COULD_NOT_RUN
    assert sentence in said


def test_the_clock_of_a_station_is_that_of_its_other_spelling(checked: Any) -> None:
    """A wall clock is read by the zone of the station that a spelling stands for."""
    tasks = [TASK | {"station": "North", "started_at": "2024-01-10T08:00", "finished_at": "2024-01-10T09:00"}]
    _, _, summary = checked({**TABLES, "tasks": tasks}, "title: Log\nnames: {station: {same: {North: NORTH}}}\n")
    assert summary["rows"]["tasks"]["audited"] == 1


def test_a_station_that_is_nearly_listed_is_told_though_its_records_are_set_aside(checked: Any) -> None:
    """Without its time zone a wall-clock record has no place in time; the station that is listed may be meant."""
    wall = TASK | {"station": "NОRTH", "started_at": "2024-01-10T08:00:00", "finished_at": "2024-01-10T09:00:00"}
    _, said, summary = checked({**TABLES, "tasks": [TASK, wall | {"task_id": "T9"}]})
    assert summary["rows"]["tasks"]["quarantined"] == 1
    assert "One name?   1 nearly equal: station" in said
    assert summary["near_names"][0]["kind"] == "station"


def test_a_job_that_may_still_be_going_on(checked: Any, tmp_path: Path) -> None:
    """Two coats in the evening are no finding while the third may follow; they are once the aircraft has flown."""
    coat = TASK | {"position": "fin", "product": "Guard", "status": "closed"}
    times = {"started_at": "2024-01-10T08:00:00Z", "finished_at": "2024-01-10T08:10:00Z"}
    again = {"task_id": "T2", "started_at": "2024-01-10T08:20:00Z", "finished_at": "2024-01-10T08:30:00Z", "coat": "2"}
    evening: Rows = {
        **TABLES,
        "tasks": [coat | times | {"coat": "1"}, coat | again],
        "flights": [FLIGHT | {"takeoff_at": "2024-01-09T08:00:00Z", "landing_at": "2024-01-09T09:00:00Z"}],
        "products": [{"product": "Guard", "product_class": "rubber-preservative", "approval": "OP-1"}],
    }
    unjudged, findings = tmp_path / "out" / "unjudged.csv", tmp_path / "out" / "findings.csv"
    checked(evening)
    assert "preservative-coats-wrong,the job may still be going on at the as-of time,A1,fin" in unjudged.read_text()
    assert "preservative-coats-wrong" not in findings.read_text()
    checked({**evening, "flights": [*evening["flights"], FLIGHT | {"flight_id": "F2"}]})
    assert "preservative-coats-wrong" not in unjudged.read_text()
    assert "preservative-coats-wrong" in findings.read_text()

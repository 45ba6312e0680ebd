"""Faults of whole files, as whoever runs the check meets them: the exit code and one sentence."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path

import pytest

from audit.cli import run
from audit.exit_codes import ExitCode
from tests.faults.clean_export import clean_tables

Files = dict[str, str]
Edit = Callable[[Files], object]


def _as_csv(rows: list[dict[str, str]]) -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def _check(tmp_path: Path, edit: Edit) -> int:
    files = {f"{name}.csv": _as_csv(rows) for name, rows in clean_tables().items()}
    edit(files)
    export = tmp_path / "export"
    export.mkdir()
    for name, text in files.items():
        (export / name).write_text(text, encoding="utf-8")
    return int(run(["check", str(export), "--out", str(tmp_path / "out"), "--skip-health"]))


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

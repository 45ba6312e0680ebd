"""`quarantine`: the rows set aside, as they were written."""

from __future__ import annotations

import csv
import io
import shutil
from pathlib import Path

import pytest

from audit.cli import run
from audit.exit_codes import ExitCode
from audit.shipped import sample_folder


@pytest.fixture
def export(tmp_path: Path) -> Path:
    """Products, and two task records of which one has a fault with a formula, a break and a direction mark in it."""
    (tmp_path / "products.csv").write_text("product,product_class\nRP-1,rubber-preservative\n", encoding="utf-8")
    (tmp_path / "tasks.csv").write_text(
        "task_id,work_order,aircraft,action,station,started_at,finished_at,product,coat\n"
        "T-1,W-1,TARN-1,apply,Mossgate,2026-01-05T10:00Z,2026-01-05T11:00Z,RP-1,1\n"
        'T-2,W-1,TARN-1,apply,Mossgate,2026-01-05T10:00Z,2026-01-05T11:00Z,RP-1,"=1+1\n\u202etwo"\n',
        encoding="utf-8",
    )
    return tmp_path


def test_rejects_are_listed_with_their_text(export: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One line for each fault: file, line, column, what stands there made harmless, and why."""
    assert run(["quarantine", str(export)]) == ExitCode.FINDINGS
    said = capsys.readouterr()
    assert said.out.startswith("tasks.csv, line 3, coat: '=1+1")
    assert said.out.count("\n") == 1
    assert "\u202e" not in said.out
    assert "0 rows set aside, 1 cell in other rows left out" in said.err


def test_rejects_as_csv_are_those_of_the_report(
    one_rule: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`--csv` prints what `check` writes as quarantine.csv."""
    out = tmp_path / "out"
    run(["check", str(sample_folder()), "--out", str(out), "--skip-health", "--quiet", "--rules", str(one_rule)])
    capsys.readouterr()
    assert run(["quarantine", str(sample_folder()), "--csv"]) == ExitCode.FINDINGS
    printed = capsys.readouterr().out
    assert printed == (out / "quarantine.csv").read_text(encoding="utf-8")
    assert next(csv.reader(io.StringIO(printed)))[:3] == ["table", "file", "line"]


def test_an_export_without_rejects_is_clean(export: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing set aside is exit code 0; an export that can't be read is 2."""
    lines = (export / "tasks.csv").read_text(encoding="utf-8").splitlines()
    (export / "tasks.csv").write_text("\n".join(lines[:2]), encoding="utf-8")
    assert run(["quarantine", str(export)]) == ExitCode.CLEAN
    assert "0 rows set aside, 0 cells" in capsys.readouterr().err
    shutil.rmtree(export)
    assert run(["quarantine", str(export)]) == ExitCode.COULD_NOT_RUN

"""Seasons of the sample operator, half of whose work is in the other hemisphere, at the command line."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import pytest

from audit.cli import run
from audit.evidence.seasons import SEASON_NOT_SET
from audit.exit_codes import ExitCode
from audit.shipped import rules_folder, sample_folder, sample_settings

SOUTHERN = ["TARN-JUNIPER", "TARN-LARCH", "TARN-MAPLE", "TARN-ROWAN"]
OF_THE_SEASON = {"ice-adhesion-treatment-covered", "ice-adhesion-treatment-never-done"} | {
    "ice-adhesion-treatment-overdue"
}


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return [row for row in csv.DictReader(file) if row["rule"] in OF_THE_SEASON]


def test_southern_aircraft_under_a_northern_season(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without settings they are named, and nothing of the season is found of them; the others are judged."""
    (tmp_path / "rules").mkdir()
    for rule in OF_THE_SEASON:
        shutil.copy(next(rules_folder().rglob(f"{rule}.yaml")), tmp_path / "rules")
    arguments = ["check", str(sample_folder()), "--rules", str(tmp_path / "rules"), "--skip-health"]
    arguments += ["--fail-on", "never", "--write", "csv,html"]
    assert run([*arguments, "--out", str(tmp_path / "without")]) == ExitCode.CLEAN
    said = capsys.readouterr().err
    assert "Season?     TARN-JUNIPER and 3 more: other hemisphere, no base in settings" in said
    out = tmp_path / "without"
    assert json.loads((out / "summary.json").read_text(encoding="utf-8"))["aircraft_without_a_season"] == SOUTHERN
    found = _rows(out / "findings.csv")
    assert found
    assert not {row["aircraft"] for row in found} & set(SOUTHERN)
    unset = [row for row in _rows(out / "unjudged.csv") if row["reason"] == SEASON_NOT_SET]
    assert {row["rule"] for row in unset} == OF_THE_SEASON
    assert sorted({row["aircraft"] for row in unset}) == SOUTHERN
    assert "these aircraft work in the other hemisphere" in (out / "report.html").read_text(encoding="utf-8")

    assert run([*arguments, "--settings", str(sample_settings()), "--out", str(tmp_path / "with")]) == ExitCode.CLEAN
    assert "Season?" not in capsys.readouterr().err
    assert {row["aircraft"] for row in _rows(tmp_path / "with" / "findings.csv")} & set(SOUTHERN)
    assert SEASON_NOT_SET not in {row["reason"] for row in _rows(tmp_path / "with" / "unjudged.csv")}

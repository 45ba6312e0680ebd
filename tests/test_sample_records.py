"""The audit of the sample records says what was planted in them: no more, no less."""

from __future__ import annotations

import csv
import subprocess
import sys
from collections import Counter
from datetime import datetime
from decimal import Decimal
from pathlib import Path

import pytest

from audit.shipped import sample_settings

ROOT = Path(__file__).parents[1]
SAMPLE = ROOT / "sample_records"
SETTINGS = str(sample_settings())


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder that one audit of the sample records has written."""
    folder = tmp_path_factory.mktemp("sample") / "out"
    run = subprocess.run(
        [
            sys.executable,
            "-m",
            "audit",
            "check",
            str(SAMPLE / "tarnwhistle"),
            "--settings",
            SETTINGS,
            "--out",
            str(folder),
        ],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 1, run.stderr
    return folder


def finding(row: dict[str, str]) -> tuple[object, ...]:
    """What identifies a finding and its figures, numbers and instants by value, not by spelling."""
    names = ("rule", "aircraft", "position", "work_order", "task_id", "flight_id", "unit")
    figures = (Decimal(row[name]) if row[name] else None for name in ("measured", "limit"))
    return (*(row[name] for name in names), datetime.fromisoformat(row["at"]), *figures)


def test_findings_are_those_planted(out: Path) -> None:
    """Every planted fault is found once, with its figures, and nothing else is."""
    found = Counter(map(finding, rows(out / "findings.csv")))
    expected = Counter(map(finding, rows(SAMPLE / "expected_findings.csv")))
    assert found - expected == Counter()
    assert expected - found == Counter()


def test_what_a_correction_put_right_names_it(out: Path) -> None:
    """What only the first entry was at fault for is listed as corrected, by that correction and no other."""
    by = {
        (row["rule"], row["task_id"]): row["corrected_by"]
        for row in rows(out / "findings.csv")
        if row["corrected_by"].startswith("K-")
    }
    expected = rows(SAMPLE / "expected_findings.csv")
    planted = {
        (row["rule"], row["task_id"]): row["entry_corrected_by"] for row in expected if row["entry_corrected_by"]
    }
    assert by == planted
    assert planted


def test_what_cannot_be_judged_is_counted(out: Path) -> None:
    """Each of the planted rules leaves exactly the planted subjects unjudged."""
    expected = Counter(row["rule"] for row in rows(SAMPLE / "expected_outcomes.csv"))
    planted = {row["rule"] for row in rows(SAMPLE / "expected_findings.csv")}
    coverage = {row["rule"]: int(row["unjudged"]) for row in rows(out / "coverage.csv")}
    assert {rule: coverage[rule] for rule in planted} == {rule: expected[rule] for rule in planted}


def test_quarantine_is_what_was_miswritten(out: Path) -> None:
    """Each miswritten row is set aside at its line, and no other row is."""
    names = ("table", "line", "column", "value")
    found = Counter(tuple(row[name] for name in names) for row in rows(out / "quarantine.csv"))
    expected = Counter(tuple(row[name] for name in names) for row in rows(SAMPLE / "expected_quarantine.csv"))
    assert found == expected
    found = Counter(tuple(row[name] for name in names) for row in rows(out / "faults.csv"))
    assert found == Counter(tuple(row[name] for name in names) for row in rows(SAMPLE / "expected_faults.csv"))

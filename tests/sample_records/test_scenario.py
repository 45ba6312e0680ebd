"""The sample records are what the planting code plants, and their document tells all of it."""

from __future__ import annotations

import csv
import os
import re
import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_records"

RULES = (
    "preservative-on-wrong-material",
    "flight-before-cure",
    "product-before-cure",
    "ice-adhesion-treatment-not-last",
    "ppe-sign-off-missing",
    "ice-adhesion-treatment-overdue",
)

PACKS = ("deicer-care", "record-content", "impossible-records")
SHIPPED = sorted(path.stem for pack in PACKS for path in (ROOT / "rules" / pack).glob("*.yaml"))


def plant(*arguments: str, root: Path = ROOT, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "sample_records.plant", *arguments],
        cwd=root,
        env=os.environ | environment,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """A copy of the planting code and its files, to be altered."""
    shutil.copytree(SAMPLE, tmp_path / "sample_records", ignore=shutil.ignore_patterns("__pycache__"))
    return tmp_path


def rows(name: str) -> list[dict[str, str]]:
    with (SAMPLE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def section(title: str) -> dict[str, list[str]]:
    """The table rows under a heading of SCENARIO.md: number to cells."""
    text = (SAMPLE / "SCENARIO.md").read_text(encoding="utf-8")
    body = re.split(r"^## ", text.split(f"## {title}", 1)[1], maxsplit=1, flags=re.MULTILINE)[0]
    cells = (line.strip("| ").split(" | ") for line in body.splitlines() if line.startswith("| "))
    return {number: rest for number, *rest in cells if number != "no."}


@pytest.mark.parametrize(("seed", "timezone"), [("1", "UTC"), ("2", "Asia/Tokyo")])
def test_files_on_disk_are_reproduced_byte_for_byte(seed: str, timezone: str) -> None:
    """Neither the hash seed nor the clock of the machine has a part in the files."""
    run = plant("--check", PYTHONHASHSEED=seed, TZ=timezone)
    assert run.returncode == 0, run.stdout + run.stderr


def test_check_names_files_that_differ(copy: Path) -> None:
    """An altered, a missing and a foreign file are each named, and nothing is written."""
    folder = copy / "sample_records"
    findings = folder / "expected_findings.csv"
    findings.write_bytes(findings.read_bytes() + b"\n")
    (folder / "tarnwhistle" / "lots.csv").unlink()
    (folder / "tarnwhistle" / "stray.csv").write_text("", encoding="utf-8")
    run = plant("--check", root=copy)
    assert run.returncode == 1
    assert "expected_findings.csv, tarnwhistle/lots.csv, tarnwhistle/stray.csv" in run.stdout
    assert not (folder / "tarnwhistle" / "lots.csv").exists()


def test_planting_restores_the_files(copy: Path) -> None:
    """Without `--check` the files are written as they are in the repository."""
    folder = copy / "sample_records"
    shutil.rmtree(folder / "tarnwhistle")
    assert plant(root=copy).returncode == 0
    for path in (SAMPLE / "tarnwhistle").iterdir():
        assert (folder / "tarnwhistle" / path.name).read_bytes() == path.read_bytes()


def test_document_lists_every_expected_finding() -> None:
    """Each expected finding stands in the faults table, in a row with its rule and aircraft."""
    faults = section("Faults: must be found").values()
    for finding in rows("expected_findings.csv"):
        without = finding["flight_id"] or "component history" if finding["unit"] == "h" else "no treatment before"
        label = finding["task_id"] or without
        figures = f", {finding['measured']} {finding['unit']}" if finding["measured"] else ""
        entry = f"{label}: {finding['position']}{figures}"
        assert any(
            finding["rule"] in rules.split("<br>")
            and aircraft == finding["aircraft"]
            and entry in expected.split("<br>")
            for rules, aircraft, _, _, expected in faults
        ), entry


def test_document_lists_nothing_that_is_not_expected() -> None:
    """The faults table has as many entries as there are expected findings."""
    entries = [entry for *_, expected in section("Faults: must be found").values() for entry in expected.split("<br>")]
    assert len(entries) == len(rows("expected_findings.csv"))


@pytest.mark.parametrize("rule", RULES)
def test_every_rule_has_three_faults_and_a_near_miss(rule: str) -> None:
    """Each rule is planted at least three times, and at least once it must keep silent."""
    planted = Counter(
        (title, each)
        for title in ("Faults: must be found", "Near misses: must not be found")
        for rules, *_ in section(title).values()
        for each in rules.split("<br>")
    )
    assert planted["Faults: must be found", rule] >= 3
    assert planted["Near misses: must not be found", rule] >= 1


@pytest.mark.parametrize("rule", SHIPPED)
def test_every_rule_that_ships_has_a_fault_and_a_near_miss(rule: str) -> None:
    """The sample shows each rule at work, and once where it must keep silent."""
    for title in ("Faults: must be found", "Near misses: must not be found"):
        assert any(rule in rules.split("<br>") for rules, *_ in section(title).values()), title


def test_document_lists_every_doubt_and_every_reject() -> None:
    """Each subject that can't be judged and each row set aside stands in its table."""
    doubts = section("In doubt: must be left unjudged").values()
    for subject in rows("expected_outcomes.csv"):
        assert any(
            subject["rule"] in rules.split("<br>")
            and (subject["task_id"] or subject["flight_id"]) in records.split(", ")
            and subject["reason"] == expected
            for rules, _, _, records, expected in doubts
        ), subject
    for heading, name in (
        ("Rows that must be set aside", "expected_quarantine.csv"),
        ("Cells that can't be read, in rows that are audited without them", "expected_faults.csv"),
    ):
        documented = Counter(expected for *_, expected in section(heading).values())
        # Two rows of one key are one entry.
        rejects = {(reject["column"], reject["value"], reject["kind"]) for reject in rows(name)}
        assert documented == Counter(f"{column}: {kind}" for column, _, kind in rejects)


def test_records_named_in_the_document_exist() -> None:
    """Every task and flight number in the document is one of the export."""
    text = (SAMPLE / "SCENARIO.md").read_text(encoding="utf-8")
    numbers = {row["task_id"] for row in rows("tarnwhistle/tasks.csv")}
    numbers |= {row["flight_id"] for row in rows("tarnwhistle/flights.csv")}
    named = set(re.findall(r"\b[TF]-[A-Z]{3}-\d+\b", text))
    assert named
    assert named <= numbers


def test_expected_quarantine_points_at_its_lines() -> None:
    """Line and value of each expected reject are those of the file, its header being line 1."""
    for reject in rows("expected_quarantine.csv"):
        row = rows(f"tarnwhistle/{reject['table']}.csv")[int(reject["line"]) - 2]
        assert row[reject["column"]] == reject["value"]

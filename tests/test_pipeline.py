"""The whole way of an audit: what adds up, what is repeatable, what the as-of time hides."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

import audit
from audit.findings.result import (
    COVERAGE_COLUMNS,
    FINDING_COLUMNS,
    PLACE_COLUMNS,
    ROW_COLUMNS,
    UNJUDGED_COLUMNS,
    AuditResult,
)
from audit.pipeline import Audited
from audit.report.files import contents
from audit.report.formats import FILES
from audit.shipped import rules_folder, sample_folder


@pytest.fixture(scope="module")
def result(sample_audit: Audited) -> AuditResult:
    """The audit of the sample records."""
    return sample_audit.result


def test_outcomes_add_up_for_every_rule(result: AuditResult) -> None:
    """in_scope = complies + findings + unjudged, and each finding and unjudged subject is a row."""
    coverage = result.coverage
    total = coverage["complies"] + coverage["findings"] + coverage["unjudged"]
    assert (coverage["in_scope"] == total).all()
    assert result.findings["rule"].value_counts().to_dict() == {
        rule: count for rule, count in zip(coverage["rule"], coverage["findings"], strict=True) if count
    }
    assert len(result.unjudged) == coverage["unjudged"].sum()
    assert (coverage["idle"] == (coverage["in_scope"] == 0)).all()


def test_every_row_is_accounted_for(result: AuditResult) -> None:
    """rows read = rows audited + rows quarantined, for each table, and the rows read are those in the files."""
    for table, count in result.rows.items():
        assert count.read == count.audited + count.quarantined
        with (sample_folder() / f"{table}.csv").open(encoding="utf-8", newline="") as file:
            assert count.read == sum(1 for _ in csv.reader(file)) - 1
    records = result.records
    audited = result.rows["tasks"].audited
    assert records.closed + records.open + records.void + records.after_as_of == audited


def test_a_clean_verdict_over_unread_rows_says_so(result: AuditResult) -> None:
    """Quarantined rows count as unread beside each rule that would have read their table."""
    unread = dict(zip(result.coverage["rule"], result.coverage["unread"], strict=True))
    tasks, flights = result.rows["tasks"].quarantined, result.rows["flights"].quarantined
    assert tasks
    assert flights
    assert unread["ppe-sign-off-missing"] == tasks
    assert unread["flight-before-cure"] == tasks + flights


def test_columns_are_those_promised(result: AuditResult) -> None:
    """The frames carry exactly the documented columns."""
    assert tuple(result.findings.columns) == (*FINDING_COLUMNS, *ROW_COLUMNS, *PLACE_COLUMNS)
    assert tuple(result.unjudged.columns) == UNJUDGED_COLUMNS
    assert tuple(result.coverage.columns) == COVERAGE_COLUMNS
    assert tuple(result.quarantine.columns) == ("table", "file", "line", "column", "value", "reason")


def test_findings_are_located_where_asked(result: AuditResult) -> None:
    """Each finding says on which line of which file the record, boot or flight that shows it stands."""
    located = result.findings
    names = {"tasks.csv": "task_id", "components.csv": "component_serial", "flights.csv": "flight_id"}
    assert names.keys() == set(located["file"])
    for name, column in names.items():
        lines = (sample_folder() / name).read_text(encoding="utf-8").splitlines()
        for row in located[located["file"] == name].to_dict("records"):
            assert row[column] in lines[row["line"] - 1].split(",")


def test_every_finding_has_its_evidence(result: AuditResult) -> None:
    """Aircraft, time, message and remedy are never blank; a hold shows how much was short."""
    for name in ("aircraft", "message", "put_right", "level", "state"):
        assert (result.findings[name] != "").all()
    assert result.findings["at"].notna().all()
    holds = result.findings[result.findings["rule"] == "flight-before-cure"]
    assert holds["message"].str.fullmatch(r"Flew .+ after the last coat of .+; 24 h required, .+ short\.").all()
    assert (holds["measured"] < holds["limit"]).all()


def test_nothing_after_the_as_of_time_exists(clean_export: Path) -> None:
    """As of an earlier day there are fewer findings, none of them later, and the later records are counted."""
    as_of = pd.Timestamp("2025-10-20T00:00:00Z")
    early, late = audit.run_audit(clean_export, as_of=as_of), audit.run_audit(clean_export)
    assert early.as_of == as_of
    assert 5 < len(early.findings) < len(late.findings)
    assert late.findings["at"].max() > as_of
    assert (early.findings["at"] <= as_of).all()
    assert early.records.after_as_of > 0


def test_the_same_input_gives_the_same_bytes(result: AuditResult) -> None:
    """Another process, with another hash seed in another time zone, writes identical files in every format."""
    program = (
        "import sys; from audit.pipeline import run_audit; from audit.report.files import contents; "
        "from audit.report.formats import FILES; from audit.shipped import sample_folder, sample_settings; "
        "import hashlib; [print(name, hashlib.sha256(data).hexdigest()) for name, data in "
        "contents(run_audit(sample_folder(), settings=[sample_settings()], locate=True), FILES).items()]; "
        "print(hash('seed'))"
    )
    other_seed = "2" if os.environ.get("PYTHONHASHSEED") == "1" else "1"
    done = subprocess.run(
        [sys.executable, "-c", program],
        env=os.environ | {"PYTHONHASHSEED": other_seed, "TZ": "Asia/Tokyo"},
        capture_output=True,
        text=True,
        check=True,
    )
    *said, seed = done.stdout.splitlines()
    made = contents(result, FILES)
    assert list(made) == [*(name for names in FILES.values() for name in names), "summary.json"]
    assert said == [f"{name} {hashlib.sha256(data).hexdigest()}" for name, data in made.items()]
    assert int(seed) != hash("seed")


def test_all_rules_of_a_folder_are_judged_and_no_others(tmp_path: Path) -> None:
    """With a folder of its own, an operator's rules replace those that ship."""
    rule = next(rules_folder().rglob("ppe-sign-off-missing.yaml"))
    (tmp_path / rule.name).write_bytes(rule.read_bytes())
    result = audit.run_audit(sample_folder(), rules=tmp_path)
    assert result.coverage["rule"].tolist() == ["ppe-sign-off-missing"]
    summary = json.loads(contents(result)["summary.json"])
    assert [file["name"] for file in summary["rule_files"]] == [
        "ppe-sign-off-missing.yaml",
        "tables/warnings.yaml",
    ]


def test_progress_is_told_step_by_step(clean_export: Path) -> None:
    """A caller can show what is going on: reading, placing in time, each rule, collecting."""
    steps: list[str] = []
    audit.run_audit(clean_export, progress=steps.append)
    assert steps[:3] == ["reading the rules", "reading the export", "placing it in time"]
    assert "judging flight-before-cure" in steps
    assert steps[-1] == "collecting the findings"

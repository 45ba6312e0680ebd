"""The files of a report: what is in them, and that they agree with each other."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd

from audit.findings.result import FINDING_COLUMNS, STANDING_COLUMNS, AuditResult
from audit.report.files import WORK_LIST, contents, is_kept, write_result

NAMES = [
    "findings.csv",
    "unjudged.csv",
    "coverage.csv",
    "quarantine.csv",
    "faults.csv",
    "findings.json",
    "report.html",
    "worklist.html",
    "worklist.xlsx",
    "summary.json",
]


def summary_of(result: AuditResult) -> dict[str, Any]:
    """Read back summary.json."""
    read: dict[str, Any] = json.loads(contents(result)["summary.json"])
    return read


def test_every_file_is_written(result: AuditResult, tmp_path: Path) -> None:
    """The folder holds exactly the files of the default formats, with the bytes that were made."""
    paths = write_result(result, tmp_path / "a" / "report")
    assert [path.name for path in paths] == NAMES
    assert {path.name: path.read_bytes() for path in paths} == contents(result)
    assert sorted(p.name for p in (tmp_path / "a" / "report").iterdir()) == sorted(NAMES)


def test_the_same_result_gives_the_same_bytes(result_of: Callable[..., AuditResult]) -> None:
    """Two results of the same audit are written alike, whatever order their files were read in."""
    one, other = result_of(), result_of()
    other = result_of(inputs=tuple(reversed(one.inputs)))
    assert contents(one) == contents(other)


def test_findings_json_and_csv_say_the_same(result: AuditResult) -> None:
    """Both formats hold every finding with the columns of the contract, JSON with a version."""
    files = contents(result)
    document = json.loads(files["findings.json"])
    rows = list(csv.DictReader(io.StringIO(files["findings.csv"].decode(), newline="")))
    assert document["format"] == "deicer-audit-findings/2"
    assert document["as_of"] == "2026-05-31T22:10:00Z"
    assert [tuple(row) for row in document["findings"]] == [(*FINDING_COLUMNS, *STANDING_COLUMNS)] * len(rows)
    assert [
        {name: "" if value is None else str(value) for name, value in row.items()} for row in document["findings"]
    ] == rows


def test_summary_counts(result: AuditResult) -> None:
    """The summary has every level, even at nought, and sums that reconcile with the coverage."""
    summary = summary_of(result)
    assert summary["findings_per_level"] == {"1": 0, "2": 2, "observation": 0}
    assert sum(summary["findings_per_rule"].values()) == summary["findings"] == 2
    assert summary["rows"]["tasks"] == {"read": 120, "audited": 119, "quarantined": 1}
    assert summary["records"] == {"closed": 110, "open": 6, "void": 2, "after_as_of": 1}
    coverage = summary["coverage"]
    assert coverage["in_scope"] == sum(coverage[outcome] for outcome in ("complies", "findings", "unjudged"))
    assert coverage["idle_rules"] == ["lot-expired"]
    assert summary["unjudged_per_rule"] == {"flight-before-cure": {"ambiguous time": 2, "no boot known": 1}}
    assert [source["name"] for source in summary["inputs"]] == ["flights.csv", "tasks.csv"]
    assert summary["rule_files"] == [{"name": "cure.yaml", "sha256": "ab" * 32, "size": 2311}]


def test_summary_tells_a_mixed_set(result: AuditResult) -> None:
    """The summary holds the SHA-256 of every other file, so files of two runs don't pass as one."""
    files = contents(result)
    outputs = json.loads(files["summary.json"])["outputs"]
    assert outputs == {name: hashlib.sha256(files[name]).hexdigest() for name in NAMES if name != "summary.json"}


def test_an_empty_audit_is_written(result_of: Callable[..., AuditResult]) -> None:
    """No findings, no as-of time, untyped empty frames: still every file, and nothing judged."""
    full = result_of()
    coverage = full.coverage.assign(in_scope=0, complies=0, findings=0, unjudged=0, idle=True)
    empty = result_of(
        as_of=pd.NaT,
        findings=pd.DataFrame(columns=full.findings.columns),
        unjudged=pd.DataFrame(columns=full.unjudged.columns),
        coverage=coverage,
    )
    files = contents(empty)
    assert list(files) == NAMES
    summary = json.loads(files["summary.json"])
    assert (summary["as_of"], summary["nothing_judged"], summary["findings"]) == (None, True, 0)


def test_a_file_name_that_is_no_text(result_of: Callable[..., AuditResult]) -> None:
    """An export folder named in bytes that are not UTF-8 doesn't stop the report."""
    files = contents(result_of(export_name="nightly\udcff"))
    assert json.loads(files["summary.json"])["export"] == "nightly\udcff"
    assert rb"nightly\udcff" in files["report.html"]


def test_a_work_list_with_answers_is_never_lost(result: AuditResult, tmp_path: Path) -> None:
    """A work list that somebody has written into is kept under another name; an untouched one is replaced."""
    write_result(result, tmp_path)
    assert not [path for path in write_result(result, tmp_path) if is_kept(path.name)]
    (tmp_path / WORK_LIST).write_bytes(b"answers")
    [kept] = [path for path in write_result(result, tmp_path, ["csv"]) if is_kept(path.name)]
    assert kept.read_bytes() == b"answers"
    assert not (tmp_path / WORK_LIST).exists()
    (tmp_path / WORK_LIST).write_bytes(b"others")
    for path in tmp_path.iterdir():
        if path.name != WORK_LIST and not is_kept(path.name):
            path.unlink()
    write_result(result, tmp_path)
    assert sorted(path.read_bytes() for path in tmp_path.glob("worklist-kept-*.xlsx")) == [b"answers", b"others"]

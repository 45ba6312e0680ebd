"""The audit of the sample records says what was planted in them: no more, no less."""

from __future__ import annotations

import csv
import io
from collections import Counter
from datetime import datetime
from decimal import Decimal
from pathlib import Path

import pytest

from audit.pipeline import Audited, run_audit
from audit.report.files import contents
from audit.shipped import sample_folder, sample_settings

SAMPLE = Path(__file__).parents[1] / "sample_records"

Row = dict[str, str]
Tables = dict[str, list[Row]]


def table(content: bytes) -> list[Row]:
    return list(csv.DictReader(io.StringIO(content.decode(), newline="")))


def rows(name: str) -> list[Row]:
    """What was planted, by one of the files that say so."""
    return table((SAMPLE / name).read_bytes())


@pytest.fixture(scope="module")
def out(sample_audit: Audited) -> Tables:
    """The tables that the audit of the sample records writes, by the name of their file."""
    files = contents(sample_audit.result, ["csv"])
    return {name: table(content) for name, content in files.items() if name.endswith(".csv")}


def finding(row: Row) -> tuple[object, ...]:
    """What identifies a finding and its figures, numbers and instants by value, not by spelling."""
    names = ("rule", "aircraft", "position", "work_order", "task_id", "flight_id", "unit")
    figures = (Decimal(row[name]) if row[name] else None for name in ("measured", "limit"))
    return (*(row[name] for name in names), datetime.fromisoformat(row["at"]), *figures)


def test_findings_are_those_planted(out: Tables) -> None:
    """Every planted fault is found once, with its figures, and nothing else is."""
    found = Counter(map(finding, out["findings.csv"]))
    expected = Counter(map(finding, rows("expected_findings.csv")))
    assert found - expected == Counter()
    assert expected - found == Counter()


@pytest.mark.parametrize("nth", [-1, -5])
def test_what_is_found_in_the_midst_of_a_job_is_found_ever_after(sample_audit: Audited, nth: int) -> None:
    """As of the end of a second coat of three: nothing is found that what came later shows to be none."""
    tasks = sample_audit.timeline.tables["tasks"]
    job = ["work_order", "aircraft", "position", "product"]
    third = tasks.loc[tasks["coat"] == 3, job].astype("str")
    second = tasks.loc[tasks["coat"] == 2, [*job, "finished_at"]].astype(dict.fromkeys(job, "str")).merge(third)
    as_of = second["finished_at"].sort_values().iloc[nth].to_pydatetime()
    then = run_audit(sample_folder(), settings=[sample_settings()], as_of=as_of).findings
    known = set(sample_audit.result.findings["finding_id"])
    assert len(then) > 10
    assert then.loc[~then["finding_id"].isin(known), "message"].tolist() == []


@pytest.mark.parametrize("name", ["findings.csv", "unjudged.csv"])
def test_every_subject_is_named(out: Tables, name: str) -> None:
    """Whoever reads a row knows of which aircraft it is, and of which record, boot or flight."""
    names = ("work_order", "task_id", "component_serial", "flight_id", "position")
    assert [row for row in out[name] if not row["aircraft"] or not any(row.get(column) for column in names)] == []


def test_what_a_correction_put_right_names_it(out: Tables) -> None:
    """What only the first entry was at fault for is listed as corrected, by that correction and no other."""
    by = {
        (row["rule"], row["task_id"]): row["corrected_by"]
        for row in out["findings.csv"]
        if row["corrected_by"].startswith("K-")
    }
    expected = rows("expected_findings.csv")
    planted = {
        (row["rule"], row["task_id"]): row["entry_corrected_by"] for row in expected if row["entry_corrected_by"]
    }
    assert by == planted
    assert planted


def test_what_cannot_be_judged_is_counted(out: Tables) -> None:
    """Each of the planted rules leaves exactly the planted subjects unjudged."""
    expected = Counter(row["rule"] for row in rows("expected_outcomes.csv"))
    planted = {row["rule"] for row in rows("expected_findings.csv")}
    coverage = {row["rule"]: int(row["unjudged"]) for row in out["coverage.csv"]}
    assert {rule: coverage[rule] for rule in planted} == {rule: expected[rule] for rule in planted}


def test_quarantine_is_what_was_miswritten(out: Tables) -> None:
    """Each miswritten row is set aside at its line, and no other row is."""
    names = ("table", "line", "column", "value")
    found = Counter(tuple(row[name] for name in names) for row in out["quarantine.csv"])
    expected = Counter(tuple(row[name] for name in names) for row in rows("expected_quarantine.csv"))
    assert found == expected
    found = Counter(tuple(row[name] for name in names) for row in out["faults.csv"])
    assert found == Counter(tuple(row[name] for name in names) for row in rows("expected_faults.csv"))

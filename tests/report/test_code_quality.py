"""codequality.json: what a code host asks of each issue, and which findings are issues."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from audit.errors import InternalError
from audit.findings.result import FINDING_COLUMNS, AuditResult
from audit.report.code_quality import code_quality_text
from tests.report.conftest import HOSTILE, finding, hostile_finding, make_result, with_register


def issues(result: AuditResult) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads(code_quality_text(result))
    return found


def test_every_finding_is_an_issue() -> None:
    """The six keys that the host asks for; the place in the export is in the description, and never in the identity."""
    [one] = issues(make_result([finding(1)]))
    assert one == {
        "description": "TARN-001, left wing: Flew 5 h 12 min after the last coat; 24 h required; 18 h 48 min short. "
        "(tasks.csv, line 3)",
        "check_name": "flight-before-cure",
        "fingerprint": finding(1)["key"],
        "severity": "major",
        "location": {"path": "tasks", "lines": {"begin": 1}},
    }
    [other] = issues(make_result([finding(1, file="tonight.csv", line=9)]))
    assert {**other, "description": ""} == {**one, "description": ""}


def test_levels_are_severities() -> None:
    """Level 1 is critical, level 2 major, an observation info."""
    found = issues(make_result([finding(n, level=level) for n, level in enumerate(("1", "2", "observation"))]))
    assert [one["severity"] for one in found] == ["critical", "major", "info"]


def test_what_is_decided_or_put_right_is_no_issue() -> None:
    """The list is what fails the check: a decision that expired is on it again."""
    rows = [
        finding(1, decision="deferred"),
        finding(2, decision="expired"),
        finding(3, state="corrected"),
        finding(4),
    ]
    assert [one["fingerprint"] for one in issues(with_register(rows))] == [finding(2)["key"], finding(4)["key"]]


def test_nothing_found_is_an_empty_list() -> None:
    """So that a host closes what was there before."""
    assert issues(make_result([])) == []


def test_hostile_text_is_spelled_out() -> None:
    """No control or direction mark is left, and long text of records is cut."""
    text = code_quality_text(make_result([hostile_finding(1) | {"aircraft": HOSTILE * 500}]))
    assert "\\u202e" not in text
    assert len(json.loads(text)[0]["description"]) < 1_500


def test_findings_have_to_be_located() -> None:
    """Without files and lines there is no list: a defect of the caller."""
    result = make_result()
    with pytest.raises(InternalError, match="locate"):
        code_quality_text(replace(result, findings=result.findings[list(FINDING_COLUMNS)]))

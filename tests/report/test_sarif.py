"""findings.sarif: what code hosts ask for beyond the schema."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from audit.errors import InternalError
from audit.findings.result import FINDING_COLUMNS, AuditResult
from audit.report import sarif
from audit.report.sarif import sarif_text
from tests.report.conftest import finding, hostile_finding, make_result, with_register


def run_of(result: AuditResult) -> dict[str, Any]:
    """Read back the one run of the log."""
    [run] = json.loads(sarif_text(result))["runs"]
    return dict(run)


def test_every_finding_points_to_its_record(result: AuditResult) -> None:
    """A result has rule, level, sentence, its table, beside it file and line, and its full id as its fingerprint."""
    run = run_of(result)
    first = run["results"][0]
    assert (first["ruleId"], first["level"]) == ("flight-before-cure", "warning")
    assert first["message"]["text"].startswith("Flew 5 h 12 min")
    place = first["locations"][0]["physicalLocation"]
    assert place == {"artifactLocation": {"uri": "tasks"}, "region": {"startLine": 1}}
    beside = first["relatedLocations"][0]["physicalLocation"]
    assert beside == {"artifactLocation": {"uri": "tasks.csv"}, "region": {"startLine": 3}}
    assert first["partialFingerprints"] == {"primaryLocationLineHash": finding(1)["key"]}
    assert run["tool"]["driver"]["rules"][first["ruleIndex"]]["id"] == first["ruleId"]


def test_every_rule_explains_itself(result: AuditResult) -> None:
    """Each rule has a short and a full description, and its help says how it is put right, with its basis."""
    for told, rule in zip(run_of(result)["tool"]["driver"]["rules"], result.rules, strict=True):
        assert told["shortDescription"]["text"] == rule.title
        assert told["fullDescription"]["text"] == rule.why
        assert rule.put_right in told["help"]["text"]
        assert rule.basis[0].source in told["help"]["text"]


def test_levels_are_those_of_the_standard() -> None:
    """Level 1 is an error, level 2 a warning, an observation a note."""
    rules = {"1": "preservative-on-wrong-material", "2": "lot-expired", "observation": "ice-adhesion-treatment-overdue"}
    findings = [finding(n, level=level, rule=rule) for n, (level, rule) in enumerate(rules.items())]
    assert [one["level"] for one in run_of(make_result(findings))["results"]] == ["error", "warning", "note"]


def test_too_many_are_cut_and_said_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """Above the limit of code hosts the first are written, and a notification gives the exact total."""
    assert sarif.MOST_RESULTS == 25_000
    monkeypatch.setattr(sarif, "MOST_RESULTS", 2)
    run = run_of(make_result([finding(n) for n in range(3)]))
    assert len(run["results"]) == 2
    [notice] = run["invocations"][0]["toolExecutionNotifications"]
    assert notice["message"]["text"].startswith("3 findings; the 2 most serious are here")
    assert "toolExecutionNotifications" not in run_of(make_result([finding(1), finding(2)]))["invocations"][0]


def test_hostile_text_is_spelled_out() -> None:
    """No control or direction mark is left in the log, names become URIs, and long text is cut with its length."""
    text = sarif_text(make_result([hostile_finding(1) | {"file": "a b\u202e%2F?.csv"}]))
    told = json.loads(text)["runs"][0]["results"][0]
    assert told["relatedLocations"][0]["physicalLocation"]["artifactLocation"]["uri"] == "a%20b%E2%80%AE%252F%3F.csv"
    assert told["properties"]["work_order"].endswith(" characters)")
    assert len(told["properties"]["work_order"]) < 1_500
    assert "[U+202E]" in told["properties"]["aircraft"]
    assert "\\u202e" not in text
    assert "\\u001b" not in text


def test_findings_have_to_be_located() -> None:
    """Without files and lines there is no log: a defect of the caller, not a log without places."""
    result = make_result()
    with pytest.raises(InternalError, match="locate"):
        sarif_text(replace(result, findings=result.findings[list(FINDING_COLUMNS)]))


def test_an_alert_is_the_same_whatever_the_file_is_called() -> None:
    """A nightly file that is named after the day, with more rows above, changes nothing that an alert is known by."""

    def known_by(one: dict[str, Any]) -> tuple[Any, ...]:
        [result] = run_of(make_result([one]))["results"]
        return result["locations"], result["partialFingerprints"], result["ruleId"]

    tonight = finding(1, file="tasks-2026-06-02.csv", line=999)
    assert known_by(finding(1, file="tasks-2026-06-01.csv", line=3)) == known_by(tonight)


def test_without_a_register_nothing_is_said_of_other_runs(result: AuditResult) -> None:
    """baselineState on no result, and no suppressions: nobody knows."""
    run = run_of(result)
    assert run["automationDetails"] == {"id": "deicer-audit/"}
    assert not [one for one in run["results"] if {"baselineState", "suppressions"} & set(one)]


def test_with_a_register_every_result_has_its_state() -> None:
    """New, back (new again) and still there; what is decided is suppressed with its justification, expired is not."""
    words = "deferred until 2026-08-01 by A. Plover: Parts on order"
    rows = [
        finding(1, change="new"),
        finding(2, change="back", decision="expired", decided=words),
        finding(3, decision="deferred", decided=words),
    ]
    run = run_of(with_register(rows))
    assert run["automationDetails"] == {"id": "deicer-audit/7"}
    assert [one["baselineState"] for one in run["results"]] == ["new", "new", "unchanged"]
    suppression = {"kind": "external", "status": "accepted", "justification": words}
    assert [one["suppressions"] for one in run["results"]] == [[], [], [suppression]]

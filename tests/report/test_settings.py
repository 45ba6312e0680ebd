"""Where each value of a rule comes from, as the report and the summary say it."""

from __future__ import annotations

import json
from collections.abc import Callable

from audit.findings.result import AuditResult
from audit.intake.export import InputFile
from audit.report.files import contents
from audit.rulebook.loading import Setting, SetValue

RULE_FILE = SetValue("50", "rule file", "", "care/overdue.yaml")
OPERATOR = SetValue("40", "operator", "Programme <7>", "ours.yaml")


def test_where_a_value_comes_from_is_told(result_of: Callable[..., AuditResult]) -> None:
    """The value in force, who set it and by what authority, what it overrides, and aircraft that nobody exported; a
    value of the rule file is not marked."""
    settings = (
        Setting("overdue", "at_most.flight_hours", (RULE_FILE, OPERATOR)),
        Setting("overdue", "level", (SetValue("2", "rule file", "", "care/overdue.yaml"),)),
    )
    files = contents(
        result_of(
            settings=settings, settings_files=(InputFile("ours.yaml", "0f" * 32, 77),), not_in_export=("TARN-GONE",)
        )
    )
    page = files["report.html"].decode()
    assert "<strong>40</strong> instead of 50 (rule file)" in page
    assert "operator: Programme &lt;7&gt;" in page
    assert "<td>2</td>" in page
    assert "doesn&#39;t know them: TARN-GONE" in page or "doesn't know them: TARN-GONE" in page
    assert page.count("0f" * 32) == 1
    summary = json.loads(files["summary.json"])
    assert summary["settings"] == [
        {
            "rule": "overdue",
            "key": "at_most.flight_hours",
            "value": "40",
            "set_by": "operator",
            "file": "ours.yaml",
            "source": "Programme <7>",
            "over": [{"value": "50", "set_by": "rule file", "file": "care/overdue.yaml"}],
        },
        {
            "rule": "overdue",
            "key": "level",
            "value": "2",
            "set_by": "rule file",
            "file": "care/overdue.yaml",
            "over": [],
        },
    ]
    assert summary["settings_files"] == [{"name": "ours.yaml", "sha256": "0f" * 32, "size": 77}]
    assert summary["aircraft_not_in_export"] == ["TARN-GONE"]

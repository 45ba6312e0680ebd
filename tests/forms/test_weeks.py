"""What is counted by station and week while a rule is judged is what a slow count of every subject gives."""

from collections import defaultdict
from datetime import UTC, datetime, timedelta

import pytest

from audit.forms.judging import every_subject, judge_by_week, judge_rule
from audit.language.rule import Rule
from audit.pipeline import Audited
from audit.rulebook.loading import load_rules
from audit.shipped import rules_folder
from audit.timeline.timeline import Timeline

SHIPPED = load_rules(rules_folder()).rules


def slowly(rule: Rule, timeline: Timeline) -> dict[tuple[str, str], tuple[int, int]]:
    """Checks and findings by station and Monday, subject by subject."""
    found: dict[tuple[str, str], list[int]] = defaultdict(lambda: [0, 0])
    for case in every_subject(rule, timeline).to_dict("records"):
        if case["outcome"] == "unjudged":
            continue
        task = case["task"]
        at = timeline.times["started_at"][task] if task >= 0 else case["at"]
        day = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=int(at))).date()
        station = str(timeline.tasks["station"].iloc[task]) if task >= 0 else ""
        counts = found[station, str(day - timedelta(days=day.weekday()))]
        counts[0] += 1
        counts[1] += case["outcome"] == "finding"
    return {key: (checks, findings) for key, (checks, findings) in found.items()}


@pytest.mark.parametrize("rule", SHIPPED, ids=lambda rule: rule.id)
def test_the_weeks_of_a_rule(rule: Rule, sample_audit: Audited) -> None:
    outcomes, weeks = judge_by_week(rule, sample_audit.timeline)
    days = weeks["week"].astype("datetime64[us]").dt.strftime("%Y-%m-%d") if len(weeks) else []
    counted = zip(weeks["checks"].tolist(), weeks["findings"].tolist(), strict=True)
    found = dict(zip(zip(weeks["station"], days, strict=True), counted, strict=True))
    assert found == slowly(rule, sample_audit.timeline)
    assert outcomes.cases.equals(judge_rule(rule, sample_audit.timeline).cases)
    assert weeks["checks"].sum() == outcomes.complies + outcomes.findings

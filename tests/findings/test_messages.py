"""What a finding says broke."""

from __future__ import annotations

from audit.findings.collect import collect
from audit.forms.judging import judge_rule
from audit.rulebook.examples import example_export
from audit.rulebook.loading import load_rules
from audit.shipped import rules_folder
from audit.timeline.timeline import build_timeline


def test_of_alternatives_the_sentence_says_what_was_asked_for() -> None:
    """A record that meets none of a rule's alternatives is told what one of them asks, not the rule's title again."""
    rule = next(rule for rule in load_rules(rules_folder()).rules if rule.id == "manual-not-in-force")
    example = next(one for one in rule.examples if one.name == "by the old revision on the day of its supersession")
    timeline = build_timeline(example_export(example))
    findings, _ = collect(rule, judge_rule(rule, timeline), timeline)
    assert findings["message"].tolist() == [
        "Day of supersession is 2025-06-02; after the local date of the work (2025-06-02) asked for."
    ]

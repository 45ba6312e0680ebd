"""A form answers what the outcome of every subject is now, complying ones included."""

from __future__ import annotations

from collections import Counter

import pytest

from audit.authoring.running import timeline_of
from audit.findings.collect import collect, outcomes_now
from audit.forms.judging import judge_rule
from audit.forms.reads import text_columns
from audit.intake.reading import read_export
from audit.language.rule import Example
from audit.rulebook.loading import load_rules
from audit.shipped import rules_folder, sample_folder
from audit.timeline.timeline import Timeline, build_timeline

RULES = load_rules(rules_folder()).rules
INSPECTION = {"action": "inspect", "started_at": "2025-06-02T09:00:00Z"}


@pytest.fixture(scope="module")
def timeline() -> Timeline:
    return build_timeline(read_export(sample_folder(), text_columns(RULES)))


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.id)
def test_every_subject_has_one_outcome(rule, timeline: Timeline) -> None:  # type: ignore[no-untyped-def]
    """As many subjects as are in scope, each with a key of its own; findings have the keys that they are listed by."""
    outcomes = judge_rule(rule, timeline)
    now = outcomes_now(rule, timeline)
    assert Counter(now.values()) == Counter(
        {
            name: count
            for name, count in (
                ("complies", outcomes.complies),
                ("finding", outcomes.findings),
                ("unjudged", outcomes.unjudged),
            )
            if count
        }
    )
    listed = collect([(rule, outcomes)], timeline).findings["key"]
    assert {key for key, outcome in now.items() if outcome == "finding"} == set(listed)


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.id)
def test_a_rule_with_nothing_in_scope_has_no_outcomes(rule, timeline: Timeline) -> None:  # type: ignore[no-untyped-def]
    """An idle rule answers with nothing, as it finds nothing."""
    idle = timeline_of(Example.model_validate({"name": "idle", "expect": "out-of-scope", "tasks": [INSPECTION]}))
    assert len(outcomes_now(rule, idle)) == judge_rule(rule, idle).in_scope

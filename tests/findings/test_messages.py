"""What a finding says broke."""

from __future__ import annotations

from audit.authoring.examples import Example, example_export
from audit.findings.collect import collect
from audit.forms.judging import judge_rule
from audit.rulebook.loading import load_rules
from audit.shipped import rules_folder
from audit.timeline.timeline import build_timeline


def test_of_alternatives_the_sentence_says_what_was_asked_for() -> None:
    """A record that meets none of a rule's alternatives is told what one of them asks, not the rule's title again."""
    rule = next(rule for rule in load_rules(rules_folder()).rules if rule.id == "manual-not-in-force")
    example = next(one for one in rule.examples if one.name == "by the old revision on the day of its supersession")
    timeline = build_timeline(example_export(example))
    findings = collect([(rule, judge_rule(rule, timeline))], timeline).findings
    assert findings["message"].tolist() == ["Revision 4 was superseded 2025-06-02; work done 2025-06-02."]


def test_of_a_list_the_sentence_says_what_is_missing() -> None:
    """Steps that were not signed off are named, with those that were beside them."""
    rule = next(rule for rule in load_rules(rules_folder()).rules if rule.id == "prep-not-rinsed-and-dried")
    example = next(one for one in rule.examples if one.name == "not dried")
    timeline = build_timeline(example_export(example))
    findings = collect([(rule, judge_rule(rule, timeline))], timeline).findings
    assert findings["message"].tolist() == ["`dried` not signed off."]


def test_of_several_boots_the_sentence_says_what_is_wrong_with_the_first() -> None:
    """A record for all positions that two of the boots make a finding is one finding, about no one boot."""
    rule = next(rule for rule in load_rules(rules_folder()).rules if rule.id == "preservative-on-wrong-material")
    fitted = {"aircraft": "A", "material": "chloroprene", "installed_at": "2025-01-01T00:00:00Z"}
    boots = [("left wing", "black"), ("right wing", "silver"), ("fin", "silver")]
    example = Example.model_validate(
        {
            "name": "n",
            "expect": "finding",
            "tasks": [{"aircraft": "A", "product": "P", "position": "all", "started_at": "2025-06-02T09:00:00Z"}],
            "products": [{"product": "P", "product_class": "rubber-preservative"}],
            "components": [
                fitted | {"position": position, "finish": finish, "component_serial": f"S-{position}"}
                for position, finish in boots
            ],
        }
    )
    timeline = build_timeline(example_export(example))
    findings = collect([(rule, judge_rule(rule, timeline))], timeline).findings
    assert findings["message"].tolist() == ["At fin: P on a boot with silver finish; black required."]
    assert findings[["position", "component_serial"]].to_numpy().tolist() == [["fin; right wing", ""]]

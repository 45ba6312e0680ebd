"""A subject that complies has the id that it had as a finding: told of the sample records, with easier rules."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import TypeAdapter

from audit.findings.collect import collect, outcomes_now
from audit.forms.judging import judge_rule
from audit.language.rule import Rule
from audit.pipeline import Audited

EASIER: Mapping[str, tuple[str, Any]] = {
    "record": ("require", {"task_id": {"present": True}}),
    "hold": ("duration", "PT1S"),
    "interval": ("at_most", {"flight_hours": 1e6}),
    "spacing": ("pause", {"at_least": "PT0S"}),
    "count": ("coats", {"at_least": 1}),
}
"""By form, a field and a value of it that everything meets."""


def easier(rule: Rule) -> Rule | None:
    """The rule with a requirement that everything meets, None where it has none that could be eased."""
    name, value = EASIER.get(rule.form, ("", None))
    if getattr(rule, name, None) is None:
        return None
    field = type(rule).model_fields[name]
    parsed = TypeAdapter(Annotated[field.annotation, *(field.metadata or [None])]).validate_python(value)  # type: ignore[name-defined]
    return rule.model_copy(update={name: parsed})


def test_subjects_that_comply_are_known_again(sample_audit: Audited) -> None:
    """With a requirement that all subjects meet, each finding's subject complies under the id that it had."""
    eased = set()
    for rule in sample_audit.result.rules:
        found = sample_audit.result.findings[sample_audit.result.findings["rule"] == rule.id]
        if not len(found) or (other := easier(rule)) is None:
            continue
        outcomes = judge_rule(other, sample_audit.timeline)
        broken = set(collect([(other, outcomes)], sample_audit.timeline).findings["key"])
        now = outcomes_now(other, sample_audit.timeline)
        told = {key: now.get(key, "not there") for key in found["key"] if key not in broken}
        assert set(told.values()) <= {"complies", "unjudged"}, rule.id
        if "complies" in told.values():
            eased.add(rule.form)
    assert eased == set(EASIER)

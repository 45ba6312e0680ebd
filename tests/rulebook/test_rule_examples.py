"""The examples that the rules carry, and their defaults."""

from __future__ import annotations

from collections import defaultdict

import pytest

from audit.forms.examples import ExampleResult, run_examples
from audit.rulebook.examples import example_export
from audit.rulebook.loading import load_rules
from audit.rulebook.models import Example
from audit.shipped import rules_folder

RULES = load_rules(rules_folder()).rules
RESULTS = list(run_examples(RULES))


@pytest.mark.parametrize("result", RESULTS, ids=lambda result: f"{result.rule_id}: {result.example_name}")
def test_every_example_is_judged_as_it_says(result: ExampleResult) -> None:
    """Each example of each rule, through intake, timeline and form."""
    assert result.passed, f"expected {result.expected}, got {result.got}"


def test_the_six_rules_are_there_with_their_forms_and_levels() -> None:
    """The rules that outside checks rely on keep their ids, forms and levels."""
    assert {(rule.id, rule.form, rule.level) for rule in RULES} >= {
        ("preservative-on-wrong-material", "record", "1"),
        ("flight-before-cure", "hold", "2"),
        ("product-before-cure", "hold", "2"),
        ("ice-adhesion-treatment-not-last", "order", "2"),
        ("ppe-sign-off-missing", "record", "2"),
        ("ice-adhesion-treatment-overdue", "interval", "observation"),
    }


def test_every_rule_shows_each_outcome_it_can_have() -> None:
    """Complies and finding always; unjudged for every rule but the one that asks only what is present."""
    shown = defaultdict(set)
    for result in RESULTS:
        shown[result.rule_id].add(result.expected)
    for rule_id, outcomes in shown.items():
        wanted = {"complies", "finding"} if rule_id == "ppe-sign-off-missing" else {"complies", "finding", "unjudged"}
        assert outcomes >= wanted, rule_id


def test_a_known_gap_must_fail() -> None:
    """A gap that is closed makes its example fail, so that the mark is taken away."""
    assert ExampleResult("r", "e", expected="finding", got="complies", known_gap=True).passed
    assert not ExampleResult("r", "e", expected="finding", got="finding", known_gap=True).passed


def test_defaults_fill_what_an_example_leaves_out() -> None:
    """A row that names its start only is a whole record; null takes a default away."""
    example = Example(
        name="x",
        expect="complies",
        tasks=({"started_at": "2025-06-02T09:00:00Z"}, {"started_at": "2025-06-02T09:00:00Z", "position": None}),
    )
    tasks = example_export(example).tables["tasks"]
    assert tasks["task_id"].tolist() == ["T1", "T2"]
    assert tasks["finished_at"].astype("str").tolist()[0].startswith("2025-06-02 09:10")
    assert tasks["position"].astype("object").isna().tolist() == [False, True]


def test_an_empty_list_means_not_supplied() -> None:
    """An example says that a table is missing by giving it no rows."""
    example = Example(name="x", expect="complies", tasks=({"started_at": "2025-06-02T09:00:00Z"},), components=())
    assert "components" not in example_export(example).tables

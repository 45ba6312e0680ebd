"""The examples that the rules carry, and their defaults."""

from __future__ import annotations

import re

import pytest

from audit.authoring.examples import example_export
from audit.authoring.running import ExampleResult, run_examples
from audit.authoring.unknowns import unjudged_when
from audit.intake.tables import PRODUCT_CLASSES
from audit.language.rule import Example, Rule
from audit.rulebook.loading import load_rules
from audit.shipped import rules_folder

RULES = load_rules(rules_folder()).rules


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.id)
def test_every_example_is_judged_as_it_says(rule: Rule) -> None:
    """Each example of each rule, through intake, timeline and form."""
    wrong = [result for result in run_examples([rule]) if not result.passed]
    assert [f"{result.example_name}: expected {result.expected}, got {result.got}" for result in wrong] == []


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


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.id)
def test_every_rule_shows_each_outcome_it_can_have(rule: Rule) -> None:
    """Complies and finding always; unjudged where, by its explanation, something can leave it unjudged."""
    shown = {example.expect for example in rule.examples if example.known_gap is None} - {"out-of-scope"}
    assert shown == {"complies", "finding"} | ({"unjudged"} if unjudged_when(rule) else set())


def test_a_known_gap_must_fail() -> None:
    """A gap that is closed makes its example fail, so that the mark is taken away."""
    assert ExampleResult("r", "e", expected="finding", got="complies", known_gap="not yet").passed
    assert not ExampleResult("r", "e", expected="finding", got="finding", known_gap="not yet").passed


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


def test_reference_lists_are_there_unless_said_otherwise() -> None:
    """A boot, a product of each class and three stations; no lots, people or manuals."""
    tables = example_export(Example(name="x", expect="complies")).tables
    boots = tables["components"][["component_serial", "material", "finish", "position"]]
    assert boots.astype("object").to_numpy().tolist() == [["C1", "chloroprene", "black", "left wing"]]
    assert set(tables["products"]["product"].astype("object")) == set(PRODUCT_CLASSES)
    assert tables["stations"]["timezone"].astype("object").tolist() == ["UTC", "Europe/Berlin", "America/New_York"]
    assert not {"lots", "people", "manuals"} & set(tables)


def test_a_table_without_rows_is_not_a_table_that_is_missing() -> None:
    """An empty list is a table without rows; `not_supplied` takes the table away."""
    example = Example(name="x", expect="complies", components=(), lots=(), not_supplied=("products", "flights"))
    tables = example_export(example).tables
    assert len(tables["components"]) == len(tables["lots"]) == 0
    assert not {"products", "flights"} & set(tables)


def test_a_table_can_not_be_missing_and_have_rows() -> None:
    """An example that says both contradicts itself."""
    with pytest.raises(ValueError, match="components can't both be missing and have rows"):
        Example(name="x", expect="complies", components=({},), not_supplied=("components",))


def test_a_result_says_how_it_came_about() -> None:
    """Counts first; then each finding with its figures, each reason, and the limit, with how many broke it."""
    [rule] = (rule for rule in RULES if rule.id == "flight-before-cure")
    by_outcome = {result.got: result.because for result in run_examples([rule])}
    counts, sentence, *limits = by_outcome["finding"]
    assert counts.endswith("1 finding, 0 unjudged")
    assert re.search(r"\d+ (h|min)", sentence)
    assert all(re.fullmatch(r"limit: at least .+; \d+ measured, [1-9]\d* broke it", limit) for limit in limits)
    assert limits
    assert len(by_outcome["unjudged"]) >= 2
    assert by_outcome["out-of-scope"] == ("0 in scope: 0 complies, 0 finding, 0 unjudged",)

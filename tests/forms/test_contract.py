"""What every form owes to the other rooms, whatever it judges."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from audit.authoring.examples import as_of_example, example_export
from audit.authoring.linting import lint
from audit.authoring.running import run_examples, timeline_of
from audit.authoring.skeletons import FILL_IN, skeleton
from audit.findings.collect import collect
from audit.forms import FORMS, form_of
from audit.forms.judging import judge_rule
from audit.forms.outcomes import cases
from audit.forms.reads import columns_read, tables_read
from audit.intake.export import Export
from audit.intake.tables import TABLES
from audit.language.rule import Rule
from audit.rulebook.loading import load_rules, read_rule
from audit.shipped import rules_folder
from audit.timeline.timeline import build_timeline
from tests.toy_form import FORGETFUL, MENTION

ALL = {**FORMS, MENTION.name: MENTION}
SHIPPED = load_rules(rules_folder()).rules
OF_THE_TIMELINE = frozenset({("tasks", "status"), ("stations", "")})
"""What the timeline reads for every rule."""


@pytest.fixture(autouse=True)
def _toy(monkeypatch: pytest.MonkeyPatch) -> None:
    """The contract binds any form, that of the tests too."""
    monkeypatch.setitem(FORMS, MENTION.name, MENTION)  # type: ignore[arg-type]


def started(form: str) -> Rule:
    """The rule that a new one of this form starts from."""
    return read_rule(skeleton("a-fault", form, None).replace(FILL_IN, "the shop").encode(), "a-fault.yaml")


@pytest.mark.parametrize("form", ALL)
def test_its_skeleton_loads_lints_clean_and_holds(form: str, tmp_path: Path) -> None:
    """Whoever starts from it starts from a rule without a fault, with an example of each main outcome."""
    text = skeleton("a-fault", form, None).replace(FILL_IN, "the shop")
    (tmp_path / "a-fault.yaml").write_text(text, encoding="utf-8")
    assert lint(tmp_path) == []
    results = list(run_examples(load_rules(tmp_path).rules))
    assert all(result.passed for result in results)
    assert {"complies", "finding", "unjudged"} <= {result.got for result in results}


@pytest.mark.parametrize("form", ALL)
def test_it_describes_itself_and_its_rules(form: str) -> None:
    """Every text is there: sentences end as sentences, phrases don't."""
    value, rule = ALL[form], started(form)
    assert value.name == form
    assert value.finding
    assert value.subjects
    assert value.named_by
    assert value.looks_at(rule).endswith(".")
    phrases = [*value.demands(rule), *value.unjudged_when(rule)]
    assert len(phrases) >= 2
    assert all(phrase and not phrase.endswith(".") for phrase in phrases)


@pytest.mark.parametrize("form", ALL)
def test_its_findings_are_told_apart_and_told(form: str) -> None:
    """Each finding of its examples has natural keys, one sentence, and the source that it breaks."""
    value, rule = ALL[form], started(form)
    found = 0
    for example in rule.examples:
        timeline = timeline_of(example)
        collected = collect([(rule, judge_rule(rule, timeline))], timeline)
        findings = collected.findings
        found += len(findings)
        keys = value.identity(rule, collected.cases, findings, timeline)
        assert len(keys) == len(findings) == len(set(keys))
        assert all(isinstance(part, str) for key in keys for part in key)
        assert findings["message"].str.match(r"^\S.*\.$").all()
        assert (findings["basis"] != "").all()
        assert (findings["aircraft"] != "").all()
    assert found


KEYS = {
    "record": ("T1",),
    "hold": ("A1", "left wing", "W1", "T1", "gloss-coating"),
    "order": ("A1", "left wing", "W1", "T1"),
    "precede": ("A1", "left wing", "W1", "T1", "gloss-coating"),
    "interval": ("A1", "left wing", "W1", "T1", "", ""),
    "count": ("A1", "left wing", "W1", "T1", "gloss-coating"),
    "spacing": ("A1", "left wing", "W1", "T1", "T2"),
    "overlap": ("T1", "", "F1", ""),
}
"""The natural keys of the first finding of each form's examples."""


@pytest.mark.parametrize("form", FORMS)
def test_a_finding_has_the_keys_that_it_had(form: str) -> None:
    """By these a register knows what an earlier version found: with other keys every finding would be a new one."""
    rule = started(form)
    example = next(example for example in rule.examples if example.expect == "finding")
    timeline = timeline_of(example)
    collected = collect([(rule, judge_rule(rule, timeline))], timeline)
    keys = FORMS[form].identity(rule, collected.cases, collected.findings, timeline)
    assert keys == [KEYS[form]]


@pytest.mark.parametrize("rule", SHIPPED, ids=lambda rule: rule.id)
def test_the_rows_that_its_cases_name_are_of_tables(rule: Rule) -> None:
    """What numbers a row in a case is a column of cases, and what it numbers a table that the rule reads."""
    rows = form_of(rule).rows(rule)
    assert {"subject"} <= rows.keys() <= set(cases(0))
    assert set(rows.values()) <= tables_read(rule)


@pytest.mark.parametrize("form", ALL)
def test_what_can_be_set_are_keys_of_its_rules(form: str) -> None:
    """Settings name keys as rule files do."""
    fields = ALL[form].rule.model_fields
    assert set(ALL[form].settable) <= {field.alias or name for name, field in fields.items()}


def only_declared(export: Export, rule: Rule) -> Export:
    """The export without any column that the rule doesn't declare."""
    kept = {}
    for name, frame in export.tables.items():
        if name in tables_read(rule) | {"tasks", "stations"}:
            needed = set(TABLES[name].required)
            declared = {column for table, column in columns_read(rule) | OF_THE_TIMELINE if table == name}
            kept[name] = frame[[column for column in frame if column in needed | declared]]
    return replace(export, tables=kept, columns={name: there for name, there in export.columns.items() if name in kept})


def judged(rule: Rule, export: Export, as_of: pd.Timestamp) -> pd.DataFrame:
    # The boot is evidence of a case, whether or not the verdict depends on it.
    return judge_rule(rule, build_timeline(export, as_of)).cases.drop(columns="component")


@pytest.mark.parametrize("rule", [*SHIPPED, *map(started, FORMS)], ids=lambda rule: f"{rule.form}: {rule.id}")
def test_what_it_reads_is_declared(rule: Rule) -> None:
    """Without the columns and tables that a rule doesn't declare, its examples get the same verdicts and figures."""
    for example in rule.examples:
        export = example_export(example)
        as_of = as_of_example(example, export)
        pd.testing.assert_frame_equal(
            judged(rule, only_declared(export, rule), as_of), judged(rule, export, as_of), check_dtype=False
        )


def test_what_it_reads_is_declared_would_notice(monkeypatch: pytest.MonkeyPatch) -> None:
    """A form that forgets a column doesn't pass."""
    rule = started(MENTION.name)
    test_what_it_reads_is_declared(rule)
    monkeypatch.setitem(FORMS, MENTION.name, FORGETFUL)  # type: ignore[arg-type]
    with pytest.raises(Exception, match="not been read"):
        test_what_it_reads_is_declared(rule)


def test_the_list_names_each_form_once() -> None:
    """A form is found by its own name, and its rules find it."""
    for name, form in FORMS.items():
        assert form.name == name
        assert form_of(started(name)) is form

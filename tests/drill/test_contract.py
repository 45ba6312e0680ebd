"""How each form plants its faults: just outside the limit the rule finds them, at the limit it is silent."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from typing import Any

import pandas as pd
import pytest

from audit.authoring.examples import as_of_example, example_export
from audit.authoring.running import timeline_of
from audit.authoring.skeletons import FILL_IN, skeleton
from audit.drill.drilling import Drilled, drill
from audit.forms import FORMS, form_of
from audit.forms.judging import every_subject
from audit.intake.export import Export
from audit.language.rule import Example, Rule
from audit.planting.planting import NotPlantable, Spot
from audit.rulebook.loading import load_rules, read_rule
from audit.shipped import rules_folder
from tests.forms.rules import RULES
from tests.forms.rules import rule as rule_data
from tests.shapes import ASKED, FLEET
from tests.toy_form import MENTION

ALL = {**FORMS, MENTION.name: MENTION}
SHIPPED = [rule for rule in load_rules(rules_folder()).rules if getattr(rule, "of", "tasks") != "alterations"]


@pytest.fixture(autouse=True)
def _toy(monkeypatch: pytest.MonkeyPatch) -> None:
    """The contract binds any form, that of the tests too."""
    monkeypatch.setitem(FORMS, MENTION.name, MENTION)  # type: ignore[arg-type]


def started(form: str) -> Rule:
    return read_rule(skeleton("a-fault", form, None).replace(FILL_IN, "the shop").encode(), "a-fault.yaml")


def drilled(rule: Rule) -> list[Drilled]:
    """A drill of each example of the rule that complies."""
    wanted = [example for example in rule.examples if example.expect == "complies" and example.known_gap is None]
    exports = [(one, example_export(one)) for one in wanted]
    # What is planted may end a job later: a day more, and it is over in any case.
    a_day = pd.Timedelta(days=1)
    return [
        drill(
            "an example",
            [rule],
            export,
            as_of_example(one, export) + (a_day if one.as_of is None else 0 * a_day),
            4,
            "1",
        )
        for one, export in exports
    ]


@pytest.mark.parametrize("form", ALL)
def test_a_rule_to_start_from_finds_what_is_planted(form: str) -> None:
    """On the examples that a new rule begins with, every fault is found and nothing else is."""
    done = drilled(started(form))
    assert sum(one.planted for one in done) >= 1
    assert [one.detected for one in done] == [one.planted for one in done]
    assert [one.false_alarms for one in done] == [0] * len(done)


@pytest.mark.parametrize("rule", SHIPPED, ids=lambda rule: rule.id)
def test_no_fault_of_a_shipped_rule_is_missed_on_its_examples(rule: Rule) -> None:
    """Where an example has room for a fault it is found, or said to be in doubt; at the limit there is silence."""
    for one in drilled(rule):
        [of_rule] = one.rules
        assert not of_rule.outcomes["missed"], one.plantings[["what", "outcome", "reason"]].to_string()
        assert not of_rule.false_alarms, one.plantings[["what", "outcome", "reason"]].to_string()


NEVER_LET_IN = ("status: {not", "manual.revision: {is", "component.finish: {in", "any_of: [{coat: {is: 1}}, {coats")
"""Requirements of which nothing planted is a subject any more, is listed, or is read."""


@pytest.mark.parametrize("name", ASKED)
def test_no_fault_is_missed_in_a_fleet(name: str) -> None:
    """Of rules of many shapes, where boots change their aircraft and several things are planted in one copy."""
    done = drill("a fleet", [ASKED[name]], example_export(FLEET), pd.Timestamp(FLEET.as_of), 6, "1")
    [of_rule] = done.rules
    said = done.plantings[["side", "what", "outcome", "reason"]].to_string()
    assert not of_rule.outcomes["missed"], said
    assert not of_rule.false_alarms, said
    assert of_rule.detected or not of_rule.planted or any(part in name for part in NEVER_LET_IN), said


@pytest.mark.parametrize("form", ALL)
def test_planting_does_not_judge(form: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A drill whose faults came from the form's own judgement could not find an error in it."""
    rule = started(form)
    example = next(one for one in rule.examples if one.expect == "complies")
    timeline = timeline_of(example)
    cases = every_subject(rule, timeline)

    def refuse(*_: Any) -> Any:
        raise AssertionError("planting has judged")

    monkeypatch.setitem(FORMS, form, replace(ALL[form], evaluate=refuse))  # type: ignore[arg-type]
    monkeypatch.setattr(
        f"audit.forms.{form}.evaluate" if form in ALL and form != MENTION.name else "tests.toy_form.evaluate", refuse
    )
    plant = form_of(rule).plant(rule, timeline)
    made = []
    for case in cases.to_dict("records"):
        for side in ("outside", "inside"):
            with suppress(NotPlantable):
                made.append(plant(Spot(case, side, "drill-0")))  # type: ignore[arg-type]
    assert made


def test_nothing_is_planted_beside_what_may_not_have_been_done() -> None:
    """Where it is in doubt whether a treatment was one that must be last, there is no instant to plant a fault at."""
    rule = started("order")
    tasks = (
        {"product": "unheard-of", "started_at": "2025-06-02T10:00:00Z"},
        {"product": "surface-prep", "action": "prepare", "started_at": "2025-06-02T09:00:00Z"},
    )
    example = rule.examples[0].model_copy(update={"tasks": tasks})
    timeline = timeline_of(example)
    [case] = every_subject(rule, timeline).to_dict("records")
    assert case["outcome"] == "unjudged"
    with pytest.raises(NotPlantable):
        form_of(rule).plant(rule, timeline)(Spot(case, "outside", "drill-0"))  # type: ignore[arg-type]


GLOSS, PREP = {"product_class": {"is": "gloss-coating"}}, {"product_class": {"is": "surface-prep"}}


def coated(day: int, order: str, hour: int = 9, product: str = "gloss-coating") -> dict[str, Any]:
    return {"product": product, "work_order": order, "started_at": f"2025-06-{day:02}T{hour:02}:00:00Z"}


@pytest.mark.parametrize("as_of", ["2025-06-20T00:00:00Z", "2025-06-20T12:00:00Z"])
@pytest.mark.parametrize(
    ("data", "planted"),
    [
        pytest.param(
            rule_data("interval", scope=GLOSS, at_most={"days": 10}),
            {
                "the treatment after it moved by 3 days": "detected",
                "the treatment after it moved by 2 days": "silent",
                "the treatment before it moved by 1 days": "detected",
                "the treatment before it moved by 0 days": "silent",
            },
            id="days",
        ),
        pytest.param(
            rule_data("interval", scope=GLOSS, at_most={"cycles": 4}),
            {"4 more cycles in the stretch": "detected", "3 more cycles in the stretch": "silent"},
            id="cycles",
        ),
        pytest.param(
            rule_data("count", scope=GLOSS, coats={"at_least": 2, "at_most": 5}),
            {"1 coats in the session": "detected", "2 coats in the session": "silent"},
            id="coats",
        ),
        pytest.param(
            rule_data("precede", scope=GLOSS, needs=PREP, within="PT4H"),
            {
                "the treatment before ended 4 h 1 s earlier": "detected",
                "the treatment before ended 4 h earlier": "silent",
            },
            id="too-long-before",
        ),
        pytest.param(
            rule_data("precede", scope=GLOSS, needs=PREP),
            {"2 earlier treatments void": "detected", "1 earlier treatments void": "silent"},
            id="none-before",
        ),
        pytest.param(
            rule_data("record", scope=GLOSS, require={"performed_by": {"present": True}}),
            {"performer: blank": "detected"},
            id="presence",
        ),
    ],
)
def test_what_is_planted_at_a_limit(data: dict[str, Any], planted: dict[str, str], as_of: str) -> None:
    """Just outside the limit it is found, at the limit there is silence, wherever in its day the as-of time lies."""
    tasks = [
        coated(1, "W0", product="cleaner"),
        coated(2, "W1", 6, "surface-prep"),
        coated(2, "W1", 7, "surface-prep"),
        coated(2, "W1") | {"coats": 2},
        coated(2, "W1", 10) | {"coat": 3},
        coated(10, "W2") | {"coats": 3},
    ]
    flights = [{"takeoff_at": f"2025-06-{day:02}T18:00:00Z"} for day in (1, 5)]
    example = Example.model_validate({"name": "n", "expect": "complies", "tasks": tasks, "flights": flights})
    done = drill("x", [RULES.validate_python(data)], example_export(example), pd.Timestamp(as_of), 8, "1")
    found = dict(zip(done.plantings["what"], done.plantings["outcome"], strict=True))
    assert planted.items() <= found.items()
    assert set(found.values()) <= {"detected", "silent"}


def test_a_treatment_is_taken_away_where_the_boot_was_then() -> None:
    """A boot treated before it changed its place: that record is no longer of it, or the fault would not be one."""
    boot = {"component_serial": "B1", "material": "other"}
    example = Example.model_validate(
        {
            "name": "n",
            "expect": "complies",
            "tasks": [coated(2, "W1") | {"position": "left; fin"}],
            "components": [
                boot | {"position": "left", "installed_at": "2025-01-01", "removed_at": "2025-06-10"},
                boot | {"position": "right", "installed_at": "2025-06-10"},
                boot | {"component_serial": "B2", "position": "fin", "installed_at": "2025-01-01"},
            ],
            "flights": [
                {"takeoff_at": f"2025-{day}T18:00:00Z"} for day in ("05-30", "06-01", "06-05", "06-20", "06-25")
            ],
        }
    )
    data = rule_data("count", scope=GLOSS, sessions={"at_least": 1}, season={"from": "06-01", "to": "06-28"})
    rule = RULES.validate_python(data)
    done = drill("x", [rule], example_export(example), pd.Timestamp("2025-07-10T00:00Z"), 8, "1")
    assert set(zip(done.plantings["what"], done.plantings["outcome"], strict=True)) == {
        ("0 treatments in the season", "detected"),
        ("1 treatments in the season", "silent"),
    }


def corrected(column: str, was: str) -> Export:
    """A record of which a cell was something else."""
    record = {"product": "gloss-coating", "lot": "L1"}
    record |= {"started_at": "2025-06-02T09:00:00Z", "finished_at": "2025-06-02T10:00:00Z"}
    correction = {"column": column, "was": was, "now": record[column], "made_at": "2025-06-03T09:00:00Z"}
    example = {
        "name": "n",
        "expect": "complies",
        "tasks": [record],
        "lots": [{"lot": "L1", "product": "gloss-coating", "opened_on": "2025-01-01"}],
        "corrections": [correction],
    }
    return example_export(Example.model_validate(example))


LATER = pd.Timestamp("2025-12-31T00:00Z")


def test_nothing_is_planted_in_what_has_been_corrected() -> None:
    """A correction of it would not fit any more, and its record would be set aside for that."""
    rule = RULES.validate_python(rule_data("record", require={"lot": {"present": True}}))
    [done] = drill("x", [rule], corrected("lot", "L0"), LATER, 8, "1").rules
    assert dict(done.not_plantable) == {"what would be changed has a correction": 1}


def test_faults_in_a_correction_and_in_its_record_are_planted_apart() -> None:
    """What a correction no longer fits can't be told: a fault beside it would not be found for that."""
    shipped = {rule.id: rule for rule in SHIPPED}
    rules = [shipped["correction-does-not-fit"], shipped["lot-used-before-opened"]]
    done = drill("x", rules, corrected("finished_at", "2025-06-02T10:30:00Z"), LATER, 8, "1")
    assert sorted(done.plantings["outcome"]) == ["detected", "detected", "silent", "silent"]

"""What is counted by station and week while a rule is judged is what a slow count of every subject gives."""

from collections import defaultdict
from datetime import UTC, datetime, timedelta

import pandas as pd
import pytest

from audit.authoring.examples import example_export
from audit.forms.judging import every_subject, judge_by_week, judge_rule
from audit.forms.weeks import WEEK_COLUMNS
from audit.language.rule import Example, Rule
from audit.pipeline import Audited
from audit.rulebook.loading import load_rules
from audit.shipped import rules_folder
from audit.timeline.timeline import Timeline, build_timeline
from tests.forms.rules import RULES, rule

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


@pytest.mark.parametrize(
    ("lasts", "expected"),
    [
        ("PT1H", {("S1", "06-02"): (1, 1, -0.5, 1), ("S2", "06-02"): (1, 0, 2.0, 1), ("S1", "06-09"): (1, 0, 0.0, 1)}),
        (
            "PT2H",
            {("S1", "06-02"): (1, 1, -0.75, 1), ("S2", "06-02"): (1, 0, 0.5, 1), ("S1", "06-09"): (1, 1, -0.5, 1)},
        ),
    ],
)
def test_how_near_to_its_limit_each_week_came(lasts: str, expected: dict[tuple[str, str], tuple[float, ...]]) -> None:
    """The margin is a share of the limit, negative beyond it and cut at two limits; a week begins with Monday, UTC."""
    coat = {"product": "gloss-coating", "finished_at": "2025-06-02T09:10:00Z", "started_at": "2025-06-02T09:00:00Z"}
    boots = [{}, {"aircraft": "A2", "component_serial": "C2"}]
    monday = "2025-06-09T00:00:00Z"
    tasks = [
        coat,
        coat | {"aircraft": "A2", "station": "S2"},
        coat | {"work_order": "W2", "started_at": monday, "finished_at": monday},
    ]
    flights = [
        {"takeoff_at": "2025-06-02T09:40:00Z"},
        {"takeoff_at": "2025-06-09T01:00:00Z"},
        {"aircraft": "A2", "takeoff_at": "2025-06-02T12:10:00Z"},
    ]
    tables = {"tasks": tasks, "flights": flights, "components": boots}
    gloss = {"product_class": {"is": "gloss-coating"}}
    data = rule("hold", scope=gloss, forbid={"event": "takeoff"}, **{"for": lasts})
    example = Example.model_validate({"name": "n", "expect": "complies", **tables})
    timeline = build_timeline(example_export(example), pd.Timestamp("2025-06-20T00:00:00Z"))
    _, weeks = judge_by_week(RULES.validate_python(data), timeline)
    found = {
        (row["station"], f"{pd.Timestamp(row['week'], unit='us'):%m-%d}"): (
            row["checks"],
            row["findings"],
            row["margin"],
            row["measured"],
        )
        for row in weeks.to_dict("records")
    }
    assert found == expected
    assert {name: str(dtype) for name, dtype in weeks.dtypes.items()} | {"station": "str"} == WEEK_COLUMNS


def test_how_near_to_the_most_allowed_a_week_came() -> None:
    """Of what must not pass a limit the margin is what was left of it."""
    gloss = {"product_class": {"is": "gloss-coating"}}
    example = Example.model_validate(
        {
            "name": "n",
            "expect": "complies",
            "tasks": [
                {"product": "gloss-coating", "coat": 1, "started_at": "2025-06-02T09:00:00Z"},
                {"product": "gloss-coating", "coat": 2, "started_at": "2025-06-02T09:40:00Z"},
            ],
        }
    )
    data = rule("spacing", scope=gloss, pause={"at_most": "PT1H"})
    timeline = build_timeline(example_export(example), pd.Timestamp("2025-06-20T00:00:00Z"))
    _, weeks = judge_by_week(RULES.validate_python(data), timeline)
    assert weeks["margin"].tolist() == [0.5]


def test_without_a_record_no_week_was_checked() -> None:
    """That nothing was done can't be read from an export without records: nothing is in scope, no week is
    counted."""
    example = Example.model_validate({"name": "n", "expect": "complies", "tasks": []})
    cure = RULES.validate_python(rule("hold", scope={}, forbid={"event": "takeoff"}, **{"for": "PT1H"}))
    outcomes, weeks = judge_by_week(cure, build_timeline(example_export(example), pd.Timestamp("2025-06-20T00:00:00Z")))
    assert outcomes.in_scope == 0
    assert list(weeks) == list(WEEK_COLUMNS)
    assert weeks.empty

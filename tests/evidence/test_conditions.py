"""Conditions: how values compare, and why a condition is open."""

from __future__ import annotations

from typing import Any

import pytest

from audit.authoring.examples import example_export
from audit.evidence.conditions import FALSE, TRUE, UNKNOWN, judge
from audit.language.condition import Conditions
from audit.language.rule import Example
from audit.timeline.timeline import build_timeline


def judged(condition: dict[str, Any], *tasks: dict[str, Any], **tables: Any) -> tuple[list[Any], list[str]]:
    """The truth of a condition for records with these cells, and the reasons."""
    rows = [{"started_at": "2025-06-02T09:00:00Z", **task} for task in tasks]
    example = Example.model_validate({"name": "n", "expect": "complies", "tasks": rows, **tables})
    timeline = build_timeline(example_export(example))
    found = judge(Conditions.model_validate(condition), timeline, timeline.rows)
    return found.truth.tolist(), found.reason(timeline.rows).tolist()


PEOPLE = [
    {"performed_by": "P1", "certified_by": "P2"},
    {"performed_by": "P2", "certified_by": "P2"},
    {"performed_by": "P3", "certified_by": None},
    {"performed_by": None, "certified_by": "P1"},
]


@pytest.mark.parametrize(
    ("operator", "truth"),
    [("is", [FALSE, TRUE, UNKNOWN, UNKNOWN]), ("not", [TRUE, FALSE, UNKNOWN, UNKNOWN])],
)
def test_texts_of_two_columns(operator: str, truth: list[Any]) -> None:
    """Two columns of one record are compared by their text, whatever else stands in either column."""
    found, reasons = judged({"performed_by": {operator: {"column": "certified_by"}}}, *PEOPLE)
    assert found == truth
    assert reasons == ["", "", "value missing: certified_by", "value missing: performed_by"]


@pytest.mark.parametrize(
    ("condition", "truth"),
    [
        ({"in": [1, 3]}, [TRUE, FALSE, TRUE, UNKNOWN]),
        ({"not_in": [1, 3]}, [FALSE, TRUE, FALSE, UNKNOWN]),
        ({"is": 2}, [FALSE, TRUE, FALSE, UNKNOWN]),
        ({"not": 2}, [TRUE, FALSE, TRUE, UNKNOWN]),
        ({"at_least": 2}, [FALSE, TRUE, TRUE, UNKNOWN]),
        ({"at_most": 2}, [TRUE, TRUE, FALSE, UNKNOWN]),
        ({"at_least": {"column": "coats"}}, [FALSE, TRUE, TRUE, UNKNOWN]),
    ],
    ids=str,
)
def test_numbers(condition: dict[str, Any], truth: list[Any]) -> None:
    """Each operator of numbers, on both sides of its limit and on it."""
    coats = [{"coat": 1, "coats": 2}, {"coat": 2, "coats": 2}, {"coat": 3, "coats": 2}, {"coats": 2}]
    assert judged({"coat": condition}, *coats)[0] == truth


@pytest.mark.parametrize(
    ("condition", "truth"),
    [
        ({"before": "2025-06-02T09:40:00Z"}, [TRUE, FALSE, FALSE]),
        ({"after": "2025-06-02T09:40:00Z"}, [FALSE, FALSE, TRUE]),
        ({"is": "2025-06-02"}, [TRUE, TRUE, FALSE]),
        ({"after": {"column": "finished_at"}}, [FALSE, TRUE, TRUE]),
    ],
    ids=str,
)
def test_times(condition: dict[str, Any], truth: list[Any]) -> None:
    """Against an instant, a day and another column."""
    signed = [{"signed_at": f"2025-06-0{time}:00Z"} for time in ("2T09:10", "2T09:40", "3T09:00")]
    assert judged({"signed_at": condition}, *signed)[0] == truth


def test_the_reason_of_alternatives_is_that_of_the_first_open_one() -> None:
    """Of alternatives, none of which holds, the first that can't be decided says why."""
    condition = {"any_of": [{"lot": {"is": "L1"}}, {"coat": {"is": 1}}]}
    found, reasons = judged(condition, {}, {"lot": "L2"}, {"coat": 2}, {"lot": "L1"}, {"lot": "L2", "coat": 2})
    assert found == [UNKNOWN, UNKNOWN, UNKNOWN, TRUE, FALSE]
    assert reasons == ["value missing: lot", "value missing: coat", "value missing: lot", "", ""]

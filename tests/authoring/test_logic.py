"""Whether conditions can hold or fail at all, told without a record."""

from __future__ import annotations

from itertools import product
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.authoring.examples import example_export
from audit.authoring.logic import can_fail, can_hold
from audit.evidence.conditions import FALSE, TRUE, Judged, judge
from audit.language.condition import Conditions
from audit.language.rule import Example
from audit.timeline.timeline import Timeline, build_timeline


def conditions(data: dict[str, Any]) -> Conditions:
    return Conditions.model_validate(data)


@pytest.mark.parametrize(
    "data",
    [
        {"lot": {"is": "A", "not": "A"}},
        {"lot": {"is": "A", "in": ["B", "C"]}},
        {"lot": {"in": ["A", "B"], "not_in": ["B", "A"]}},
        {"lot": {"present": False, "is": "A"}},
        {"action": {"not_in": ["clean", "prepare", "apply", "inspect", "repair", "install", "remove", "other"]}},
        {"action": {"present": False}},
        {"coat": {"at_least": 3, "at_most": 2}},
        {"coat": {"at_most": 0}},
        {"coat": {"at_least": 1.2, "at_most": 1.8}},
        {"coat": {"at_least": 2, "at_most": 3, "not_in": [2, 3]}},
        {"humidity_pct": {"at_least": 101}},
        {"signed_at": {"after": "2025-01-02T00:00:00Z", "before": "2025-01-02T00:00:00Z"}},
        {"work_date": {"after": "2025-01-02", "before": "2025-01-03"}},
        {"signed_at": {"before": {"column": "signed_at"}}},
        {"signed_at": {"before": {"column": "finished_at"}, "after": {"column": "finished_at"}}},
        {"lot": {"is": {"column": "lot.lot"}, "not": {"column": "lot.lot"}}},
        {"ppe_worn": {"includes_all": ["a"], "present": False}},
        {"lot": {"is": "A"}, "any_of": [{"lot": {"is": "B"}}, {"lot": {"present": False}}]},
    ],
    ids=str,
)
def test_contradictions_can_not_hold(data: dict[str, Any]) -> None:
    """Conditions of one column that exclude each other, or all values that the column can have."""
    assert not can_hold(conditions(data))


@pytest.mark.parametrize(
    "data",
    [
        {},
        {"lot": {"not": "A"}},
        {"lot": {"in": ["A", "B"], "not_in": ["B"]}},
        {"lot": {"present": False}},
        {"coat": {"at_least": 2, "at_most": 2}},
        {"coat": {"at_least": 1, "at_most": 3, "not_in": [1, 3]}},
        {"work_minutes": {"at_least": 1, "at_most": 2, "not_in": [1, 2]}},
        {"signed_at": {"at_least": "2025-01-02", "at_most": "2025-01-02"}},
        {"signed_at": {"after": "2025-01-02", "before": "2025-01-04"}},
        {"signed_at": {"at_least": {"column": "finished_at"}, "at_most": {"column": "finished_at"}}},
        {"humidity_pct": {"at_least": 0}},
        {"humidity_pct": {"not_in": [500, 600]}},
        {"work_minutes": {"at_least": 5, "at_most": 5.01, "not_in": [5, 5.01]}},
        {"lot.expires_on": {"before": "9999-12-31"}},
        {"signed_at": {"after": "2025-01-02T00:00:00Z", "before": "2025-01-02T00:00:00.5Z"}},
        {"signed_at": {"is": "2025-01-02", "after": "2025-01-03T01:00:00Z"}},
        {"ppe_worn": {"includes_all": ["a", "b"]}},
        {"lot": {"is": "A"}, "any_of": [{"lot": {"is": "B"}}, {"coat": {"is": 1}}]},
    ],
    ids=str,
)
def test_what_agrees_can_hold(data: dict[str, Any]) -> None:
    """Nothing is called impossible that a record can show."""
    assert can_hold(conditions(data))


@pytest.mark.parametrize(
    ("asked", "granted", "can"),
    [
        ({"lot": {"in": ["A", "B"]}}, {"lot": {"is": "A"}}, False),
        ({"lot": {"is": "A"}}, {"lot": {"in": ["A", "B"]}}, True),
        ({"lot": {"present": True}}, {"lot": {"not": "A"}}, False),
        ({"lot": {"present": True}}, {}, True),
        ({"lot": {"is": "A"}}, {"lot": {"present": False}}, False),
        ({"action": {"not": "apply"}}, {"action": {"in": ["clean", "prepare"]}}, False),
        ({"action": {"present": True}}, {}, False),
        ({"coat": {"at_least": 1}}, {}, False),
        ({"coat": {"at_least": 2}}, {"coat": {"at_least": 3}}, False),
        ({"coat": {"at_least": 3}}, {"coat": {"at_least": 2}}, True),
        ({"humidity_pct": {"at_most": 99.7}}, {"humidity_pct": {"not": 100}}, True),
        ({"ppe_worn": {"includes_all": ["a"]}}, {"ppe_worn": {"includes_all": ["a", "b"]}}, False),
        ({"ppe_worn": {"includes_all": ["a", "b"]}}, {"ppe_worn": {"includes_all": ["a"]}}, True),
        ({"signed_at": {"at_least": {"column": "finished_at"}}}, {"signed_at": {"after": {"column": "finished_at"}}},
         False),
        ({"any_of": [{"lot": {"is": "A"}}, {"lot": {"not": "A"}}]}, {}, False),
        ({"any_of": [{"lot": {"is": "A"}}, {"coat": {"is": 1}}]}, {"lot": {"is": "B"}}, True),
        ({"lot": {"is": "A"}}, {"any_of": [{"lot": {"is": "A"}}, {"lot": {"is": "A"}, "coat": {"is": 1}}]}, False),
    ],
    ids=str,
)  # fmt: skip
def test_what_the_scope_settles_can_not_fail(asked: dict[str, Any], granted: dict[str, Any], can: bool) -> None:
    """A missing value leaves a condition open, which is not a failure; what is granted may resolve the rest."""
    assert can_fail(conditions(asked), conditions(granted)) is can


LOTS, COATS, WORN, SIGNED = (None, "A", "B", "C"), (None, 1, 2, 3), (None, "a", "a; b"), (None, "09:30", "09:40")


@pytest.fixture(scope="module")
def records() -> Timeline:
    """A record for every combination of a few values."""
    tasks = tuple(
        {
            "started_at": "2025-06-02T09:00:00Z",
            "finished_at": "2025-06-02T09:30:00Z",
            "lot": lot,
            "coat": coat,
            "ppe_worn": worn,
            "signed_at": time and f"2025-06-02T{time}:00Z",
        }
        for lot, coat, worn, time in product(LOTS, COATS, WORN, SIGNED)
    )
    return build_timeline(example_export(Example(name="n", expect="complies", tasks=tasks)))


def _some(*options: dict[str, Any]) -> st.SearchStrategy[dict[str, Any]]:
    return st.lists(st.sampled_from(options), min_size=1, max_size=2).map(lambda chosen: chosen[0] | chosen[-1])


FINISH = {"column": "finished_at"}
COLUMNS = st.fixed_dictionaries(
    {},
    optional={
        "lot": _some({"is": "A"}, {"not": "B"}, {"in": ["A", "B"]}, {"not_in": ["A"]}, {"present": False}),
        "coat": _some({"is": 2}, {"not": 2}, {"at_least": 2}, {"at_most": 2}, {"in": [1, 3]}, {"present": True}),
        "ppe_worn": _some({"includes_all": ["a"]}, {"includes_all": ["b", "a"]}, {"present": True}),
        "signed_at": _some({"is": FINISH}, {"not": FINISH}, {"after": FINISH}, {"before": "2025-06-02T09:40:00Z"}),
    },
)
SOME = st.one_of(COLUMNS, st.builds(lambda one, two, more: {**one, "any_of": [two, more]}, COLUMNS,
                                    COLUMNS.filter(bool), COLUMNS.filter(bool)))  # fmt: skip


@given(asked=SOME, granted=SOME)
def test_what_a_record_shows_was_called_possible(
    records: Timeline, asked: dict[str, Any], granted: dict[str, Any]
) -> None:
    """No record holds what was said never to hold, or fails what was said never to fail."""

    def truth(data: dict[str, Any]) -> Judged:
        return judge(conditions(data), records, records.rows)

    first, second = truth(granted).truth, truth(asked).truth
    if np.any((first == TRUE) & (second == TRUE)):
        assert can_hold(conditions(granted), conditions(asked))
    if np.any((first == TRUE) & (second == FALSE)):
        assert can_fail(conditions(asked), conditions(granted))

"""The count form at its limits."""

from __future__ import annotations

from typing import Any

import pytest

from tests.forms.rules import rule, verdict

PRESERVE = {"action": {"is": "apply"}, "product_class": {"is": "rubber-preservative"}}
LEAST = rule("count", scope=PRESERVE, coats={"at_least": 3})
MOST = rule("count", scope=PRESERVE, coats={"at_most": 3})
COAT = {"product": "rubber-preservative", "started_at": "2025-06-02T09:00:00Z"}


@pytest.mark.parametrize(
    ("coats", "least", "most"),
    [
        pytest.param([{"coat": 1}, {"coat": 2}], "1 finding", "1 complies", id="two"),
        pytest.param([{"coat": 1}, {"coat": 2}, {"coat": 3}], "1 complies", "1 complies", id="three"),
        pytest.param([{"coat": n} for n in (1, 2, 3, 4)], "1 complies", "1 finding", id="four"),
        pytest.param([{"coat": 1}, {"coat": 2}, {"coat": 2}], "1 finding", "1 complies", id="one-entered-twice"),
        pytest.param([{"coats": 3}], "1 complies", "1 complies", id="one-record-of-three"),
        pytest.param([{"coats": 3}, {"coat": 4}], "1 complies", "1 finding", id="one-more"),
        pytest.param([{}], "1 unjudged", "1 unjudged", id="who-knows-how-many"),
        pytest.param([{}, {}, {}], "1 complies", "1 unjudged", id="three-at-the-least"),
        pytest.param([{}, {}, {}, {}], "1 complies", "1 finding", id="four-at-the-least"),
    ],
)
def test_coats_of_a_session(coats: list[dict[str, Any]], least: str, most: str) -> None:
    """Coats are counted by their numbers, or as many as a record says; a bare record is one or more."""
    tasks = [COAT | one for one in coats]
    assert verdict(LEAST, tasks=tasks) == least
    assert verdict(MOST, tasks=tasks) == most


def test_a_session_is_of_one_work_order_position_and_class() -> None:
    """Coats are counted for each work order and position by itself."""
    tasks = [COAT | {"coats": 2}, COAT | {"coats": 2, "work_order": "W2"}, COAT | {"coats": 3, "position": "tail"}]
    assert verdict(LEAST, tasks=tasks) == "2 finding, 1 complies"


def test_a_session_that_may_not_be_one() -> None:
    """What may be out of scope is unjudged, however many coats there are."""
    assert verdict(LEAST, tasks=[COAT | {"coats": 1, "product": "unheard-of"}]) == "1 unjudged"

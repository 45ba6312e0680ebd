"""The suite's file: what can't be judged as it says is refused, with its place and the likely word."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from audit.errors import AuditError
from audit.health.facts import FACT_COLUMNS
from audit.health.health import NO_FACT, NOT_JUDGED, Health
from audit.health.suite import SUITE_FILE, SUITE_FOLDER, Suite, read_suite
from audit.shipped import rules_folder
from tests.judge_here import JudgeHere

FACTS = pd.DataFrame(
    [("tasks", "lot", "orphan_rate", 0.5, ""), ("tasks", "manual", "orphan_rate", float("nan"), "no manuals")],
    columns=list(FACT_COLUMNS),
)


def one(**changes: Any) -> dict[str, Any]:
    """Return an expectation as a suite's file has it."""
    condition = {"type": "comparison", "column": {"name": "fact"}, "operator": "==", "parameter": "orphan_rate"}
    return {
        "type": "expect_column_values_to_be_between",
        "kwargs": {"column": "value", "max_value": 0.1, "row_condition": condition},
        "meta": {"id": "orphans", "title": "Orphans", "put_right": "Look for them."},
    } | changes


def kwargs(condition: dict[str, Any] | None = None, **changes: Any) -> dict[str, Any]:
    """Return the kwargs of `one`, with changes to them or to their condition."""
    usual: dict[str, Any] = one()["kwargs"]
    return usual | {"row_condition": usual["row_condition"] | (condition or {})} | changes


@pytest.fixture
def suite_of(tmp_path: Path) -> Callable[..., Suite]:
    """Return the reader of a rules folder whose suite has the expectations given."""

    def read(*expectations: dict[str, Any]) -> Suite:
        (tmp_path / SUITE_FOLDER).mkdir(exist_ok=True)
        text = json.dumps({"name": "ours", "expectations": expectations}, indent=1)
        (tmp_path / SUITE_FOLDER / SUITE_FILE).write_text(text, encoding="utf-8")
        return read_suite(tmp_path, rules_folder())

    return read


@pytest.mark.parametrize(
    ("expectation", "sentence"),
    [
        (one(kwargs=kwargs({"parameter": "orphan_rat"})), "there is no fact 'orphan_rat' (did you mean orphan_rate?)"),
        (one(kwargs=kwargs({"parameter": "x", "column": {"name": "table"}})), "there is no table 'x'"),
        (one(kwargs=kwargs({"operator": "IN"})), "expected one text for == and !=, a list for IN and NOT_IN"),
        (one(kwargs=kwargs({"column": {"name": "column"}})), "expected a comparison that names the fact"),
        (one(kwargs=kwargs(mostly=0.9)), "every fact is judged by itself"),
        (one(kwargs=kwargs(column="fact")), "expected 'value'"),
        (one(kwargs=kwargs() | {"row_condition": "fact == 'orphan_rate'"}), "row_condition"),
        (one(kwargs=kwargs({"type": "pass_through", "pass_through_filter": "@x()"})), "row_condition"),
        (one(meta={"id": "orphans"}), "this is required and not given"),
        (one(severity="warning"), "unknown key 'severity'"),
    ],
)
def test_what_can_not_be_meant_is_refused(
    expectation: dict[str, Any], sentence: str, suite_of: Callable[..., Suite]
) -> None:
    """Every fault is a sentence with file, line and path, before anything is judged."""
    with pytest.raises(AuditError, match=r"^export-health/suite\.json, line \d+: \$\.expectations") as told:
        suite_of(expectation)
    assert sentence in str(told.value)


def test_an_id_twice_is_refused(suite_of: Callable[..., Suite]) -> None:
    """Two expectations of one name couldn't be told apart."""
    with pytest.raises(AuditError, match="the id 'orphans' is taken"):
        suite_of(one(), one())


@pytest.mark.parametrize(
    "text", ["", "[]", '{"name": "a", "name": "b"}', '{"name": "ours", "expectations": []}', "\xff"]
)
def test_what_is_no_suite_is_refused(text: str, tmp_path: Path) -> None:
    """A file that is not a suite, or an empty one, is a sentence naming it."""
    (tmp_path / SUITE_FOLDER).mkdir()
    (tmp_path / SUITE_FOLDER / SUITE_FILE).write_bytes(text.encode("latin-1"))
    with pytest.raises(AuditError, match=re.escape("export-health/suite.json")):
        read_suite(tmp_path, rules_folder())


def test_a_folder_without_its_suite_is_refused(tmp_path: Path) -> None:
    """The folder says that somebody wanted a suite of their own; without it the one that ships is used."""
    assert read_suite(tmp_path, rules_folder()) == read_suite(rules_folder(), rules_folder())
    (tmp_path / SUITE_FOLDER).mkdir()
    with pytest.raises(AuditError, match="can't be read"):
        read_suite(tmp_path, rules_folder())


@pytest.mark.parametrize(
    ("expectation", "sentence"),
    [
        (
            one(type="expect_column_values_to_be_betwen"),
            "'expect_column_values_to_be_betwen' is not an expectation about the values of a column "
            "(did you mean expect_column_values_to_be_between?)",
        ),
        (one(type="expect_table_row_count_to_be_between"), "is not an expectation about the values of a column"),
        (one(kwargs=kwargs(maximum=3)), "can't be called so"),
    ],
)
def test_what_the_library_does_not_know_is_refused(
    expectation: dict[str, Any], sentence: str, suite_of: Callable[..., Suite]
) -> None:
    """The library itself would drop an unknown expectation, and pass."""
    with pytest.raises(AuditError, match=re.escape("export-health/suite.json: $.expectations[0]")) as told:
        JudgeHere().ask(suite_of(expectation), FACTS).result()
    assert sentence in str(told.value)


def judged(suite: Suite) -> Health:
    """Judge FACTS by a suite."""
    return Health.of(suite, FACTS, JudgeHere().ask(suite, FACTS).result(), None)


def test_a_missing_value_is_not_judged(suite_of: Callable[..., Suite]) -> None:
    """A fact that could not be measured is as expected to the library; here it is not judged, with its reason."""
    outcomes = judged(suite_of(one())).outcomes
    assert outcomes["outcome"].tolist() == ["not as expected", NOT_JUDGED]
    assert outcomes["detail"].tolist() == ["", "no manuals"]


def test_missing_values_may_be_forbidden(suite_of: Callable[..., Suite]) -> None:
    """The operator may expect that a fact can be measured."""
    wanted = one(
        type="expect_column_values_to_not_be_null", kwargs={k: v for k, v in kwargs().items() if k != "max_value"}
    )
    assert judged(suite_of(wanted)).outcomes["outcome"].tolist() == ["as expected", "not as expected"]


def test_an_expectation_about_no_fact_is_idle(suite_of: Callable[..., Suite]) -> None:
    """An expectation that picks nothing is not judged, and alone no pass."""
    health = judged(suite_of(one(kwargs=kwargs({"parameter": "newest_alone_days"}))))
    assert health.outcomes[["outcome", "detail"]].to_numpy().tolist() == [[NOT_JUDGED, NO_FACT]]
    assert health.failed


def test_limits_in_words(suite_of: Callable[..., Suite]) -> None:
    """The report says what was expected, strict limits and other expectations too."""
    strict = one(kwargs=kwargs(min_value=0, strict_min=True))
    others = one(
        type="expect_column_values_to_be_in_set", kwargs=kwargs(value_set=[1, 2]), meta=one()["meta"] | {"id": "b"}
    )
    assert [each.expected for each in suite_of(strict, others).expectations] == [
        "more than 0, at most 0.1",
        "be in set max_value 0.1, value_set [1, 2]",
    ]


def test_every_limit_that_ships_says_where_it_is_from() -> None:
    """A source, what it follows from, or that it is a starting value of our own."""
    suite = json.loads((rules_folder() / SUITE_FOLDER / SUITE_FILE).read_text(encoding="utf-8"))
    for expectation in suite["expectations"]:
        assert expectation["meta"]["basis"].startswith(("starting value, no source", "follows from ", "14 CFR ")), (
            expectation["meta"]["id"]
        )

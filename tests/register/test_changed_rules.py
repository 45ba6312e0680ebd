"""Since when a rule is as it is, by what the runs of a register found by it."""

from datetime import datetime
from pathlib import Path

import pytest

from audit.register.changed_rules import changed_rules
from audit.register.opening import open_register
from tests.register.nights import record, rule

TONIGHT = datetime.fromisoformat("2026-02-01T22:00:00Z")


@pytest.fixture
def where(tmp_path: Path) -> Path:
    return tmp_path / "register.db"


def since(where: Path, limit: int = 5) -> dict[str, str]:
    """The days on which rules are known to have begun to be as they are, with this limit, in February."""
    with open_register(where) as register:
        found = changed_rules(register, [rule(limit=limit)], TONIGHT)
    return {name: f"{at:%m-%d}" for name, at in found.items()}


def test_a_rule_that_was_never_otherwise(where: Path) -> None:
    record(where, 1, 1)
    record(where, 2, 1, 2)
    assert since(where) == {}


def test_the_first_run_by_the_rule_as_it_is(where: Path) -> None:
    record(where, 1, 1, rules=[rule(limit=4)])
    record(where, 2, 1, rules=[rule(limit=5)])
    record(where, 3, 1, 2, rules=[rule(limit=5)])
    assert since(where) == {"lot-missing": "01-02"}


def test_a_rule_changed_since_the_last_run(where: Path) -> None:
    record(where, 1, 1)
    assert since(where, limit=6) == {"lot-missing": "02-01"}


def test_a_rule_changed_and_changed_back(where: Path) -> None:
    for day, limit in ((1, 5), (2, 4), (3, 5)):
        record(where, day, 1, rules=[rule(limit=limit)])
    assert since(where) == {"lot-missing": "01-03"}


def test_another_version_of_the_program_is_not_another_rule(where: Path) -> None:
    record(where, 1, 1)
    record(where, 2, 1, version="2")
    assert since(where) == {}


def test_what_is_gone_keeps_the_old_rule_and_tells_nothing(where: Path) -> None:
    """A finding that the changed rule doesn't make any more is not a run by the old one."""
    record(where, 1, 1, 2, rules=[rule(limit=4)])
    record(where, 2, 2, rules=[rule(limit=5)], outcomes={1: "unjudged"})
    record(where, 3, 2, rules=[rule(limit=5)])
    assert since(where) == {"lot-missing": "01-02"}


def test_a_rule_that_is_not_run_now_is_not_told(where: Path) -> None:
    record(where, 1, 1)
    with open_register(where) as register:
        assert changed_rules(register, [rule("another")], TONIGHT) == {}

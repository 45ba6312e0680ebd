"""The suite that ships: an export that is whole passes, and each fault is told by the expectation that is for it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pandas as pd
import pytest

from audit.health.earlier import Earlier
from audit.health.health import NOT_AS_EXPECTED, NOT_JUDGED, Health
from audit.health.profile import profile
from audit.health.suite import Suite, read_suite
from audit.intake.export import Export
from audit.shipped import rules_folder
from tests.health.whole import Tables, earlier_of
from tests.judge_here import JudgeHere

AS_OF = pd.Timestamp("2026-03-01T18:00Z")


@pytest.fixture(scope="module")
def suite() -> Suite:
    """The suite that ships."""
    return read_suite(rules_folder(), rules_folder())


def health_of(suite: Suite, export: Export, earlier: Earlier | None, as_of: pd.Timestamp | None = AS_OF) -> Health:
    """Judge an export by a suite, in this process."""
    facts = profile(export, as_of, earlier)
    return Health.of(suite, facts, JudgeHere().ask(suite, facts).result(), earlier)


def failed(health: Health) -> set[str]:
    """Return the ids of the expectations that some fact doesn't meet."""
    return {one.expectation.meta.id for one in health.expectations if one.not_as_expected}


def test_a_whole_export_passes(suite: Suite, export_with: Callable[..., Export], yesterday: Earlier) -> None:
    """Measured against the night before, every expectation has facts, and every fact is as expected."""
    health = health_of(suite, export_with(), yesterday)
    assert not failed(health)
    assert not health.failed
    assert all(one.as_expected for one in health.expectations)
    assert set(health.outcomes["detail"][health.outcomes["outcome"] == NOT_JUDGED]) <= {
        "the export has no such column",
        "the column is blank in every row",
    }


def drop_table(name: str) -> Callable[[Tables], Any]:
    return lambda tables: tables.pop(name)


def cells(table: str, column: str, value: str, which: slice) -> Callable[[Tables], Any]:
    def change(tables: Tables) -> None:
        for row in tables[table][which]:
            row[column] = value

    return change


def keep(table: str, condition: Callable[[dict[str, str]], bool]) -> Callable[[Tables], Any]:
    def change(tables: Tables) -> None:
        tables[table][:] = [row for row in tables[table] if condition(row)]

    return change


def twice(tables: Tables) -> None:
    tables["flights"] += tables["flights"][:2]


def misprinted_year(tables: Tables) -> None:
    tables["flights"][-1] |= {"takeoff_at": "2062-03-01T09:00Z", "landing_at": "2062-03-01T10:00Z"}


def local_clock(tables: Tables) -> None:
    """Flights an hour early by the clock of their station, in a log that doesn't say by which: a dozen of them overlap
    with work."""
    for flight in tables["flights"]:
        flight |= {name: flight[name].removesuffix("Z") for name in ("takeoff_at", "landing_at")}
        flight |= {"origin": "Fernspool", "destination": "Fernspool"}
    for task in tables["tasks"][: 12 * 3 : 3]:
        task["started_at"] = task["started_at"].replace("T12:00", "T06:10")
        task["finished_at"] = task["started_at"].replace("T06:10", "T06:50")


FAULTS: dict[str, tuple[Callable[[Tables], Any], set[str]]] = {
    "table-missing": (drop_table("manuals"), {"rows-fewer-or-many-more-than-before", "rows-unusual"}),
    "table-empty": (
        lambda tables: tables["components"].clear(),
        {"rows-fewer-or-many-more-than-before", "rows-unusual", "orphans"},
    ),
    "rows-fewer-or-many-more-than-before": (
        keep("flights", lambda row: not row["flight_id"].endswith(("1-3", "2-3", "3-3", "4-3", "5-3", "6-3"))),
        set(),
    ),
    "rows-unusual": (
        lambda tables: [tables["lots"].append({"lot": f"L-{number}", "product": "RP-1"}) for number in (2, 3)],
        {"rows-fewer-or-many-more-than-before"},
    ),
    "rows-in-quarantine": (cells("tasks", "finished_at", "soon", slice(3)), set()),
    "rows-twice": (twice, set()),
    "table-left-behind": (
        keep("tasks", lambda row: row["task_id"] < "T-55" or len(row["task_id"]) < 6),
        {"newest-record-old", "no-newer-record"},
    ),
    "days-without-records": (
        keep("flights", lambda row: not 20 <= int(row["flight_id"].split("-")[1]) < 30),
        {"rows-fewer-or-many-more-than-before"},
    ),
    "station-silent": (
        keep("tasks", lambda row: row["station"] != "Quillon" or int(row["task_id"].split("-")[1]) < 35),
        {"rows-fewer-or-many-more-than-before"},
    ),
    "newest-record-alone": (misprinted_year, {"table-left-behind", "aircraft-silent"}),
    "signature-columns-blank": (cells("tasks", "certified_by", "", slice(10)), {"column-blank-more-often"}),
    "boot-columns-blank": (cells("components", "finish", "", slice(1)), {"column-blank-more-often"}),
    "column-blank-more-often": (cells("tasks", "product", "", slice(15)), set()),
    "values-outside-the-list": (cells("tasks", "action", "polish", slice(1)), set()),
    "orphans": (cells("tasks", "performed_by", "C. Gannet", slice(4)), set()),
    "cells-unreadable": (cells("tasks", "humidity_pct", "45 %", slice(1)), set()),
    "names-nearly-equal": (
        cells("flights", "aircraft", "TARN3", slice(3, None, 4)),
        {"aircraft-without-flights", "orphans"},
    ),
    "positions-without-a-boot": (cells("tasks", "position", "port wing", slice(1)), set()),
    "aircraft-without-flights": (
        keep("flights", lambda row: row["aircraft"] != "TARN-3"),
        {"rows-fewer-or-many-more-than-before", "orphans"},
    ),
    "aircraft-silent": (
        keep("flights", lambda row: row["aircraft"] != "TARN-3" or int(row["flight_id"].split("-")[1]) < 35),
        set(),
    ),
    "flights-twice": (lambda tables: tables["flights"].append(tables["flights"][0] | {"flight_id": "V"}), set()),
    "flight-clock-contradicted": (local_clock, set()),
    "hours-contradicted": (cells("flights", "flight_hours", "75", slice(1)), set()),
}
"""How an expectation is broken, and which others see the same fault by their own lights."""


@pytest.mark.parametrize("expectation", FAULTS)
def test_each_fault_is_told(
    expectation: str, suite: Suite, export_with: Callable[..., Export], yesterday: Earlier
) -> None:
    """A planted fault fails the expectation that is for it, and no other than those that must see it too."""
    change, others = FAULTS[expectation]
    health = health_of(suite, export_with(change), yesterday)
    assert failed(health) == {expectation} | others
    assert health.failed
    assert any(one.expectation.meta.title == title for one in health.expectations for title, _ in health.wrong())


def test_an_old_export_is_told_only_at_an_as_of_time(suite: Suite, export_with: Callable[..., Export]) -> None:
    """The newest record is old four days later; without an as-of time nothing says so, and nothing passes for it."""
    late = health_of(suite, export_with(), None, AS_OF + pd.Timedelta(days=4))
    assert failed(late) == {"newest-record-old"}
    unasked = health_of(suite, export_with(), None, None).outcomes.set_index("expectation")
    assert set(unasked.loc["newest-record-old", "outcome"]) == {NOT_JUDGED}


def test_the_same_export_again_is_told(suite: Suite, export_with: Callable[..., Export]) -> None:
    """An export that brings nothing newer than the night before was delivered twice."""
    tonight = export_with()
    assert failed(health_of(suite, tonight, earlier_of(tonight))) == {"no-newer-record"}


def test_every_expectation_is_broken_here(suite: Suite) -> None:
    """No expectation of the suite is without a test that sees it fail."""
    ids = {expectation.meta.id for expectation in suite.expectations}
    assert ids == set(FAULTS) | {"newest-record-old", "no-newer-record"}


def test_without_an_earlier_run_comparisons_are_not_judged(suite: Suite, export_with: Callable[..., Export]) -> None:
    """Nothing passes for want of something to compare with."""
    health = health_of(suite, export_with(), None)
    by_id = {one.expectation.meta.id: one for one in health.expectations}
    for name in ("rows-fewer-or-many-more-than-before", "rows-unusual", "no-newer-record", "column-blank-more-often"):
        assert by_id[name].as_expected == by_id[name].not_as_expected == 0
        assert by_id[name].not_judged


def test_usual_needs_several_runs(suite: Suite, export_with: Callable[..., Export]) -> None:
    """Four runs make no usual count; five do."""
    tonight = export_with()
    for runs, outcomes in ((4, {NOT_JUDGED}), (5, {"as expected"})):
        health = health_of(suite, tonight, earlier_of(tonight, runs))
        assert set(health.outcomes.set_index("expectation").loc["rows-unusual", "outcome"]) == outcomes


def test_an_empty_export_is_not_whole(suite: Suite) -> None:
    """With no rows at all, most can't be measured; the tables and rows that lack are told."""
    from audit.intake.reading import read_rows

    health = health_of(suite, read_rows({"tasks": []}), None)
    assert failed(health) == {"table-missing", "table-empty"}
    assert health.outcomes["outcome"].eq(NOT_AS_EXPECTED).sum() == 7 + 5

"""The same fault has the same id, whatever else changes in the export."""

from __future__ import annotations

import csv
import random
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet
import pytest

from audit.authoring.examples import example_export
from audit.authoring.running import timeline_of
from audit.findings.collect import collect
from audit.forms import form_of
from audit.forms.judging import judge_rule
from audit.language.rule import Example
from audit.pipeline import Audited, run_audit
from audit.shipped import sample_folder, sample_settings
from audit.timeline.timeline import build_timeline
from tests.forms.rules import RULES, rule


def ids(export: Path) -> set[str]:
    found = run_audit(export, settings=[sample_settings()]).findings["finding_id"]
    assert found.is_unique
    return set(found)


@pytest.fixture(scope="module")
def known(sample_audit: Audited) -> set[str]:
    """The ids of the sample's findings."""
    return set(sample_audit.result.findings["finding_id"])


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """A copy of the sample that a test may change."""
    return Path(shutil.copytree(sample_folder(), tmp_path / "tomorrow"))


def rewrite(path: Path, change: Callable[[list[list[str]]], object]) -> None:
    with path.open(encoding="utf-8", newline="") as file:
        header, *rows = list(csv.reader(file))
    change(rows)
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([header, *rows])


def test_shuffled_and_rewritten_rows_keep_their_ids(copy: Path, known: set[str]) -> None:
    """Every table in another order, as Parquet, in a folder of another name: nothing is a new finding. (Of two rows of
    one key the first counts: left out.)"""
    for name in ("flights", "components", "products", "stations", "people", "lots", "manuals"):
        rewrite(copy / f"{name}.csv", random.Random(1).shuffle)
    rewrite(copy / "tasks.csv", lambda rows: rows.sort(key=lambda row: row[2], reverse=True))
    for path in sorted(copy.glob("*.csv")):
        as_parquet(path)
    assert ids(copy) == known


def as_parquet(path: Path) -> None:
    """Put a Parquet file of the same rows in the place of a CSV file."""
    with path.open(encoding="utf-8", newline="") as file:
        names = next(csv.reader(file))
    texts = pa.csv.ConvertOptions(strings_can_be_null=False, column_types=dict.fromkeys(names, pa.string()))
    pa.parquet.write_table(pa.csv.read_csv(path, convert_options=texts), path.with_suffix(".parquet"))
    path.unlink()


def test_other_rows_leave_the_ids_alone(copy: Path, known: set[str]) -> None:
    """Rows of another aircraft in front of the others add findings of their own, if any, and change no id."""

    def add(rows: list[list[str]]) -> None:
        rows[:0] = [["T-NEW-1", "WO-NEW-1", "TARN-NEW", *rows[0][3:]]]

    rewrite(copy / "tasks.csv", add)
    assert ids(copy) >= known


def test_ids_differ_between_rules_subjects_and_positions(known: set[str], sample_audit: Audited) -> None:
    """No two findings share an id, and there are as many ids as findings."""
    result = sample_audit.result
    assert len(known) == len(result.findings)
    assert result.findings["finding_id"].str.fullmatch("[0-9a-f]{12}").all()


@pytest.mark.parametrize("season", [None, {"from": "10-01", "to": "04-30"}], ids=["all-year", "in-season"])
def test_an_earlier_row_of_another_aircraft_leaves_the_ids_alone(season: dict[str, str] | None) -> None:
    """A stretch that no treatment began is named by what began it on the aircraft, not by where the export begins."""
    scope = {"product_class": {"is": "ice-adhesion-treatment"}}
    overdue = rule(
        "interval", scope=scope, at_most={"flight_hours": 1}, **({} if season is None else {"season": season})
    )
    tables = {
        "tasks": [{"product": "cleaner", "started_at": "2025-11-03T10:00:00Z"}],
        "flights": [{"takeoff_at": "2025-11-04T10:00:00Z", "flight_hours": 2}],
    }
    earlier = {"aircraft": "A2", "product": "cleaner", "started_at": "2025-10-20T10:00:00Z"}
    assert found_ids(overdue, tables) == found_ids(overdue, {**tables, "tasks": [earlier, *tables["tasks"]]})


@pytest.mark.parametrize("season", [None, {"from": "10-01", "to": "04-30"}], ids=["all-year", "in-season"])
def test_a_boot_that_is_moved_takes_its_ids_along(season: dict[str, str] | None) -> None:
    """Tomorrow the boot stands where another one stood that was treated by the same record: no finding of the two
    is named anew, and none is taken for the other's."""
    scope = {"product_class": {"is": "ice-adhesion-treatment"}}
    overdue = rule("interval", scope=scope, at_most={"days": 1}, **({} if season is None else {"season": season}))
    began, swapped, ends = "2025-10-05T00:00:00Z", "2025-10-20T12:00:00Z", "2025-10-21T00:00:00Z"
    treated = {"product": "ice-adhesion-treatment", "position": "left wing; right wing", "finished_at": began}
    left = {"component_serial": "B1", "position": "left wing", "installed_at": "2025-09-01T00:00:00Z"}
    right = {**left, "component_serial": "B2", "position": "right wing"}
    flights = [{"takeoff_at": at} for at in ("2025-10-03T00:00:00Z", ends)]
    tables = {"tasks": [{**treated, "started_at": began}], "flights": flights}

    def named(*components: dict[str, str]) -> set[str]:
        return found_ids(overdue, {**tables, "components": components})

    gone = {**left, "removed_at": swapped}
    moved = {**right, "position": "left wing", "installed_at": swapped}
    known = named(gone, right)
    assert len(known) == 4
    assert named(gone, {**right, "removed_at": swapped}, moved) == known


def test_two_findings_on_one_subject_have_two_ids() -> None:
    """Two boots that were twice at one position at once are two findings, the later one with an id of its own."""
    at_once = rule("overlap", between=["components", "components"], same=["aircraft", "position"])
    first = {"component_serial": "C1", "installed_at": "2025-01-01T00:00:00Z", "removed_at": "2025-02-01T00:00:00Z"}
    again = {"installed_at": "2025-03-01T00:00:00Z", "removed_at": "2025-04-01T00:00:00Z"}
    once = [first, first | {"component_serial": "C2"}]
    twice = [*once, *(row | again for row in once)]
    task = {"tasks": [{"product": "cleaner", "started_at": "2025-06-01T00:00:00Z"}]}
    [earlier] = found_ids(at_once, {**task, "components": once})
    ids_of_both = found_ids(at_once, {**task, "components": twice})
    assert len(ids_of_both) == len(set(ids_of_both)) == 2
    assert earlier in ids_of_both
    assert set(found_ids(at_once, {**task, "components": twice[::-1]})) == set(ids_of_both)


def test_boots_at_several_places_at_once_have_ids_of_their_own() -> None:
    """A fleet whose boots were all entered as of one day, with one serial for those that nobody knows."""
    task = {"tasks": [{"product": "cleaner", "started_at": "2025-06-01T00:00:00Z"}]}
    stay = {"component_serial": "C1", "installed_at": "2025-01-01T00:00:00Z", "position": "left wing"}
    elsewhere = rule("overlap", between=["components"] * 2, same=["component_serial"], differing=["aircraft"])
    three = [{**stay, "aircraft": aircraft} for aircraft in ("A1", "A2", "A3")]
    found = set(found_ids(elsewhere, {**task, "components": three}))
    assert len(found) == 3
    # With one of them put right the other two are still the same finding.
    assert set(found_ids(elsewhere, {**task, "components": three[1:]})) < found
    at_once = rule("overlap", between=["components"] * 2, same=["aircraft", "position"])
    stays = ({"component_serial": serial, "position": at} for serial in ("C1", "C2") for at in ("left wing", "tail"))
    assert len(set(found_ids(at_once, {**task, "components": [stay | each for each in stays]}))) == 2


def test_a_pair_reads_the_same_whichever_row_is_first() -> None:
    """Tomorrow's export may list the rows in another order: each says of the same two the same."""
    asked = RULES.validate_python(rule("overlap", between=["flights"] * 2, same=["aircraft"]))
    flights = [
        {"flight_id": "F1", "takeoff_at": "2025-06-02T10:30:00Z", "landing_at": "2025-06-02T11:30:00Z"},
        {"flight_id": "F2", "takeoff_at": "2025-06-02T10:00:00Z", "landing_at": "2025-06-02T11:00:00Z"},
    ]
    work = [{"product": "cleaner", "started_at": "2025-06-01T00:00:00Z"}]
    said = []
    for rows in (flights, flights[::-1]):
        tables = {"tasks": work, "flights": rows}
        timeline = timeline_of(Example.model_validate({"name": "n", "expect": "complies", **tables}))
        found = collect([(asked, judge_rule(asked, timeline))], timeline).findings
        said += found["message"].tolist()
    assert said == ["Flight F1 and flight F2 have the same aircraft and overlap by 30 min."] * 2


def test_two_boots_at_one_position_are_named_by_when_they_came() -> None:
    """By serial, place and second of the installation, so that a boot that comes back is another; whichever row is
    first."""
    same = ["aircraft", "position"]
    asked = RULES.validate_python(rule("overlap", between=["components", "components"], same=same))
    work = [{"product": "cleaner", "started_at": "2025-06-01T00:00:00Z"}]
    boots = [
        {"component_serial": "C2", "installed_at": "2025-01-01T00:00:00Z"},
        {"component_serial": "C1", "installed_at": "2025-01-10T12:30:05Z"},
    ]
    for components in (boots, boots[::-1]):
        tables = {"tasks": work, "components": components}
        timeline = timeline_of(Example.model_validate({"name": "n", "expect": "complies", **tables}))
        found = collect([(asked, judge_rule(asked, timeline))], timeline)
        keys = form_of(asked).identity(asked, found.cases, found.findings, timeline)
        assert keys == [("C1", "2025-01-10T12:30:05 A1 left wing", "C2", "2025-01-01T00:00:00 A1 left wing")]


def test_what_a_register_saw_twice_at_one_time_is_numbered() -> None:
    """In its order, whatever was altered or vanished between; what else was seen counts for itself."""
    altered: dict[str, Any] = {"what": "altered", "column": "lot", "was": "L1", "now": "L2"}
    back = {**altered, "was": "L2", "now": "L1"}
    gone: dict[str, Any] = {"what": "vanished", "column": None}
    seen = [altered, gone, altered | {"column": "coat"}, back, gone, gone | {"task_id": "T9"}, altered]
    at_one_time = [{"task_id": "T1", "first_seen": "2025-06-05T00:00:00Z"} | one for one in seen]
    tables = {
        "tasks": [{"product": "cleaner", "started_at": "2025-06-02T00:00:00Z"}],
        "alterations": [*at_one_time, at_one_time[0] | {"first_seen": "2025-06-06T00:00:00Z"}],
    }
    timeline = timeline_of(
        Example.model_validate({"name": "n", "expect": "complies", "as_of": "2025-07-01T00:00:00Z", **tables})
    )
    asked = RULES.validate_python(rule("record", of="alterations", require={"alteration.what": {"is": "entered late"}}))
    found = collect([(asked, judge_rule(asked, timeline))], timeline)
    fifth, sixth = "2025-06-05 00:00:00+00:00", "2025-06-06 00:00:00+00:00"
    assert form_of(asked).identity(asked, found.cases, found.findings, timeline) == [
        ("T1", "altered", "lot", fifth),
        ("T1", "vanished", "", fifth),
        ("T1", "altered", "coat", fifth),
        ("T1", "altered", "lot", fifth, "2"),
        ("T1", "vanished", "", fifth, "2"),
        ("T9", "vanished", "", fifth),
        ("T1", "altered", "lot", fifth, "3"),
        ("T1", "altered", "lot", sixth),
    ]


def found_ids(data: dict[str, Any], tables: dict[str, Any]) -> list[str]:
    """The ids of what a rule finds in a small export."""
    timeline = build_timeline(
        example_export(Example.model_validate({"name": "n", "expect": "complies", **tables})), None
    )
    asked = RULES.validate_python(data)
    return collect([(asked, judge_rule(asked, timeline))], timeline).findings["finding_id"].tolist()

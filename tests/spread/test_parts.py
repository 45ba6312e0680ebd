"""Judged in parts: the same outcomes as in one, whatever the number of parts and whoever judges them."""

from __future__ import annotations

import multiprocessing
import shutil
import time
from datetime import timedelta
from pathlib import Path
from threading import Thread

import numpy as np
import pandas as pd
import pytest

from audit.due.listing import DueList, due_list
from audit.errors import AuditError
from audit.findings.assembling import assemble
from audit.findings.result import AuditResult
from audit.forms.judging import judge_by_week, judge_rule
from audit.forms.outcomes import Outcomes
from audit.forms.reads import text_columns
from audit.intake.export import Export
from audit.intake.reading import read_export, read_rows
from audit.language.rule import Rule
from audit.options import Spread
from audit.pipeline import Audited
from audit.rulebook.loading import Rulebook, load_rules
from audit.rulebook.settings import read_settings, with_settings
from audit.shipped import rules_folder, sample_folder, sample_settings
from audit.spread import judging
from audit.spread.groups import aircraft_buckets
from audit.spread.judging import judged_in_parts
from audit.spread.parts import Judged, Whole, judge_stored, part_of, write_part
from audit.spread.workers import WorkersLost, here, workers
from audit.timeline.timeline import Timeline, build_timeline
from tests.faults.clean_export import clean_tables
from tests.faults.judged import RECORDS, RULES
from tests.faults.table import FAULTS, Fault


@pytest.fixture
def written(monkeypatch: pytest.MonkeyPatch) -> None:
    """Parts for workers are written and read again, but judged by threads of this process."""
    monkeypatch.setattr(judging, "workers", lambda spread: here())


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return with_settings(load_rules(rules_folder()), [read_settings(sample_settings())])


def in_parts(rules: tuple[Rule, ...], export: Export, timeline: Timeline, **how: object) -> list[tuple[Rule, Judged]]:
    return judged_in_parts(rules, export, timeline, Spread(**how), ahead=True)  # type: ignore[arg-type]


@pytest.mark.parametrize("how", [{}, {"workers": 1}], ids=["here", "written"])
@pytest.mark.usefixtures("written")
def test_the_sample_in_parts_gives_the_same(how: dict[str, int], sample_audit: Audited, rulebook: Rulebook) -> None:
    export, timeline, whole = sample_audit.export, sample_audit.timeline, sample_audit.result
    judged = in_parts(rulebook.rules, export, timeline, buckets=3, **how)
    outcomes = [(rule, found.outcomes) for rule, found in judged]
    _same(assemble(whole.version, whole.export_name, rulebook, export, timeline, outcomes), whole)
    for rule, found in judged:
        pd.testing.assert_frame_equal(found.weeks, judge_by_week(rule, timeline)[1], check_exact=True, obj=rule.id)
    assert len(whole.findings) > 100
    assert len(whole.unjudged) > 20


def _same(one: AuditResult, other: AuditResult) -> None:
    findings = other.findings.drop(columns=["file", "line"], errors="ignore")
    pd.testing.assert_frame_equal(one.findings, findings)
    pd.testing.assert_frame_equal(one.unjudged, other.unjudged)
    pd.testing.assert_frame_equal(one.coverage, other.coverage)
    assert one.margins == other.margins
    assert one.stories == other.stories


@pytest.mark.parametrize("serial", ["B1", pytest.param("", id="perhaps")])
def test_a_boot_takes_its_cure_along(rulebook: Rulebook, serial: str) -> None:
    """Coated on one aircraft, installed on another the same day and flown there: both are in one part, and so they are
    where a row set aside doesn't tell which boot was installed."""
    day = "2025-06-02T"
    tasks = [
        {
            "task_id": "T1",
            "work_order": "W1",
            "aircraft": "A1",
            "action": "apply",
            "station": "S",
            "position": "fin",
            "product": "P",
            "started_at": f"{day}08:00:00Z",
            "finished_at": f"{day}09:00:00Z",
        }
    ]
    boot = {"component_serial": "B1", "position": "fin", "material": "chloroprene", "finish": "black"}
    components = [
        boot | {"aircraft": "A1", "installed_at": "2025-01-01T00:00:00Z", "removed_at": f"{day}10:00:00Z"},
        boot | {"component_serial": serial, "aircraft": "A2", "installed_at": f"{day}11:00:00Z", "removed_at": ""},
    ]
    flights = [
        {"flight_id": f"F{n}", "aircraft": aircraft, "takeoff_at": f"{day}{h}:00:00Z", "landing_at": f"{day}{h}:30:00Z"}
        for n, (aircraft, h) in enumerate([("A1", "06"), ("A1", "20"), ("A2", "05"), ("A2", "13"), ("A2", "22")])
    ]
    export = read_rows(
        {
            "tasks": tasks,
            "stations": [{"station": "S", "timezone": "UTC"}],
            "components": components,
            "flights": flights,
            "products": [{"product": "P", "product_class": "rubber-preservative"}],
        }
    )
    timeline = build_timeline(export)
    for buckets in (1, 2, 3, 16):
        assert len(set(aircraft_buckets(export, timeline, buckets).tolist())) == 1
    cure = tuple(rule for rule in rulebook.rules if rule.id == "flight-before-cure")
    for buckets in (1, 16):
        [(_, found)] = in_parts(cure, export, timeline, buckets=buckets)
        assert (found.outcomes.in_scope, found.outcomes.findings) == (1, int(serial == "B1"))
        assert len(found.outcomes.cases) == 1


def test_what_comes_is_the_same(sample_audit: Audited, rulebook: Rulebook) -> None:
    timeline = build_timeline(sample_audit.export, pd.Timestamp("2026-01-21T06:00Z"))
    rules = tuple(rule for rule in rulebook.rules if rule.form in ("hold", "interval"))

    def listed(**how: object) -> DueList:
        judged = in_parts(rules, sample_audit.export, timeline, **how)
        comes = [(rule, found.coming) for rule, found in judged if found.coming is not None]
        return due_list("sample", comes, timeline, timedelta(days=30))

    pd.testing.assert_frame_equal(listed(buckets=5).rows, listed().rows)
    assert len(listed().rows) > 10


@pytest.mark.parametrize(("order", "aircraft"), [("W1", ["A1"]), ("W9", ["A1", "A2", "A3"])])
def test_what_comes_of_a_record_that_names_no_aircraft_comes_once(
    rulebook: Rulebook, order: str, aircraft: list[str]
) -> None:
    """A coat in quarantine, of the aircraft of its work order or else of any, is in every part."""
    coat = {"action": "apply", "station": "S", "position": "fin", "product": "P"}
    done = {"work_order": "W1", "aircraft": "A1", "product": "C", "action": "clean"}
    times = [{"started_at": f"2025-06-0{day}T08:00:00Z", "finished_at": f"2025-06-0{day}T09:00:00Z"} for day in (1, 2)]
    export = read_rows(
        {
            "tasks": [
                coat | times[0] | done | {"task_id": "T1"},
                coat | times[1] | {"work_order": order, "aircraft": "", "task_id": "T2"},
            ],
            "stations": [{"station": "S", "timezone": "UTC"}],
            "components": [
                {"component_serial": f"B{n}", "aircraft": f"A{n}", "position": "fin", "material": "chloroprene"}
                | {"installed_at": "2025-01-01T00:00:00Z"}
                for n in (1, 2, 3)
            ],
            "products": [
                {"product": "P", "product_class": "rubber-preservative"},
                {"product": "C", "product_class": "cleaner"},
            ],
        }
    )
    timeline = build_timeline(export)
    cure = tuple(rule for rule in rulebook.rules if rule.id == "flight-before-cure")
    for buckets in (1, 2, 5):
        [(rule, found)] = in_parts(cure, export, timeline, buckets=buckets)
        assert found.coming is not None
        listed = due_list("export", [(rule, found.coming)], timeline, timedelta(days=30)).rows
        assert listed["aircraft"].tolist() == aircraft


def test_aircraft_without_a_boot_in_common_are_apart(sample_audit: Audited) -> None:
    buckets = aircraft_buckets(sample_audit.export, sample_audit.timeline, 7)
    assert len(set(buckets.tolist())) > 3
    # The same tomorrow, on every machine: a hash of the name and nothing else.
    again = aircraft_buckets(sample_audit.export, sample_audit.timeline, 7)
    np.testing.assert_array_equal(buckets, again)


def test_processes_judge_it_and_others_take_over_from_one_that_dies() -> None:
    export = read_rows(clean_tables())
    timeline = build_timeline(export)
    told: list[str] = []
    killed: list[int] = []

    def kill_one() -> None:
        while not killed:
            for process in multiprocessing.active_children():
                killed.append(process.pid or 0)
                process.kill()
                break
            time.sleep(0.01)

    Thread(target=kill_one, daemon=True).start()
    judged = judged_in_parts(RULES, export, timeline, Spread(workers=2, buckets=3), told.append)
    assert killed
    assert "workers died: their parts are given to others" in told
    for rule, parts in judged:
        _same_outcomes(parts.outcomes, judge_rule(rule, timeline))
    assert not multiprocessing.active_children()


@pytest.mark.parametrize(("what", "raised"), [("handle is closed", WorkersLost), ("No space left", OSError)])
def test_a_worker_that_dies_as_another_starts_is_lost(what: str, raised: type[Exception]) -> None:
    """The pool then fails in a way of its own, which is no fault of the disk."""
    with pytest.raises(raised), workers(Spread(workers=1)):
        raise OSError(what)


@pytest.mark.usefixtures("written")
def test_the_parts_are_gone_afterwards(tmp_path: Path, sample_audit: Audited, rulebook: Rulebook) -> None:
    how = {"workers": 1, "buckets": 2, "shared": tmp_path}
    in_parts(rulebook.rules[:3], sample_audit.export, sample_audit.timeline, **how)
    assert not list(tmp_path.iterdir())


def test_a_worker_that_does_not_see_the_folder_says_so(
    tmp_path: Path, sample_audit: Audited, rulebook: Rulebook
) -> None:
    export, timeline = sample_audit.export, sample_audit.timeline
    rows = {name: np.arange(len(export.tables[name])) for name in ("tasks", "flights", "components")}
    part = write_part(tmp_path / "part", part_of(export, rows, {}, Whole.of(export, timeline)))
    shutil.rmtree(part.folder)
    with pytest.raises(AuditError, match=r"A worker can't read .*part.tasks\.parquet.*say one that they share with"):
        judge_stored(part, rulebook.rules[:1], ahead=False)


@pytest.mark.usefixtures("written")
def test_a_part_that_can_t_be_written_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, sample_audit: Audited, rulebook: Rulebook
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("audit.spread.parts.pq.write_table", full)
    with pytest.raises(AuditError, match=r"A part of the export can't be written to .*No space left on device"):
        in_parts(rulebook.rules, sample_audit.export, sample_audit.timeline, workers=1, shared=tmp_path)
    assert not list(tmp_path.iterdir())


def test_without_a_record_nothing_is_judged(rulebook: Rulebook) -> None:
    export = read_rows({name: rows if name != "tasks" else [] for name, rows in clean_tables().items()})
    timeline = build_timeline(export, pd.Timestamp("2025-11-30T18:00Z"))
    for rule, parts in in_parts(rulebook.rules, export, timeline, buckets=2):
        _same_outcomes(parts.outcomes, judge_rule(rule, timeline))


def test_a_folder_that_can_t_be_written_is_said(tmp_path: Path, sample_audit: Audited, rulebook: Rulebook) -> None:
    with pytest.raises(AuditError, match=r"can't be written to .*nowhere"):
        in_parts(rulebook.rules, sample_audit.export, sample_audit.timeline, workers=1, shared=tmp_path / "nowhere")


def test_a_mapped_export_in_parts(rulebook: Rulebook) -> None:
    folder = sample_folder().parent / "linnetlatch"
    export = read_export(folder, text_columns(rulebook.rules), folder / "mapping.yaml")
    timeline = build_timeline(export)
    rules = tuple(rule for rule in rulebook.rules if rule.form != "record")
    for rule, parts in in_parts(rules, export, timeline, buckets=3):
        _same_outcomes(parts.outcomes, judge_rule(rule, timeline))


@pytest.mark.parametrize("fault", [pytest.param(fault, id=fault.id) for fault in FAULTS[::30]])
def test_a_faulty_export_in_parts(fault: Fault) -> None:
    """What is in doubt, set aside, not supplied or nearly equal leaves the same subjects unjudged."""
    tables = clean_tables()
    for edit in fault.edits:
        edit(tables)
    try:
        export = read_rows(tables)
    except AuditError:
        return  # refused as a whole: nothing is judged
    timeline = build_timeline(export)
    rules = tuple(rule for rule in RULES if rule.form != "record" or rule.id in RECORDS)
    # Each aircraft in a part of its own, and a part that has none.
    assert sorted(aircraft_buckets(export, timeline, 3).tolist()) == [0, 1]
    for rule, parts in in_parts(rules, export, timeline, buckets=3):
        _same_outcomes(parts.outcomes, judge_rule(rule, timeline))


@pytest.mark.parametrize("work_order", ["W-TEAL-10-03", "of-none"])
def test_a_record_without_an_aircraft_in_parts(work_order: str) -> None:
    """Every part has it, and knows by its work order of which aircraft it is, though that one is in another part."""
    tables = clean_tables()
    [treatment] = [row for row in tables["tasks"] if row["task_id"] == "T-TEAL-60"]
    tables["tasks"].append(treatment | {"task_id": "T-ASIDE", "aircraft": "", "work_order": work_order})
    export = read_rows(tables)
    timeline = build_timeline(export)
    covered = tuple(rule for rule in RULES if rule.id == "ice-adhesion-treatment-covered")
    [(_, parts)] = in_parts(covered, export, timeline, buckets=3)
    whole = judge_rule(*covered, timeline)
    _same_outcomes(parts.outcomes, whole)
    assert bool(whole.unjudged) == (work_order == "of-none")


def _same_outcomes(one: Outcomes, other: Outcomes) -> None:
    columns = list(other.cases)
    assert one.in_scope == other.in_scope
    assert one.margins == other.margins
    cases = [outcomes.cases.sort_values(columns, ignore_index=True) for outcomes in (one, other)]
    pd.testing.assert_frame_equal(*cases, check_dtype=False)

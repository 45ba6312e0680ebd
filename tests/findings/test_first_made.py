"""Findings that a correction of an entry put right: listed, corrected, never dropped."""

from __future__ import annotations

import csv
import shutil
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import pytest

from audit.findings.result import AuditResult
from audit.pipeline import run_audit
from audit.report.aside import corrected_entries
from audit.report.files import contents
from audit.shipped import rules_folder

Row = dict[str, str]
COATS: list[Row] = [
    {
        "task_id": f"T{number}",
        "work_order": "W1",
        "aircraft": "A1",
        "action": "apply",
        "station": "S1",
        "started_at": f"2025-06-02T{8 + number:02}:00:00Z",
        "finished_at": f"2025-06-02T{8 + number:02}:20:00Z",
        "position": "left wing",
        "product": "preservative",
        "coat": str(number),
        "performed_by": "P1",
        "lot": "L1",
    }
    for number in (1, 2)
]
TABLES: dict[str, list[Row]] = {
    "flights": [
        {
            "flight_id": name,
            "aircraft": "A1",
            "takeoff_at": f"2025-06-0{day}T12:00:00Z",
            "landing_at": f"2025-06-0{day}T13:00:00Z",
        }
        for name, day in (("F1", 1), ("F2", 3), ("F3", 4))
    ],
    "components": [
        {
            "component_serial": f"C-{position}",
            "aircraft": "A1",
            "position": position,
            "material": "chloroprene",
            "finish": finish,
            "installed_at": "2020-01-01T00:00:00Z",
        }
        for position, finish in (("left wing", "black"), ("right wing", "silver"))
    ],
    "products": [
        {"product": "preservative", "product_class": "rubber-preservative", "approval": "yes"},
        {"product": "gloss", "product_class": "gloss-coating", "approval": "yes"},
    ],
    "stations": [{"station": "S1", "timezone": "UTC"}],
}
LATE_END = {"finished_at": "2025-06-02T20:20:00Z"}


def correction(column: str, was: str, now: str, **more: str) -> Row:
    row = {"correction_id": "K1", "task_id": "T2", "column": column, "was": was, "now": now}
    return row | {"made_by": "P2", "made_at": "2025-06-05T09:00:00Z", "signed_by": "P2", "reason": "misread"} | more


ASKED = ("flight-before-cure", "preservative-on-wrong-material", "ppe-sign-off-missing", "correction-*")
"""The rules that are asked here."""


def audit(folder: Path, tasks: Sequence[Row], *corrections: Row, as_of: str = "2025-06-06") -> AuditResult:
    export, rules = folder / "export", folder / "rules"
    for made in (export, rules):
        made.mkdir(exist_ok=True)
    for rule in (path for name in ASKED for path in rules_folder().rglob(f"{name}.yaml")):
        shutil.copy(rule, rules)
    for name, rows in {**TABLES, "tasks": list(tasks), "corrections": list(corrections)}.items():
        with (export / f"{name}.csv").open("w", newline="") as file:
            writer = csv.DictWriter(file, list(dict.fromkeys(key for row in rows for key in row)) or ["correction_id"])
            if rows or name != "corrections":
                writer.writeheader()
                writer.writerows(rows)
        if not rows:
            (export / f"{name}.csv").unlink()
    return run_audit(export, rules, as_of=datetime.fromisoformat(as_of).replace(tzinfo=UTC))


def of_rule(result: AuditResult, rule: str) -> list[tuple[str, str, str, str]]:
    found = result.findings[result.findings["rule"] == rule]
    cells = found[["task_id", "position", "state", "corrected_by"]].fillna("")
    return sorted(cells.itertuples(index=False, name=None))


def counts(result: AuditResult, rule: str) -> dict[str, int]:
    row = result.coverage[result.coverage["rule"] == rule].iloc[0]
    return {name: int(row[name]) for name in ("in_scope", "complies", "findings", "unjudged")}


END = correction("finished_at", "2025-06-02T20:20:00Z", "2025-06-02T10:20:00Z")


@pytest.mark.parametrize("there", ["first entry", "corrected"], ids=str)
def test_a_corrected_end_puts_the_flight_right(there: str, tmp_path: Path) -> None:
    """The flight was too early by the first entry only, whether or not the export has the correction already."""
    last = COATS[1] | (LATE_END if there == "first entry" else {})
    result = audit(tmp_path, [COATS[0], last], END)
    assert of_rule(result, "flight-before-cure") == [("T2", "left wing", "corrected", "K1")]
    one = result.findings[result.findings["rule"] == "flight-before-cure"].iloc[0]
    assert one["corrected_at"] == pd.Timestamp("2025-06-05T09:00:00Z")
    assert counts(result, "flight-before-cure") == {"in_scope": 1, "complies": 0, "findings": 1, "unjudged": 0}
    assert result.findings["finding_id"].is_unique


def test_before_the_correction_the_finding_is_open(tmp_path: Path) -> None:
    """A correction made after the as-of time doesn't exist; the finding is the same one."""
    tasks = [COATS[0], COATS[1] | LATE_END]
    before = audit(tmp_path, tasks, END, as_of="2025-06-05")
    after = audit(tmp_path, tasks, END)
    assert of_rule(before, "flight-before-cure") == [("T2", "left wing", "open", "")]
    keys = [str(result.findings.set_index("rule").loc["flight-before-cure", "key"]) for result in (before, after)]
    assert keys[0] == keys[1]
    # An export that has a later correction is looked at as it was before it.
    assert of_rule(audit(tmp_path, COATS, END, as_of="2025-06-05"), "flight-before-cure") == of_rule(
        before, "flight-before-cure"
    )


def test_a_correction_that_changes_nothing_at_fault_corrects_nothing(tmp_path: Path) -> None:
    """The flight is too early by both entries: one finding, open."""
    end = correction("finished_at", "2025-06-02T20:20:00Z", "2025-06-02T19:20:00Z")
    result = audit(tmp_path, [COATS[0], COATS[1] | LATE_END], end)
    assert of_rule(result, "flight-before-cure") == [("T2", "left wing", "open", "")]


def test_a_correction_can_bring_a_fault(tmp_path: Path) -> None:
    """What only the corrected entries show is open."""
    end = correction("finished_at", "2025-06-02T10:20:00Z", "2025-06-02T20:20:00Z")
    assert of_rule(audit(tmp_path, COATS, end), "flight-before-cure") == [("T2", "left wing", "open", "")]


def test_a_corrected_position_moves_the_fault(tmp_path: Path) -> None:
    """By its material the boot that the entry named first was the wrong one; the boot that was meant is right."""
    tasks = [one | {"position": "right wing"} for one in COATS]
    assert of_rule(audit(tmp_path, tasks), "preservative-on-wrong-material") == [
        ("T1", "right wing", "open", ""),
        ("T2", "right wing", "open", ""),
    ]
    moved = [
        correction("position", "right wing", "left wing"),
        correction("position", "right wing", "left wing", task_id="T1", correction_id="K2"),
    ]
    result = audit(tmp_path, tasks, *moved)
    assert of_rule(result, "preservative-on-wrong-material") == [
        ("T1", "right wing", "corrected", "K2"),
        ("T2", "right wing", "corrected", "K1"),
    ]


def test_a_corrected_aircraft_moves_the_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The aircraft that the entry named first was not flown too early; that which was meant was."""
    flown = [{**one, "flight_id": f"G{number}", "aircraft": "A2"} for number, one in enumerate(TABLES["flights"])]
    monkeypatch.setitem(TABLES, "flights", [*TABLES["flights"], *flown])
    other = TABLES["components"][0] | {"component_serial": "C-A2", "aircraft": "A2"}
    monkeypatch.setitem(TABLES, "components", [*TABLES["components"], other])
    result = audit(tmp_path, [COATS[1] | LATE_END], correction("aircraft", "A1", "A2"))
    found = result.findings[result.findings["rule"] == "flight-before-cure"]
    assert sorted(zip(found["aircraft"], found["state"], strict=True)) == [("A1", "corrected"), ("A2", "open")]


def test_what_can_no_longer_be_judged_is_not_put_right(tmp_path: Path) -> None:
    """A correction to a product that no list has leaves the rule unjudged, and corrects nothing."""
    tasks = [one | {"position": "right wing"} for one in COATS]
    result = audit(tmp_path, tasks, correction("product", "preservative", "something"))
    assert of_rule(result, "preservative-on-wrong-material") == [("T1", "right wing", "open", "")]
    assert "T2" in set(result.unjudged.loc[result.unjudged["rule"] == "preservative-on-wrong-material", "task_id"])


@pytest.mark.parametrize("now", ["", "something"])
def test_a_session_that_can_no_longer_be_told_is_not_put_right(now: str, tmp_path: Path) -> None:
    """Without a product that is known a treatment is another subject, and unjudged: that corrects nothing."""
    result = audit(tmp_path, [COATS[1] | LATE_END], correction("product", "preservative", now))
    assert of_rule(result, "flight-before-cure") == []
    assert counts(result, "flight-before-cure") == {"in_scope": 1, "complies": 0, "findings": 0, "unjudged": 1}


@pytest.mark.parametrize(
    ("column", "was", "now", "record", "position"),
    [
        ("work_order", "W1", "W2", "T2", "left wing"),
        ("started_at", "2025-06-02T09:00:00Z", "2025-06-02T10:10:00Z", "T1", "left wing"),
        ("position", "left wing", "", "T2", ""),
    ],
    ids=["work order", "first record", "position not known"],
)
def test_a_fault_that_goes_by_another_name_is_not_put_right(
    column: str, was: str, now: str, record: str, position: str, tmp_path: Path
) -> None:
    """What names the session has changed, and the flight is too early as before: one finding, open."""
    tasks = [COATS[0], COATS[1] | LATE_END] if column == "started_at" else [COATS[1] | LATE_END]
    result = audit(tmp_path, tasks, correction(column, was, now, task_id=record))
    assert of_rule(result, "flight-before-cure") == [("T2", position, "open", "")]


@pytest.mark.parametrize("there", ["first entry", "corrected"])
def test_corrections_exported_without_the_values_before_them(there: str, tmp_path: Path) -> None:
    """That the record has neither value can't be said of it, nor that it was blank; its first fault isn't known."""
    made = {name: value for name, value in END.items() if name != "was"}
    result = audit(tmp_path, [COATS[0], COATS[1] | (LATE_END if there == "first entry" else {})], made)
    assert of_rule(result, "flight-before-cure") == []
    outcome = {"complies": int(there == "corrected"), "findings": 0, "unjudged": int(there != "corrected")}
    assert counts(result, "correction-does-not-fit") == {"in_scope": 1, **outcome}
    assert set(result.unjudged.loc[result.unjudged["rule"] == "correction-does-not-fit", "reason"]) <= {
        "column not supplied: corrections.was"
    }
    moved = result.findings.set_index("rule").loc["correction-moves-time", "message"]
    assert moved.startswith("Correction K1 of end of the work, to 2025-06-02 10:20 UTC: ")
    assert list(result.corrections["was"]) == ["not exported"]


def test_a_correction_on_another_aircraft_is_not_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A later one, of a record that was first entered under the finding's work order, is about another boot."""
    monkeypatch.setattr("tests.findings.test_first_made.ASKED", ("surface-prep-missing",))
    prep = {"product": "prep", "product_class": "surface-prep", "approval": "yes"}
    monkeypatch.setitem(TABLES, "products", [*TABLES["products"], prep])
    first = COATS[0] | {"action": "prepare", "product": "gloss", "coat": "", "steps_signed": "stripped"}
    other = first | {"task_id": "T3", "aircraft": "A2"}
    made = [
        correction("product", "gloss", "prep", task_id="T1", made_at="2025-06-04T09:00:00Z"),
        correction("work_order", "W1", "W3", task_id="T3", correction_id="K2"),
    ]
    result = audit(tmp_path, [first, COATS[1], other], *made)
    assert of_rule(result, "surface-prep-missing") == [("T2", "left wing", "corrected", "K1")]


def test_a_flight_is_not_taken_for_a_record_that_was_corrected(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The work was on the ground by a correction of its own record; that of the first record in the file is about
    nothing in it, though the flight is the first in its file."""
    monkeypatch.setattr("tests.findings.test_first_made.ASKED", ("work-while-airborne",))
    flown = {"started_at": "2025-06-01T12:10:00Z", "finished_at": "2025-06-01T12:20:00Z"}
    of_first = correction("finished_at", "2025-06-02T20:20:00Z", "2025-06-02T09:20:00Z", task_id="T1")
    of_second = correction("started_at", "2025-06-01T12:10:00Z", "2025-06-01T11:10:00Z", correction_id="K2")
    of_second["made_at"] = "2025-06-04T09:00:00Z"
    ended = correction("finished_at", "2025-06-01T12:20:00Z", "2025-06-01T11:20:00Z", correction_id="K3")
    ended["made_at"] = "2025-06-04T10:00:00Z"
    result = audit(tmp_path, [COATS[0] | LATE_END, COATS[1] | flown], of_first, of_second, ended)
    assert of_rule(result, "work-while-airborne") == [("T2", "left wing", "corrected", "K2; K3")]


def test_a_correction_that_does_not_fit_is_found_and_its_cell_left_in_doubt(tmp_path: Path) -> None:
    """What depends on that cell is unjudged; the correction itself is a finding."""
    result = audit(tmp_path, COATS, correction("product", "gloss", "cleaner"))
    assert of_rule(result, "correction-does-not-fit") == [("T2", "left wing", "open", "")]
    assert counts(result, "preservative-on-wrong-material") == {
        "in_scope": 2,
        "complies": 1,
        "findings": 0,
        "unjudged": 1,
    }
    assert list(result.faults["reason"]) == ["a correction of it does not fit"]


def test_a_finding_about_a_record_that_was_set_aside_stands_on_no_line(tmp_path: Path) -> None:
    """The correction that doesn't fit is found, though its record is in quarantine for it."""
    audit(tmp_path, COATS, correction("finished_at", "2025-06-02T20:20:00Z", "2025-06-02T20:30:00Z"))
    as_of = datetime(2025, 6, 6, tzinfo=UTC)
    found = run_audit(tmp_path / "export", tmp_path / "rules", as_of=as_of, locate=True).findings
    told = found.set_index("rule").loc["correction-does-not-fit"]
    assert (told["task_id"], told["file"], told["line"]) == ("T2", "", 0)


def test_without_corrections_nothing_changes(tmp_path: Path) -> None:
    """The pack is idle, and every finding as it was."""
    plain = audit(tmp_path, [COATS[0], COATS[1] | LATE_END])
    assert counts(plain, "correction-not-signed") == {"in_scope": 0, "complies": 0, "findings": 0, "unjudged": 0}
    other = audit(tmp_path, [COATS[0], COATS[1] | LATE_END], correction("lot", "L1", "L2"))
    shared = ~other.findings["rule"].str.startswith("correction-")
    assert list(other.findings.loc[shared, "key"]) == list(plain.findings["key"])
    assert set(other.findings.loc[shared, "state"]) == {"open"}


def test_corrections_that_put_it_right_together_are_all_named(tmp_path: Path) -> None:
    """Neither would have done alone; of one cell only the last did anything. The time is that of the last of them."""
    bare = COATS[1] | {"ppe_worn": "", "ppe_signed_by": ""}
    worn = correction("ppe_worn", "", "eye-protection; chemical-gloves", correction_id="K1")
    signed = correction("ppe_signed_by", "", "P9", correction_id="K2", made_at="2025-06-05T10:00:00Z")
    again = correction("ppe_signed_by", "P9", "P1", correction_id="K3", made_at="2025-06-05T11:00:00Z")
    result = audit(tmp_path, [COATS[0], bare], worn, signed, again)
    of_second = [one for one in of_rule(result, "ppe-sign-off-missing") if one[0] == "T2"]
    assert of_second == [("T2", "left wing", "corrected", "K1; K3")]
    at = result.findings.set_index(["rule", "task_id"]).loc[("ppe-sign-off-missing", "T2"), "corrected_at"]
    assert at == pd.Timestamp("2025-06-05T11:00:00Z")


def test_a_finding_about_a_correction_names_who_made_it_and_what_it_changes(tmp_path: Path) -> None:
    """Not who did the work: who made the correction has to answer for it. A cell that was blank is called that."""
    result = audit(tmp_path, COATS, correction("lot", "", "L1", made_by="Kim Ode", reason=""))
    found = result.findings.set_index("rule").loc["correction-without-reason"]
    assert (found["task_id"], found["person"]) == ("T2", "Kim Ode")
    assert found["message"].startswith("Correction K1 of lot, from blank to L1")


def test_a_corrected_entry_shows_its_history(tmp_path: Path) -> None:
    """What it said, struck through only where the record follows the correction, what it says, who, when and why."""
    unfit = correction("lot", "L8", "L7", correction_id="K2", made_by="Kim Ode", signed_by="", reason="")
    later = correction("product", "preservative", "gloss", correction_id="K3", made_at="2025-06-05T12:00:00Z")
    result = audit(tmp_path, [COATS[0], COATS[1] | LATE_END], END, unfit, later, as_of="2025-06-05T11:00:00")
    table = corrected_entries(result)
    assert table.total == 2
    first, second = table.rows
    assert first == (
        *("T2", "end of the work", "2025-06-02 20:20 UTC", "2025-06-02 10:20 UTC", "P2, signed P2"),
        *("2025-06-05 09:00 UTC", "misread", "applied"),
    )
    assert second == ("T2", "lot", "L8", "L7", "Kim Ode", "2025-06-05 09:00 UTC", "", "does not fit")
    page = contents(result, ["html"])["report.html"].decode()
    day = '<span class="unbroken">2025-06-02</span>'
    assert f"<s>{day} 20:20 UTC</s></td><td>{day} 10:20 UTC" in page
    assert "<td>L8</td>" in page


def test_a_boot_takes_along_what_was_done_to_it_on_another_aircraft(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A correction on one aircraft leaves in sight what was done to a boot of it on the other."""
    monkeypatch.setattr("tests.findings.test_first_made.ASKED", ("ice-adhesion-treatment-never-done",))
    boot = TABLES["components"][0]
    moved = [boot | {"removed_at": "2025-10-20T00:00Z"}, boot | {"aircraft": "A2", "installed_at": "2025-10-20T00:00Z"}]
    flown = [
        {"flight_id": f"G{number}", "aircraft": aircraft, "takeoff_at": f"{day}T12:00Z", "landing_at": f"{day}T13:00Z"}
        for number, (aircraft, day) in enumerate(
            (("A1", "2025-09-20"), ("A1", "2025-10-10"), ("A2", "2025-10-25"), ("A2", "2026-05-02"))
        )
    ]
    ice = {"product": "ice", "product_class": "ice-adhesion-treatment", "approval": "yes"}
    monkeypatch.setitem(TABLES, "components", moved)
    monkeypatch.setitem(TABLES, "flights", flown)
    monkeypatch.setitem(TABLES, "products", [*TABLES["products"], ice])
    looked = COATS[0] | {"action": "inspect", "product": "", "coat": "", "lot": ""}
    looked |= {"started_at": "2025-10-05T08:00Z", "finished_at": "2025-10-05T09:00Z"}
    treated = looked | {"task_id": "T2", "action": "apply", "product": "ice", "aircraft": "A2", "work_order": "W2"}
    treated |= {"started_at": "2025-10-22T08:00Z", "finished_at": "2025-10-22T09:00Z"}
    made = correction("finished_at", "2025-10-05T09:30Z", "2025-10-05T09:00Z", task_id="T1")
    made["made_at"] = "2025-10-06T09:00Z"
    result = audit(tmp_path, [looked, treated], made, as_of="2026-06-01")
    assert counts(result, "ice-adhesion-treatment-never-done")["complies"] == 1
    assert of_rule(result, "ice-adhesion-treatment-never-done") == []

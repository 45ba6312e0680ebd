"""`show`: one finding with its timeline, and the whole history of an aircraft."""

from __future__ import annotations

import csv
import re
import subprocess
import sys
from pathlib import Path

import pytest

from audit.cli import run
from audit.exit_codes import ExitCode
from audit.findings.result import AuditResult
from audit.options import AuditOptions
from audit.pipeline import Audited, run_audit, traced_audit
from audit.report.history_text import aircraft_text, finding_text
from audit.scenes.history import history, history_of
from audit.shipped import rules_folder, sample_folder
from audit.timeline.timeline import Timeline

HOSTILE = "\u202eevil\x1b[2J"
TASKS = """\
task_id,work_order,aircraft,action,station,started_at,finished_at,position,product,coat,performed_by,status
T1,W1,TARN-1,apply,Gullspool,2025-12-01T08:00Z,2025-12-01T08:30Z,left wing,Tarn Black,1,A. Plover,closed
T2,W1,TARN-1,apply,Gullspool,2025-12-01T09:00Z,2025-12-01T09:30Z,left wing,Tarn Black,2,A. Plover,closed
T3,W2,TARN-1,inspect,Gullspool,2025-12-01T10:00Z,2025-12-01T10:30Z,right wing,,,B. Wren,closed
T4,W3,TARN-1,inspect,Gullspool,2025-12-01T11:00Z,2025-12-01T11:30Z,all,,,{hostile},open
T5,W4,TARN-2,inspect,Gullspool,2025-12-01T11:00Z,2025-12-01T11:30Z,all,,,B. Wren,closed
"""
COMPONENTS = """\
component_serial,aircraft,position,material,finish,installed_at,removed_at
B0,TARN-1,left wing,chloroprene,black,2024-01-01,2025-06-01
B1,TARN-1,left wing,chloroprene,black,2025-06-01,2025-12-02T12:00Z
B2,TARN-1,right wing,chloroprene,black,2025-06-01,
"""


def told(result: AuditResult, timeline: Timeline, finding_id: str, width: int) -> str:
    """One finding as `show` tells it."""
    row = result.findings[result.findings["finding_id"] == finding_id].iloc[0].to_dict()
    finding = {str(name): value for name, value in row.items()}
    return finding_text(result, history_of(timeline, finding), finding_id, width)


@pytest.fixture
def export(tmp_path: Path) -> Path:
    """An export in which an aircraft flew half a day after the last coat, and a good deal later."""
    flights = ["flight_id,aircraft,takeoff_at,landing_at,origin,destination"]
    flights.append("F1,TARN-1,2025-12-01T21:30Z,2025-12-01T23:00Z,Gullspool,Petrelspool")
    flights += [f"F{n},TARN-1,2025-12-02T{n:02}:00Z,2025-12-02T{n:02}:30Z,," for n in range(2, 12)]
    folder = tmp_path / "export"
    folder.mkdir()
    (folder / "tasks.csv").write_text(TASKS.format(hostile=HOSTILE), encoding="utf-8")
    (folder / "components.csv").write_text(COMPONENTS, encoding="utf-8")
    (folder / "flights.csv").write_text("\n".join(flights), encoding="utf-8")
    (folder / "products.csv").write_text("product,product_class\nTarn Black,rubber-preservative\n", encoding="utf-8")
    (folder / "stations.csv").write_text("station,timezone\nGullspool,Europe/Berlin\n", encoding="utf-8")
    rules = tmp_path / "rules"
    rules.mkdir()
    [rule] = rules_folder().rglob("flight-before-cure.yaml")
    (rules / rule.name).write_bytes(rule.read_bytes())
    return folder


def shown(export: Path, *arguments: str) -> list[str]:
    """The command itself, with the one rule."""
    return ["show", *arguments, str(export), "--rules", str(export.parent / "rules")]


def id_in(export: Path) -> str:
    """The id of the one finding."""
    result = run_audit(export, export.parent / "rules", locate=True)
    [finding_id] = result.findings["finding_id"]
    return str(finding_id)


def test_a_finding_is_told_with_what_happened_around_it(export: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Its figures and place, then its records, boots and flights in order, with the fault and the end of the wait."""
    finding_id = id_in(export)
    assert run(shown(export, finding_id[:6].upper())) == ExitCode.CLEAN
    out = capsys.readouterr().out
    head, _, timeline = out.partition("Timeline, UTC\n")
    assert head.startswith(f"Finding {finding_id}, level 2, corrected\n")
    for said in (
        "TARN-1, left wing, boot B1",
        "W1, record T2 (tasks.csv, line 3)",
        "12 h",
        "24 h; 12 h short",
        "Warning",
    ):
        assert said in head
    lines = [line.rstrip() for line in timeline.splitlines()]
    assert "   2025-12-01 08:00 - 08:30 T1 apply Tarn Black, coat 1, left wing, Gullspool," in lines
    assert " > 2025-12-01 09:00 - 09:30 T2 apply Tarn Black, coat 2, left wing, Gullspool," in lines
    assert " > 2025-12-01 21:30 - 23:00 F1 flight Gullspool to Petrelspool, 1.5 h" in lines
    assert "!! 2025-12-01 21:30         Flew 12 h after the last coat of Tarn Black; 24 h" in lines
    assert "   2025-12-02 09:30         24 h after the last coat: not before" in lines
    assert not [line for line in lines if "T3" in line or "B2" in line or "TARN-2" in line]
    when = [line[3:19] for line in lines if re.match(r"...\d{4}-", line)]
    assert when == sorted(when)


def test_a_finding_by_its_full_id(export: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """As the fingerprint of a result in SARIF has it, in any case."""
    result = traced_audit(export, AuditOptions(rules=export.parent / "rules")).result
    key, finding_id = result.findings[["key", "finding_id"]].iloc[0]
    assert len(key) == 64
    assert run(shown(export, f" {key.upper()}")) == ExitCode.CLEAN
    assert capsys.readouterr().out.startswith(f"Finding {finding_id}, ")


def test_flights_in_a_row_are_counted(export: Path) -> None:
    """Of many flights between which nothing happened the first and last are shown, the others counted with hours."""
    audited = traced_audit(export, AuditOptions(rules=export.parent / "rules"))
    result, timeline = audited.result, audited.timeline
    text = told(result, timeline, id_in(export), 200)
    assert "4 more flights, 2 h" in text
    assert [name for name in ("F2 ", "F3 ", "F4 ", "F7 ", "F8 ", "F9 ") if name in text] == ["F2 ", "F3 ", "F8 ", "F9 "]


def test_an_aircraft_is_told_whole(export: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every record, flight and boot of the aircraft once, oldest first, with its finding marked and nobody else's."""
    assert run(shown(export, "--aircraft", "TARN-1")) == ExitCode.CLEAN
    out = capsys.readouterr().out
    assert "20 records, 1 finding," in out
    for record in ("T1", "T2", "T3", "T4", *(f"F{n}" for n in range(1, 12))):
        assert len(re.findall(rf"\b{record} (?:apply|inspect|flight)", out)) == 1
    assert "boot removed from left wing" in out
    assert "open: counts as no work done" in out
    assert "[U+202E]evil[U+001B][2J" in out
    assert "\u202e" not in out
    assert "\x1b" not in out
    assert "TARN-2" not in out
    assert len(re.findall("^!! 2025-12-01 21:30", out, re.MULTILINE)) == 1
    when = re.findall(r"^...(\d{4}-\d\d-\d\d \d\d:\d\d)", out, re.MULTILINE)
    assert when == sorted(when)


def test_what_happened_after_the_as_of_time_is_not_told(export: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`show` takes the same options as `check`: with an earlier as-of time there is no such flight yet."""
    assert run([*shown(export, "--aircraft", "TARN-1"), "--as-of", "2025-12-01T20:00Z"]) == ExitCode.CLEAN
    out = capsys.readouterr().out
    assert "T4" in out
    assert "F1 " not in out
    assert "removed from left wing, B1" not in out


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["0000"], "there is no finding '0000'"),
        (["--aircraft", "TARN-9"], "there is no aircraft 'TARN-9'"),
        (["one", "two"], "one too many"),
        (["one", "--aircraft", "TARN-1"], "one too many"),
        (["a"], "'a' is too short for a finding's id: write at least 4 digits of it"),
        ([""], "'' is too short"),
    ],
)
def test_what_is_not_there(
    export: Path, arguments: list[str], expected: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """An unknown finding or aircraft is one sentence and exit code 2."""
    assert run(shown(export, *arguments)) == ExitCode.COULD_NOT_RUN
    told = capsys.readouterr()
    assert expected in told.err
    assert told.err.count("\n") == 1
    assert told.out == ""


def test_the_export_may_be_where_one_stands(
    export: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without an export it is the present folder; without anything, the sentence asks which finding."""
    monkeypatch.chdir(export)
    assert run(["show", "--aircraft", "TARN-2", "--rules", "../rules"]) == ExitCode.CLEAN
    assert "T5 inspect" in capsys.readouterr().out
    assert run(["show"]) == ExitCode.COULD_NOT_RUN
    assert "which finding?" in capsys.readouterr().err


def test_every_finding_of_the_sample_can_be_told(sample_audit: Audited) -> None:
    """Whatever its form, a finding has a text that fits its width, with its fault marked once and its record in it."""
    result, timeline = sample_audit.result, sample_audit.timeline
    for row in result.findings.to_dict("records"):
        text = told(result, timeline, row["finding_id"], 80)
        assert max(map(len, text.splitlines())) <= 80
        if row["aircraft"]:
            assert len(re.findall(r"^!! \d", text, re.MULTILINE)) == 1
        if row["task_id"]:
            assert re.search(rf"^ > .*{re.escape(row['task_id'])}", text, re.MULTILINE), text


def test_the_history_of_an_aircraft_is_complete(sample_audit: Audited) -> None:
    """The history of a sample aircraft has a line for every task, flight and boot of the export's files."""
    result, timeline = sample_audit.result, sample_audit.timeline
    text = aircraft_text(result, history(timeline, "TARN-CEDAR"), "TARN-CEDAR", 400)
    quarantined = {(row.file, row.line) for row in result.quarantine.itertuples()}
    for name, key in (("tasks.csv", "task_id"), ("flights.csv", "flight_id"), ("components.csv", "component_serial")):
        with (sample_folder() / name).open(encoding="utf-8", newline="") as file:
            rows = [row for line, row in enumerate(csv.DictReader(file), start=2) if (name, line) not in quarantined]
        for row in rows:
            if row["aircraft"] == "TARN-CEDAR":
                assert re.search(rf"^...[0-9: -]+{re.escape(row[key])} ", text, re.MULTILINE), row
    assert text.count("!! 20") == int((result.findings["aircraft"] == "TARN-CEDAR").sum())


def test_a_pager_may_be_left_early(export: Path) -> None:
    """Whoever reads along may leave: no traceback, and the exit code of success."""
    program = "from audit.cli import main; main()"
    arguments = shown(export, "--aircraft", "TARN-1")
    reading = subprocess.Popen(
        [sys.executable, "-c", program, *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    assert reading.stdout is not None
    assert reading.stderr is not None
    reading.stdout.close()
    assert reading.stderr.read() == b""
    assert reading.wait() == ExitCode.CLEAN
    reading.stderr.close()


def test_corrections_are_told_with_what_was_there(sample_audit: Audited) -> None:
    """A finding that a correction put right names it, though it was made days after; so does the aircraft's history."""
    result, timeline = sample_audit.result, sample_audit.timeline
    one = result.findings[result.findings["corrected_by"] == "K-ALD-01"].iloc[0]
    text = told(result, timeline, str(one["finding_id"]), 200)
    assert "by K-ALD-01, " in text
    assert "K-ALD-01 correction of T-ALD-033: end of the work from 2025-08-19T13:45:00+00:00 to" in text
    whole = aircraft_text(result, history(timeline, "TARN-BIRCH"), "TARN-BIRCH", 200)
    assert whole.count("correction of T-BIR-027: relative humidity") == 2

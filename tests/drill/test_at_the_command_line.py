"""`drill`: what it finds, what it can't, and how it says so."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from audit.cli import run
from audit.exit_codes import ExitCode
from audit.shipped import rules_folder

TASKS = """\
task_id,work_order,aircraft,action,station,started_at,finished_at,status,position,product,coat,performed_by,\
certified_by,ppe_worn,ppe_signed_by,humidity_pct
"""
PRODUCTS = "product,product_class,approval\nBlack <b>,rubber-preservative,approved\n"
STATIONS = "station,timezone\nGullspool,UTC\n"
COMPONENTS = "component_serial,aircraft,position,material,finish,installed_at\n"
FLIGHTS = "flight_id,aircraft,takeoff_at,landing_at,origin,destination\n"
CARE = rules_folder() / "deicer-care"


@pytest.fixture
def export(tmp_path: Path) -> Path:
    """Eight aircraft, each treated on one boot and flown every day from two days later on."""
    folder = tmp_path / "export"
    folder.mkdir()
    tasks, flights, boots = [], [], []
    for number in range(8):
        boots.append(f"B-{number},TARN-{number},left wing,chloroprene,black,2025-01-01T00:00:00Z\n")
        tasks.append(
            f"T-{number},WO-{number},TARN-{number},apply,Gullspool,2026-03-01T09:00:00Z,2026-03-01T10:00:00Z,closed,"
            f"left wing,Black <b>,1,A. Reed {number},C. Finch,eye-protection; chemical-gloves,A. Reed {number},40\n"
        )
        flights += [
            f"F-{number}-{day},TARN-{number},2026-03-{day:02}T12:00:00Z,2026-03-{day:02}T13:00:00Z,Gullspool,Gullspool\n"
            for day in range(3, 20)
        ]
    for name, head, rows in (
        ("tasks", TASKS, tasks),
        ("flights", FLIGHTS, flights),
        ("components", COMPONENTS, boots),
        ("products", PRODUCTS, []),
        ("stations", STATIONS, []),
    ):
        (folder / f"{name}.csv").write_text(head + "".join(rows), encoding="utf-8")
    return folder


Drill = Callable[..., tuple[int, dict[str, dict[str, str]]]]


@pytest.fixture
def drill(export: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Drill:
    """Drill the export with some rules: the exit code, and drill.csv by rule."""

    def one(*rules: Path | str, more: tuple[str, ...] = (), out: str = "out") -> tuple[int, dict[str, dict[str, str]]]:
        folder = tmp_path / "rules"
        folder.mkdir(exist_ok=True)
        for rule in rules:
            if isinstance(rule, Path):
                shutil.copy(rule, folder)
            else:
                (folder / f"{rule.split()[1]}.yaml").write_text(rule, encoding="utf-8")
        code = run(["drill", str(export), "--rules", str(folder), "--out", str(tmp_path / out), *more])
        return code, {row["rule"]: row for row in rows(tmp_path / out / "drill.csv")}

    return one


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def rule(name: str, text: str) -> str:
    """A rule of the record form, with the examples that it needs to load."""
    return (
        f"id: {name}\ntitle: A fault\nlevel: 2\nbasis: [{{source: the shop}}]\nwhy: It matters.\nput_right: Do it.\n"
        f"form: record\n{text}\nexamples:\n"
        "  - {name: one, expect: complies, tasks: [{started_at: '2025-06-02T09:00:00Z', humidity_pct: 40}]}\n"
        "  - {name: two, expect: finding, tasks: [{started_at: '2025-06-02T09:00:00Z', humidity_pct: 40}]}\n"
    )


def test_outside_is_found_and_inside_is_silent(drill: Drill, tmp_path: Path) -> None:
    """Eight subjects: eight faults a second inside the cure, all found; eight takeoffs as it ends, all silent."""
    code, found = drill(CARE / "flight-before-cure.yaml")
    assert code == ExitCode.CLEAN
    of_rule = found["flight-before-cure"]
    assert [of_rule[name] for name in ("planted", "detected", "inside", "false_alarms")] == ["8", "8", "8", "0"]
    assert of_rule["at_least_95"] == "0.6877"  # 0.05 ** (1 / 8)
    planted = rows(tmp_path / "out/drill-plantings.csv")
    assert {(row["side"], row["what"]) for row in planted} == {
        ("outside", "takeoff 23 h 59 min 59 s after the work"),
        ("inside", "takeoff 24 h after the work"),
    }


def test_a_setting_moves_the_limit_that_is_planted_at(drill: Drill, tmp_path: Path) -> None:
    """What is in force is drilled, not what the rule file says."""
    settings = tmp_path / "settings.yaml"
    settings.write_text(
        "set_by: operator\nsource: a test\nrules: {flight-before-cure: {for: PT36H}}\n", encoding="utf-8"
    )
    _, found = drill(CARE / "flight-before-cure.yaml", more=("--settings", str(settings)))
    assert found["flight-before-cure"]["detected"] == "8"
    assert "takeoff 35 h 59 min 59 s after the work" in {
        row["what"] for row in rows(tmp_path / "out/drill-plantings.csv")
    }


def test_a_column_that_is_not_mapped_leaves_its_rule_blind(
    export: Path, drill: Drill, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every planted fault is unjudged, the reason is the column, and a gate fails; other rules see as before."""
    names = [
        "task_id",
        "work_order",
        "aircraft",
        "action",
        "station",
        "started_at",
        "finished_at",
        "position",
        "product",
        "certified_by",
    ]
    lines = [f"        {name}: {name}" for name in names]
    tables = "\n".join(
        f"  {table}:\n    - files: {table}.csv\n      columns:\n"
        + "\n".join(
            f"        {name}: {name}" for name in (export / f"{table}.csv").read_text().splitlines()[0].split(",")
        )
        for table in ("products", "stations")
    )
    mapping = tmp_path / "mapping.yaml"
    mapping.write_text(
        "title: a test\ntables:\n  tasks:\n    - files: tasks.csv\n      zone: station\n      columns:\n"
        + "\n".join([*lines, tables, ""]),
        encoding="utf-8",
    )
    content = rules_folder() / "record-content"
    code, found = drill(
        content / "performer-not-named.yaml",
        content / "certifier-not-named.yaml",
        more=("--mapping", str(mapping), "--at-least", "50"),
    )
    assert code == ExitCode.FINDINGS
    blind, sees = found["performer-not-named"], found["certifier-not-named"]
    assert [blind[name] for name in ("planted", "detected", "unjudged", "at_least_95")] == ["8", "0", "8", "0"]
    assert [sees[name] for name in ("planted", "detected")] == ["8", "8"]
    said = capsys.readouterr().out
    assert "performer-not-named: 8 unjudged (column not supplied: tasks.performed_by)" in said
    assert "Below 50: performer-not-named" in said


def test_a_fault_that_takes_its_record_out_of_scope_is_masked(drill: Drill) -> None:
    """A rule that looks only at what it requires can't find anything."""
    limit = "{humidity_pct: {at_least: 30}}"
    _, found = drill(rule("too-dry", f"scope: {limit}\nrequire: {limit}"))
    assert [found["too-dry"][name] for name in ("planted", "detected", "masked")] == ["8", "0", "8"]


def test_a_fault_that_intake_does_not_let_in_is_quarantined(drill: Drill, tmp_path: Path) -> None:
    """More than 100 % is not a humidity: the rule never sees it, and the reason of intake is told."""
    _, found = drill(rule("too-damp", "require: {humidity_pct: {at_most: 100}}"))
    assert [found["too-damp"][name] for name in ("planted", "detected", "quarantined")] == ["8", "0", "8"]
    reasons = {row["reason"] for row in rows(tmp_path / "out/drill-plantings.csv") if row["side"] == "outside"}
    assert reasons == {"outside 2 to 100"}


def test_a_finding_beside_the_planted_one_has_its_cause(drill: Drill, tmp_path: Path) -> None:
    """A signature taken away for one rule breaks another that asks for it too."""
    asked = rule("signature-asked", "require: {ppe_signed_by: {present: true}}")
    drill(CARE / "ppe-sign-off-missing.yaml", asked, more=("--per-rule", "3"))
    beside = rows(tmp_path / "out/drill-beside.csv")
    changed = {(row["cause_rule"], row["rule"]) for row in beside}
    assert ("signature-asked", "ppe-sign-off-missing") in changed
    assert changed <= {("signature-asked", "ppe-sign-off-missing"), ("ppe-sign-off-missing", "signature-asked")}
    assert all(row["task_id"] == row["cause_task_id"] and row["change"] == "new" for row in beside)


def test_the_same_seed_plants_the_same(drill: Drill, tmp_path: Path) -> None:
    """To the byte; another seed chooses other records."""
    both = (CARE / "flight-before-cure.yaml", CARE / "ppe-sign-off-missing.yaml")
    for out, seed in (("one", "a"), ("two", "a"), ("other", "b")):
        drill(*both, more=("--seed", seed, "--per-rule", "3"), out=out)
    contents = {
        out: {path.name: path.read_bytes() for path in (tmp_path / out).iterdir()} for out in ("one", "two", "other")
    }
    assert contents["one"] == contents["two"]
    assert contents["one"]["drill-plantings.csv"] != contents["other"]["drill-plantings.csv"]


def test_every_output_says_that_it_is_planted(drill: Drill, export: Path, tmp_path: Path) -> None:
    """Nobody takes a planted fault for one of the records; the records themselves stay as they are."""
    before = {path.name: path.read_bytes() for path in export.iterdir()}
    drill(CARE / "flight-before-cure.yaml")
    assert {path.name: path.read_bytes() for path in export.iterdir()} == before
    for name in ("drill.csv", "drill-plantings.csv", "drill-beside.csv"):
        assert {row["drill"] for row in rows(tmp_path / "out" / name)} <= {"planted"}
    assert "Nothing on this page is a finding of these records." in (tmp_path / "out/drill.html").read_text(
        encoding="utf-8"
    )
    summary = json.loads((tmp_path / "out/drill.json").read_text(encoding="utf-8"))
    assert (summary["format"], summary["planted"], summary["detected"]) == ("deicer-audit-drill/1", 8, 8)


def test_nothing_to_plant_in_is_no_pass(drill: Drill, capsys: pytest.CaptureFixture[str]) -> None:
    """A rule with nothing in scope is named, and proves nothing."""
    code, found = drill(CARE / "treatment-not-one-light-coat.yaml", more=("--at-least", "95"))
    assert code == ExitCode.NOTHING_JUDGED
    assert found["treatment-not-one-light-coat"]["not_plantable"] == "nothing in scope"
    assert "Not drilled, 1 rules: treatment-not-one-light-coat" in capsys.readouterr().out


@pytest.mark.parametrize("least", ["101", "-1", "most", ""])
def test_a_share_that_is_none_is_refused_in_one_sentence(
    drill: Drill, export: Path, tmp_path: Path, least: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """What, where, and an example."""
    assert run(["drill", str(export), "--out", str(tmp_path / "o"), "--at-least", least]) == ExitCode.COULD_NOT_RUN
    said = capsys.readouterr().err
    assert "expected per cent from 0 to 100, such as 95" in said
    assert said.count("\n") == 1


def test_an_export_that_is_none_is_refused_in_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """As `check` refuses it."""
    assert run(["drill", str(tmp_path / "nothing"), "--out", str(tmp_path / "o")]) == ExitCode.COULD_NOT_RUN
    assert capsys.readouterr().err.count("\n") == 1
    assert not (tmp_path / "o").exists()


def test_the_next_report_tells_of_it(
    drill: Drill, export: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where a drill is given: on the page, the terminal and in summary.json, with the rules it proved nothing of."""
    drill(CARE / "flight-before-cure.yaml", more=("--as-of", "2026-03-19T13:00Z"))
    (tmp_path / "rules" / "a-new-rule.yaml").write_text(rule("a-new-rule", "require: {humidity_pct: {at_most: 90}}"))
    given = ("--drilled", str(tmp_path / "out/drill.json"), "--rules", str(tmp_path / "rules"), "--skip-health")
    run(["check", str(export), *given, "--out", str(tmp_path / "report")])
    sentence, but = "Drilled on 2026-03-19: 8 of 8 planted faults found", "nothing is proved of 1 rule"
    assert f"{sentence} {but}" in " ".join(capsys.readouterr().err.split())
    assert f"{sentence}; {but}." in (tmp_path / "report/report.html").read_text(encoding="utf-8")
    summary = json.loads((tmp_path / "report/summary.json").read_text(encoding="utf-8"))
    assert summary["drilled"]["undrilled"] == ["a-new-rule"]


@pytest.mark.parametrize("content", ["", "{}", "[]", '{"format": "deicer-audit-drill/0"}', "\0"])
def test_a_file_that_is_no_drill_is_refused_in_one_sentence(
    export: Path, tmp_path: Path, content: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Before anything is read."""
    (tmp_path / "drill.json").write_text(content)
    given = ["check", str(export), "--drilled", str(tmp_path / "drill.json"), "--out", str(tmp_path / "r")]
    assert run(given) == ExitCode.COULD_NOT_RUN
    assert "is not a drill.json of this version" in capsys.readouterr().err

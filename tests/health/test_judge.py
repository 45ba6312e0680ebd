"""Export health in a whole run: its process, its files, its exit codes, and what it never does."""

from __future__ import annotations

import csv
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from audit.cli import run
from audit.errors import InternalError
from audit.exit_codes import ExitCode
from audit.health.earlier import read_earlier
from audit.health.judge import HealthJudge
from audit.health.suite import read_suite
from audit.intake.tables import CORRECTIONS
from audit.shipped import rules_folder, sample_folder
from tests.health.test_suite import FACTS

SAMPLE = str(sample_folder())


def summary_of(out: Path) -> dict[str, object]:
    """Return what summary.json says of the export's health."""
    health: dict[str, object] = json.loads((out / "summary.json").read_text(encoding="utf-8"))["health"]
    return health


def test_a_run_and_the_run_after_it(one_rule: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The first night knows no earlier run; the same export again is told, and fails where asked to."""
    out = str(tmp_path / "report")
    check = ["check", SAMPLE, "--rules", str(one_rule), "--out", out, "--previous", out]
    check += ["--fail-on", "never", "--fail-on-health"]
    assert run(check) == ExitCode.CLEAN
    assert "0 of 82 facts not as expected; 61 not judged, no pass" in capsys.readouterr().err
    first = summary_of(tmp_path / "report")
    assert first["skipped"] is False
    assert first["previous"] is None
    assert first["failed"] == []
    with (tmp_path / "report" / "health.csv").open(newline="") as file:
        assert len(list(csv.DictReader(file))) == 143
    assert run(check) == ExitCode.FINDINGS
    told = capsys.readouterr().err
    assert "No record is newer than those of the earlier run" in told
    again = summary_of(tmp_path / "report")
    assert again["failed"] == ["no-newer-record"]
    assert again["previous"] is not None
    assert len(read_earlier(tmp_path / "report").rows("tasks")) == 2
    assert "The same export was probably delivered again" in (tmp_path / "report" / "report.html").read_text(
        encoding="utf-8"
    )


def test_health_can_be_skipped_and_says_so(
    clean_export: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without it no process starts, its files of an earlier run go, and every output says that nobody looked."""
    for name in ("health.csv", "profile.csv"):
        (tmp_path / name).write_text("of an earlier run", encoding="utf-8")
    assert (
        run(["check", str(clean_export), "--out", str(tmp_path), "--skip-health", "--fail-on", "never"])
        == ExitCode.CLEAN
    )
    assert "skipped: nobody looked whether the export is complete" in capsys.readouterr().err
    assert summary_of(tmp_path) == {"skipped": True}
    assert "Skipped: nobody looked" in (tmp_path / "report.html").read_text(encoding="utf-8")
    assert not {"health.csv", "profile.csv"} & {path.name for path in tmp_path.iterdir()}


@pytest.mark.parametrize("option", [["--fail-on-health"], ["--previous", "there"]])
def test_skipping_leaves_nothing_to_ask_of_it(option: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """Options that contradict each other are a bad call, not a guess."""
    assert run(["check", SAMPLE, "--skip-health", *option]) == ExitCode.COULD_NOT_RUN
    assert f"--skip-health leaves nothing for {option[0]}" in capsys.readouterr().err


@pytest.mark.parametrize(
    "text",
    [
        "",
        "run,table\n",
        "run,table,column,fact,value,detail\n0,tasks,,rows_read,many,\n",
        f"run,table,column,fact,value,detail\n0,tasks,,rows_read,{'9' * 200_000},\n",
    ],
    ids=["none", "of-another-table", "no-number", "a-cell-of-200-kB"],
)
def test_what_is_no_earlier_profile_is_refused(text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An earlier report that isn't there or isn't one ends the run with a sentence, and nothing is written."""
    previous, out = tmp_path / "before", tmp_path / "out"
    previous.mkdir()
    if text:
        (previous / "profile.csv").write_text(text, encoding="utf-8")
    code = run(["check", SAMPLE, "--out", str(out), "--previous", str(previous)])
    assert code == ExitCode.COULD_NOT_RUN
    assert "profile.csv" in capsys.readouterr().err
    assert not out.exists()


def test_an_unknown_expectation_ends_the_run(
    clean_export: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The operator's own suite is used; what the library doesn't know in it is exit code 2, and nothing is written."""
    rules = tmp_path / "rules"
    shutil.copytree(rules_folder(), rules)
    suite = rules / "export-health" / "suite.json"
    suite.write_text(
        suite.read_text(encoding="utf-8").replace('"expect_column_values_to_be_between"', '"expect_nothing"', 1),
        encoding="utf-8",
    )
    code = run(["check", str(clean_export), "--rules", str(rules), "--out", str(tmp_path / "out")])
    assert code == ExitCode.COULD_NOT_RUN
    said = capsys.readouterr().err
    assert "$.expectations[0].type: 'expect_nothing' is not an expectation about the values of a column" in said
    assert not (tmp_path / "out").exists()


def test_a_column_that_is_not_there_is_told(
    clean_export: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A column that rules read and the export lacks stands in summary and report, with the rules that read it."""
    export, out = tmp_path / "export", tmp_path / "out"
    shutil.copytree(clean_export, export)
    with (export / "tasks.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    with (export / "tasks.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, [name for name in rows[0] if name != "ppe_worn"], extrasaction="ignore")
        writer.writeheader()
        writer.writerows(rows)
    run(["check", str(export), "--out", str(out), "--skip-health"])
    assert "tasks.ppe_worn, read by ppe-short-of-hazards" in capsys.readouterr().err
    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    assert "ppe-sign-off-missing" in summary["not_in_the_export"]["tasks.ppe_worn"]
    assert "column not in the export: tasks.ppe_worn" in (out / "report.html").read_text(encoding="utf-8")


def test_a_list_without_a_row_is_told(clean_export: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nobody holds an authorisation by it, which every record breaks: perhaps the list was left out. That nothing was
    corrected says nothing."""
    export, out = tmp_path / "export", tmp_path / "out"
    shutil.copytree(clean_export, export)
    (export / "people.csv").write_text("person,authorisation,valid_from,valid_to\n", encoding="utf-8")
    (export / "corrections.csv").write_text(f"{','.join(CORRECTIONS.required)}\n", encoding="utf-8")
    run(["check", str(export), "--out", str(out), "--skip-health"])
    [line] = [line for line in capsys.readouterr().err.splitlines() if "No rows" in line]
    assert line.split()[:6] == ["No", "rows", "in", "people,", "read", "by"]
    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    assert list(summary["exported_without_a_row"]) == ["people"]
    assert "performer-not-authorised" in summary["exported_without_a_row"]["people"]
    assert "table without a row: people" in (out / "report.html").read_text(encoding="utf-8")


def test_words_of_the_exports_own_are_told(
    clean_export: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where no record has the word that a rule requires, and some have one that no rule knows, both are told once; one
    beside the required word, or a word that a table of the rules knows, leaves nothing to tell."""
    out = tmp_path / "out"

    def told(word: str, name: str, step: str = "", other: str = "") -> list[dict[str, object]]:
        export = tmp_path / name
        shutil.copytree(clean_export, export)
        tasks = (export / "tasks.csv").read_text(encoding="utf-8")
        tasks = tasks.replace("eye-protection", word).replace(step or word, other or word)
        (export / "tasks.csv").write_text(tasks, encoding="utf-8")
        run(["check", str(export), "--out", str(out), "--skip-health"])
        found: list[dict[str, object]] = json.loads((out / "summary.json").read_text(encoding="utf-8"))["other_words"]
        return found

    [words] = told("goggles", "own")
    assert (words["column"], words["required"]) == ("tasks.ppe_worn", ["eye-protection"])
    assert words["recorded"] == ["goggles"]
    assert words["rules"] == ["ppe-short-of-hazards", "ppe-sign-off-missing"]
    assert "Words?      tasks.ppe_worn: no record has eye-protection;" in capsys.readouterr().err
    assert "no rule knows goggles" in (out / "report.html").read_text(encoding="utf-8")
    assert told("eye-protection; goggles", "beside") == []
    # Some steps are in no record, and no record is at fault for that.
    assert told("eye-protection", "as it is", "dried", "dried; blown-off") == []
    assert told("protective-clothing", "known") == []


BLOCKED = """
import socket, sys
def blocked(*args, **kwargs):
    print("THE NETWORK WAS ASKED FOR", file=sys.stderr, flush=True)
    raise SystemExit(99)
class Blocked(socket.socket):
    connect = connect_ex = sendto = sendmsg = blocked
socket.socket = Blocked
socket.create_connection = socket.getaddrinfo = socket.gethostbyname = blocked
"""


@pytest.mark.usefixtures("judge_apart")
def test_the_process_calls_nobody_and_writes_no_file(clean_export: Path, tmp_path: Path) -> None:
    """With the network blocked, the real process answers, and leaves home, working and temporary folder empty."""
    (tmp_path / "site").mkdir()
    (tmp_path / "site" / "sitecustomize.py").write_text(BLOCKED, encoding="utf-8")
    for name in ("home", "work", "temporary"):
        (tmp_path / name).mkdir()
    places = {
        "HOME": tmp_path / "home",
        "TMPDIR": tmp_path / "temporary",
        "PYTHONPATH": f"{tmp_path / 'site'}{os.pathsep}{Path(__file__).parents[2]}",
    }
    environment = os.environ | {name: str(path) for name, path in places.items()}
    command = [
        sys.executable,
        "-m",
        "audit",
        "check",
        str(clean_export),
        "--out",
        str(tmp_path / "out"),
        "--fail-on",
        "never",
    ]
    done = subprocess.run(command, cwd=tmp_path / "work", env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == ExitCode.CLEAN, done.stderr
    assert "facts not as expected" in done.stderr
    left = [path for name in ("home", "work", "temporary") for path in (tmp_path / name).rglob("*")]
    assert left == []


def test_a_process_that_dies_is_a_defect_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """A judge that is killed gives no answer, and no verdict."""
    monkeypatch.setattr("audit.health.judge._JUDGE", Path(__file__).with_name("no_such_file.py"))
    with HealthJudge() as judge, pytest.raises(InternalError, match=r"export health: .*no_such_file"):
        judge.ask(read_suite(rules_folder(), rules_folder()), FACTS).result()


def test_a_run_that_fails_leaves_no_process(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Whatever ends the run ends the judge too."""
    judge = HealthJudge()
    monkeypatch.setattr("audit.health.judge.HealthJudge", lambda: judge)
    assert run(["check", str(tmp_path / "nowhere")]) == ExitCode.COULD_NOT_RUN
    assert judge._process.returncode is not None

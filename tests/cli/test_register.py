"""`check --register` from end to end: the sample of a shop, night after night, and the gate of CI."""

from __future__ import annotations

import csv
import json
import shutil
import sqlite3
import subprocess
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from audit.cli import run
from audit.exit_codes import ExitCode
from audit.findings.result import AuditResult
from audit.intake.location import Location
from audit.pipeline import Audited
from audit.register.opening import open_register
from audit.register.states import audits
from audit.register.store import Register
from tests.intake.conftest import STATION, TASK, as_csv
from tests.servers import run_on_server

RULE = """\
id: lot-missing
form: record
title: Lot missing
level: "2"
basis: [{source: "common practice, no source"}]
why: What was applied can't be traced.
put_right: Add a late entry that names the lot.
require: {lot: {present: true}}
examples:
  - {name: it is there, expect: complies, tasks: [{lot: L1}]}
  - {name: it is not, expect: finding, tasks: [{lot: ""}]}
"""

BAD = {"task_id": "T1", "lot": ""}


class Shop:
    """A shop with one rule, whose records are what a test says."""

    def __init__(self, folder: Path, where: Location) -> None:
        self.folder, self.where, self.out = folder, where, folder / "out"
        (folder / "rules").mkdir(parents=True)
        (folder / "rules" / "lot-missing.yaml").write_text(RULE, encoding="utf-8")

    def check(self, tasks: Sequence[dict[str, str]], *more: str) -> ExitCode:
        """Audit these records, with the register; written is what is looked at here, the tables."""
        export = self.folder / "export"
        export.mkdir(exist_ok=True)
        (export / "tasks.csv").write_text(as_csv(*(TASK | task for task in tasks)), encoding="utf-8")
        (export / "stations.csv").write_text(as_csv(STATION), encoding="utf-8")
        rules = ("--rules", str(self.folder / "rules"))
        arguments = ("check", str(export), *rules, "--register", str(self.where), "--out", str(self.out))
        written = () if "--write" in more else ("--write", "csv")
        return run([*arguments, "--skip-health", "-q", "--as-of", "2026-02-01T00:00Z", *written, *more])

    def rows(self, name: str) -> list[dict[str, Any]]:
        """What a file of the report says."""
        with (self.out / name).open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file))

    def changes(self) -> dict[str, str]:
        """By task record, what findings.csv says has changed."""
        return {row["task_id"]: row["change"] for row in self.rows("findings.csv")}


@pytest.fixture
def shop(tmp_path: Path, place: Location) -> Shop:
    return Shop(tmp_path, place)


def test_new_findings_fail_and_known_ones_do_not(shop: Shop) -> None:
    """The gate of CI: with --new-only only what is new or back fails."""
    bad, good, late = {"task_id": "T1", "lot": ""}, {"task_id": "T2", "lot": "L1"}, {"task_id": "T3", "lot": ""}
    assert shop.check([bad, good], "--new-only") is ExitCode.FINDINGS
    assert shop.changes() == {"T1": "new"}
    assert shop.check([bad, good], "--new-only") is ExitCode.CLEAN
    assert shop.check([bad, good]) is ExitCode.FINDINGS
    assert shop.check([bad, late, good], "--new-only") is ExitCode.FINDINGS
    assert shop.changes() == {"T1": "still", "T3": "new"}


def test_what_was_put_right_is_cleared(shop: Shop) -> None:
    """The record has its lot now, and was judged again: cleared; told on that night alone."""
    shop.check([BAD])
    shop.check([BAD | {"lot": "L1"}])
    assert [row["why"] for row in shop.rows("gone.csv")] == ["cleared"]
    shop.check([BAD | {"lot": "L1"}])
    assert shop.rows("gone.csv") == []
    shop.check([BAD])
    assert shop.changes() == {"T1": "back"}


def test_what_can_not_be_judged_any_more_is_not_cleared(shop: Shop) -> None:
    """The column is not in tonight's export: nobody knows whether the lot is there."""
    shop.check([BAD])
    shop.check([{"task_id": "T1"}])
    assert [row["why"] for row in shop.rows("gone.csv")] == ["unjudged"]


def test_a_record_that_vanished_is_told(shop: Shop) -> None:
    """A quietly deleted record clears nothing: gone.csv says so."""
    shop.check([{"task_id": "T1", "lot": ""}, {"task_id": "T2", "lot": "L1"}])
    assert shop.rows("gone.csv") == []
    shop.check([{"task_id": "T2", "lot": "L1"}])
    [row] = shop.rows("gone.csv")
    assert (row["task_id"], row["why"], row["since"]) == ("T1", "record missing", "2026-02-01T00:00:00Z")


def test_a_flight_that_vanished_clears_nothing(tmp_path: Path) -> None:
    """A flight inside a cure that is deleted from the log: its sessions comply, and nothing was put right."""
    export, rules, out = tmp_path / "export", tmp_path / "rules", tmp_path / "out"
    shutil.copytree("sample_records/tarnwhistle", export)
    rules.mkdir()
    shutil.copy("rules/deicer-care/flight-before-cure.yaml", rules)
    options = ("--rules", str(rules), "--register", str(tmp_path / "register.db"), "--out", str(out), "--skip-health")

    def checked(name: str) -> list[dict[str, str]]:
        run(["check", str(export), *options, "-q", "--write", "csv"])
        with (out / name).open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file))

    [one] = [row for row in checked("findings.csv") if (row["aircraft"], row["state"]) == ("TARN-BIRCH", "open")]
    flights = (export / "flights.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    without = [line for line in flights if not line.startswith(f"{one['flight_id']},")]
    (export / "flights.csv").write_text("".join(without), encoding="utf-8")
    assert [(row["finding_id"], row["why"]) for row in checked("gone.csv")] == [(one["finding_id"], "record missing")]


def test_a_record_in_quarantine_is_told(shop: Shop) -> None:
    """A record that can't be read any more is not a record that was put right."""
    shop.check([{"task_id": "T1", "lot": ""}, {"task_id": "T2", "lot": "L1"}])
    shop.check([{"task_id": "T1", "lot": "", "aircraft": ""}, {"task_id": "T2", "lot": "L1"}])
    assert [row["why"] for row in shop.rows("gone.csv")] == ["quarantined"]


def test_a_report_that_cannot_be_written_leaves_the_register(shop: Shop, capsys: pytest.CaptureFixture[str]) -> None:
    """A run that fails leaves no trace, neither here nor there."""
    bad = {"task_id": "T1", "lot": ""}
    shop.check([bad])
    (shop.out / "findings.csv").unlink()
    (shop.out / "findings.csv").mkdir()  # a folder in the way of a file
    assert shop.check([bad, {"task_id": "T3", "lot": ""}]) is ExitCode.COULD_NOT_RUN
    assert "can't be" in capsys.readouterr().err
    with open_register(shop.where) as register:
        assert [one.run for one in audits(register.connection)] == [1]


def test_a_register_that_cannot_be_used_is_told_before_the_audit(
    shop: Shop, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One sentence, exit 2, no report, and the file as it was."""
    other = tmp_path / "notes.txt"
    other.write_text("no register " * 30)
    shop.where = other
    assert shop.check([{"task_id": "T1", "lot": ""}]) is ExitCode.COULD_NOT_RUN
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert "is not a register" in told
    assert other.read_text() == "no register " * 30
    assert not shop.out.exists()


def test_new_only_needs_a_register(capsys: pytest.CaptureFixture[str]) -> None:
    """Without one nobody knows what is new."""
    assert run(["check", "anywhere", "--new-only"]) is ExitCode.COULD_NOT_RUN
    assert "--register" in capsys.readouterr().err


def test_the_files_without_a_register(shop: Shop) -> None:
    """findings.csv has the same columns every night; gone.csv is there only where somebody keeps a register."""
    shop.check([{"task_id": "T1", "lot": ""}])
    head = list(shop.rows("findings.csv")[0])
    export, rules = str(shop.folder / "export"), str(shop.folder / "rules")
    run(["check", export, "--rules", rules, "--out", str(shop.out), "--skip-health", "-q"])
    [row] = shop.rows("findings.csv")
    assert list(row) == head
    assert row["change"] == row["first_found"] == row["decision"] == ""
    assert not (shop.out / "gone.csv").exists()


def test_what_a_start_found_is_known(shop: Shop, capsys: pytest.CaptureFixture[str]) -> None:
    """A shop that begins to audit on CI isn't red for what is years old."""
    (shop.folder / "export").mkdir()
    (shop.folder / "export" / "tasks.csv").write_text(as_csv(TASK | BAD), encoding="utf-8")
    (shop.folder / "export" / "stations.csv").write_text(as_csv(STATION), encoding="utf-8")
    rules = ("--rules", str(shop.folder / "rules"))
    started = run(["register", "start", str(shop.where), str(shop.folder / "export"), *rules])
    assert started is ExitCode.CLEAN
    assert "Known from here on: 1 finding." in capsys.readouterr().err
    assert shop.check([BAD], "--new-only") is ExitCode.CLEAN
    assert shop.check([BAD, {"task_id": "T2", "lot": ""}], "--new-only") is ExitCode.FINDINGS
    assert shop.changes() == {"T1": "still", "T2": "new"}


def test_decided_on_the_command_line(shop: Shop, capsys: pytest.CaptureFixture[str]) -> None:
    """A decision lets the check pass until its day, and is told in the list; runs and verify show it."""
    shop.check([BAD])
    finding = shop.rows("findings.csv")[0]["finding_id"]
    decision = ["--by", "A. Plover", "--approved-by", "B. Wren", "--reason", "Lot is on the invoice"]
    where = str(shop.where)
    assert run(["register", "decide", where, finding, "--as", "accepted", "--until", "2098-01-31", *decision]) == 0
    assert "lot-missing" in capsys.readouterr().out
    assert shop.check([BAD]) is ExitCode.CLEAN
    [row] = shop.rows("findings.csv")
    said = "accepted until 2098-01-31 by A. Plover, approved by B. Wren: Lot is on the invoice"
    assert (row["decision"], row["decided"]) == ("accepted", said)
    assert run(["register", "runs", where]) is ExitCode.CLEAN
    listed = capsys.readouterr().out.splitlines()
    assert [line.split()[4] for line in listed] == ["check", "decide", "check"]
    assert ["1 changed finding  " in listed[0], "1 decision  " in listed[1], "nothing changed  " in listed[2]] == [
        True
    ] * 3
    seal = (shop.out / "seal.txt").read_text().split()[-1]
    assert run(["register", "verify", where, "--seal", seal]) is ExitCode.CLEAN
    assert "run 3" in capsys.readouterr().out
    assert run(["register", "verify", where, "--seal", "f" * 64]) is ExitCode.FINDINGS


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--as", "accepted", "--until", "2098-13-31"), "is not a date"),
        (("--as", "accepted"), "--until"),
        (("--as", "withdrawn", "--until", "2098-01-31"), "--until"),
        (("--as", "forgiven", "--until", "2098-01-31"), "forgiven"),
        (("--as", "accepted", "--untill", "2098-01-31"), "--untill"),
    ],
)
def test_a_mistyped_decision_is_refused(
    tmp_path: Path, arguments: tuple[str, ...], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing that is mistyped means `for ever`."""
    command = ["register", "decide", str(tmp_path / "r.db"), "abcd", "--by", "A", "--reason", "b", *arguments]
    assert run(command) is ExitCode.COULD_NOT_RUN
    assert told in capsys.readouterr().err


def test_a_decision_on_what_is_put_right_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Whoever decides learns at once that nothing is left to decide."""
    shop = Shop(tmp_path, tmp_path / "register.db")
    shop.check([BAD])
    finding = shop.rows("findings.csv")[0]["finding_id"]
    shop.check([BAD | {"lot": "L1"}])
    decision = ["--as", "deferred", "--until", "2098-01-31", "--by", "A", "--reason", "b", "--approved-by", "B"]
    capsys.readouterr()
    assert run(["register", "decide", str(shop.where), finding, *decision]) is ExitCode.CLEAN
    assert capsys.readouterr().out.endswith(": deferred; it is cleared, and nothing is left to decide\n")


@pytest.mark.parametrize("seal", ["", " ", "0123456", "seal 0123456789"])
def test_what_is_no_seal_is_not_looked_for(tmp_path: Path, seal: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A variable that is not set, or some digits too few, neither pass nor tell that the register is another."""
    shop = Shop(tmp_path, tmp_path / "register.db")
    shop.check([BAD])
    assert run(["register", "verify", str(shop.where), "--seal", seal]) is ExitCode.COULD_NOT_RUN
    assert "or at least its first 8" in capsys.readouterr().err


def test_a_register_that_was_emptied_does_not_verify(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """That no run is other than it was sealed is not enough where there is none."""
    where = tmp_path / "register.db"
    shop = Shop(tmp_path, where)
    shop.check([BAD])
    with sqlite3.connect(where) as connection:
        for (table,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall():
            if table != "register_version":
                connection.execute(f"DELETE FROM {table}")
    connection.close()
    assert run(["register", "verify", str(where)]) is ExitCode.COULD_NOT_RUN
    assert "has no run yet: there is nothing to verify" in capsys.readouterr().err
    assert run(["register", "runs", str(where)]) is ExitCode.CLEAN
    assert capsys.readouterr().out == "The register has no run yet.\n"


def test_a_changed_register_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """verify says which run, and exits with 1."""
    where = tmp_path / "register.db"
    shop = Shop(tmp_path, where)
    shop.check([BAD])
    with sqlite3.connect(where) as connection:
        connection.execute("UPDATE findings SET message = 'nothing'")
    connection.close()
    assert run(["register", "verify", str(where)]) is ExitCode.FINDINGS
    assert capsys.readouterr().out.startswith("Run 1 doesn't fit")


def test_a_work_list_that_comes_back(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Answers are read in once; one of `done` that a later export contradicts is disputed."""
    shop = Shop(tmp_path, tmp_path / "register.db")
    shop.check([BAD], "--write", "xlsx")
    fill(shop.out / "worklist.xlsx", "done", date(2026, 1, 20))
    for new in ("1 answer is new", "0 answers are new"):
        run(["register", "answers", str(shop.where), str(shop.out / "worklist.xlsx")])
        assert new in capsys.readouterr().out
    shop.check([BAD])
    [row] = shop.rows("findings.csv")
    assert row["disputed"] == "answered done by C. Teal on 2026-01-20"


def fill(path: Path, answer: str, day: date) -> None:
    """Fill in every row of a work list."""
    import openpyxl

    book = openpyxl.load_workbook(path)
    for sheet in book.worksheets:
        head = [cell.value for cell in sheet[1]]
        if "Answer" in head:
            for row in range(2, sheet.max_row + 1):
                for name, value in (("Answer", answer), ("Answered by", "C. Teal"), ("On day", day)):
                    sheet.cell(row, head.index(name) + 1).value = value
    book.save(path)


@pytest.mark.skipif(shutil.which("ssh-keygen") is None, reason="OpenSSH is not installed")
def test_a_signed_run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The signature stands beside the seal; a key that can't sign stops the run, and leaves no trace."""
    shop, key = Shop(tmp_path, tmp_path / "register.db"), tmp_path / "key"
    assert shop.check([BAD], "--sign", str(key)) is ExitCode.COULD_NOT_RUN
    assert capsys.readouterr().err.count("\n") == 1
    key.write_text("no key")
    assert shop.check([BAD], "--sign", str(key)) is ExitCode.COULD_NOT_RUN
    key.unlink()
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", str(key)], check=True)
    assert shop.check([BAD], "--sign", str(key)) is ExitCode.FINDINGS
    assert (shop.out / "seal.txt").read_text().startswith("deicer-audit register register.db\nrun 1\nseal ")
    assert "BEGIN SSH SIGNATURE" in (shop.out / "seal.txt.sig").read_text()
    shop.check([BAD])
    assert not (shop.out / "seal.txt.sig").exists()


def test_what_happened_to_records_is_listed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A signed record that says something else in tomorrow's export, free text too; and every version of it."""
    shop = Shop(tmp_path, tmp_path / "register.db")
    signed = {"task_id": "T1", "lot": "L1", "signed_at": "2024-01-10T10:00:00Z", "remarks": "as found"}
    shop.check([signed])
    run(["register", "records", str(shop.where)])
    assert capsys.readouterr().out.startswith("Nothing has happened")
    shop.check([signed | {"lot": "L2", "remarks": "as left"}])
    assert [(row["column"], row["was"], row["now"]) for row in shop.rows("altered.csv")] == [
        ("lot", "L1", "L2"),
        ("remarks", "as found", "as left"),
    ]
    run(["register", "records", str(shop.where)])
    assert "2026-02-01  T1  altered lot: L1 -> L2" in capsys.readouterr().out
    shop.check([signed | {"lot": "L2", "remarks": "as left"}, signed | {"task_id": "T2"}])
    run(["register", "records", str(shop.where)])
    late = "2026-02-01  T2  entered late: its work ended 2024-01-10 09:00 UTC, and the run as of 2026-02-01 00:00 UTC "
    assert f"{late}did not have it\n" in capsys.readouterr().out
    run(["register", "records", str(shop.where), "T1"])
    first, second = capsys.readouterr().out.splitlines()
    assert first.startswith("run 1: ")
    assert "lot L1" in first
    assert "lot L2" in second
    assert run(["register", "records", str(shop.where), "T7"]) is ExitCode.COULD_NOT_RUN
    assert run(["register", "verify", str(shop.where)]) is ExitCode.CLEAN


def test_an_expired_decision_is_expired_everywhere(shop: Shop) -> None:
    """On its last day no output counts the finding; the day after all of them do."""
    shop.check([BAD])
    finding = shop.rows("findings.csv")[0]["finding_id"]
    decision = ["--by", "A. Plover", "--approved-by", "B. Wren", "--reason", "Lot is on the invoice"]
    assert (
        run(["register", "decide", str(shop.where), finding, "--as", "accepted", "--until", "2098-01-31", *decision])
        == 0
    )
    seen = []
    for at, code in (("2098-01-31T23:59Z", ExitCode.CLEAN), ("2098-02-01T00:00Z", ExitCode.FINDINGS)):
        formats = ("--write", "csv,json,md,sarif,junit,codequality,html,xlsx")
        assert shop.check([BAD], "--as-of", at, *formats) is code
        assert shop.check([BAD], "--as-of", at, "--fail-on", "2", *formats) is code
        [row] = shop.rows("findings.csv")
        [alert] = json.loads((shop.out / "findings.sarif").read_text(encoding="utf-8"))["runs"][0]["results"]
        junit = (shop.out / "junit.xml").read_text(encoding="utf-8")
        quality = json.loads((shop.out / "codequality.json").read_text(encoding="utf-8"))
        summary = json.loads((shop.out / "summary.json").read_text(encoding="utf-8"))["register"]
        seen.append(
            (
                row["decision"],
                bool(alert.get("suppressions")),
                "<failure" in junit,
                len(quality),
                {name: summary["decided"].get(name, 0) for name in ("accepted", "expired")},
            )
        )
    assert seen == [
        ("accepted", True, False, 0, {"accepted": 1, "expired": 0}),
        ("expired", False, True, 1, {"accepted": 0, "expired": 1}),
    ]


def test_registers_are_not_merged(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No command does it: each has a chain of its own, and what one decided holds in no other."""
    first, second = Shop(tmp_path / "a", tmp_path / "a.db"), Shop(tmp_path / "b", tmp_path / "b.db")
    for shop in (first, second):
        shop.check([BAD])
    finding = first.rows("findings.csv")[0]["finding_id"]
    decision = ["--by", "A", "--approved-by", "B", "--reason", "c", "--as", "accepted", "--until", "2098-01-31"]
    assert run(["register", "decide", str(first.where), finding, *decision]) == 0
    capsys.readouterr()
    assert run(["register", "merge", str(first.where), str(second.where)]) is ExitCode.COULD_NOT_RUN
    assert "No such command 'merge'" in capsys.readouterr().err
    assert first.check([BAD]) is ExitCode.CLEAN
    assert second.check([BAD]) is ExitCode.FINDINGS
    # Nor does a copy of the rows pass for a run of its own.
    with sqlite3.connect(str(second.where)) as connection:
        connection.execute("ATTACH ? AS other", (str(first.where),))
        connection.execute("INSERT INTO decisions SELECT * FROM other.decisions")
    connection.close()
    assert run(["register", "verify", str(second.where)]) is ExitCode.FINDINGS


def test_a_register_that_goes_away_during_the_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Somebody deletes the file in the midst of it: one sentence, and no report that says it was kept."""
    import audit.pipeline

    shop = Shop(tmp_path, tmp_path / "register.db")
    shop.check([BAD])
    before = (shop.out / "summary.json").read_bytes()
    whole = audit.pipeline.recorded

    def gone(register: Register, audited: Audited) -> AuditResult:
        (tmp_path / "register.db").unlink()
        return whole(register, audited)

    monkeypatch.setattr("audit.pipeline.recorded", gone)
    assert shop.check([BAD, {"task_id": "T3", "lot": ""}]) is ExitCode.COULD_NOT_RUN
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert "register" in told
    assert (shop.out / "summary.json").read_bytes() == before


@pytest.mark.parametrize("recorded", [False, True])
def test_a_server_that_goes_away_during_the_run(
    recorded: bool, database: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """It ends the connection before or after the night was written down: one sentence, no report, no such night."""
    import audit.pipeline

    shop = Shop(tmp_path, database)
    shop.check([BAD])
    before = (shop.out / "summary.json").read_bytes()
    whole = audit.pipeline.recorded

    def cut(register: Register, audited: Audited) -> AuditResult:
        done = whole(register, audited) if recorded else None
        others = "datname = current_database() AND pid <> pg_backend_pid()"
        run_on_server(database, f"SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE {others}")
        return done or whole(register, audited)

    monkeypatch.setattr("audit.pipeline.recorded", cut)
    capsys.readouterr()
    assert shop.check([BAD, {"task_id": "T3", "lot": ""}]) is ExitCode.COULD_NOT_RUN
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert "went away during the run" in told
    assert (shop.out / "summary.json").read_bytes() == before
    with open_register(database) as register:
        assert [one.run for one in audits(register.connection)] == [1]

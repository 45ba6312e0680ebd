"""`check --register` from end to end: the sample of a shop, night after night, and the gate of CI."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from audit.cli import run
from audit.exit_codes import ExitCode
from audit.intake.location import Location
from audit.register.states import audits
from audit.register.store import open_register
from tests.intake.conftest import STATION, TASK, as_csv

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


class Shop:
    """A shop with one rule, whose records are what a test says."""

    def __init__(self, folder: Path, where: Location) -> None:
        self.folder, self.where, self.out = folder, where, folder / "out"
        (folder / "rules").mkdir()
        (folder / "rules" / "lot-missing.yaml").write_text(RULE, encoding="utf-8")

    def check(self, tasks: Sequence[dict[str, str]], *more: str) -> ExitCode:
        """Audit these records, with the register."""
        export = self.folder / "export"
        export.mkdir(exist_ok=True)
        (export / "tasks.csv").write_text(as_csv(*(TASK | task for task in tasks)), encoding="utf-8")
        (export / "stations.csv").write_text(as_csv(STATION), encoding="utf-8")
        rules = ("--rules", str(self.folder / "rules"))
        arguments = ("check", str(export), *rules, "--register", str(self.where), "--out", str(self.out))
        return run([*arguments, "--skip-health", "-q", "--as-of", "2026-02-01T00:00Z", *more])

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


def test_a_record_that_vanished_is_told(shop: Shop) -> None:
    """A quietly deleted record clears nothing: gone.csv says so."""
    shop.check([{"task_id": "T1", "lot": ""}, {"task_id": "T2", "lot": "L1"}])
    assert shop.rows("gone.csv") == []
    shop.check([{"task_id": "T2", "lot": "L1"}])
    [row] = shop.rows("gone.csv")
    assert (row["task_id"], row["why"], row["since"]) == ("T1", "record missing", "2026-02-01T00:00:00Z")


def test_a_record_in_quarantine_is_told(shop: Shop) -> None:
    """A record that can't be read any more is no record that was put right."""
    shop.check([{"task_id": "T1", "lot": ""}, {"task_id": "T2", "lot": "L1"}])
    shop.check([{"task_id": "T1", "lot": "", "aircraft": ""}, {"task_id": "T2", "lot": "L1"}])
    assert [row["why"] for row in shop.rows("gone.csv")] == ["quarantined"]


def test_a_report_that_cannot_be_written_leaves_the_register(shop: Shop, capsys: pytest.CaptureFixture[str]) -> None:
    """A run that fails leaves no trace, neither here nor there."""
    bad = {"task_id": "T1", "lot": ""}
    shop.check([bad])
    (shop.out / "report.html").unlink()
    (shop.out / "report.html").mkdir()  # a folder in the way of a file
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
    assert "is no register" in told
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

"""A filled-in work list read back."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable, Mapping
from datetime import date, datetime
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pytest

from audit.cli import run
from audit.errors import AuditError
from audit.exit_codes import ExitCode
from audit.report.answers import ANSWER, ANSWERS, DAY, FINDING, ISSUED_SHEET, NOTE, WHO, Answers, read_answers
from audit.report.worklist_xlsx import COLUMNS, workbook
from tests.report.conftest import finding, make_result

TODAY = date(2026, 6, 10)
FULL = {ANSWER: "done", WHO: "A. Plover", DAY: datetime(2026, 6, 1)}
IDS = [f"{n:012x}" for n in range(1, 4)]

Change = Callable[[openpyxl.Workbook], None]


def put(book: openpyxl.Workbook, row: int, cells: Mapping[str, Any], sheet: str = "Fernspool") -> None:
    """Write cells of one row by the names of their columns."""
    for name, value in cells.items():
        book[sheet].cell(row, list(COLUMNS).index(name) + 1).value = value


@pytest.fixture
def filled(tmp_path: Path) -> Callable[[Change], Path]:
    """Fill in a list of three findings as somebody would, in a spreadsheet, and save it."""

    def fill(change: Change) -> Path:
        done = {"state": "corrected", "corrected_by": "K-1", "corrected_at": pd.Timestamp("2025-12-01T10:00Z")}
        listed = [finding(n, finding_id=one) for n, one in enumerate(IDS, start=1)]
        made = make_result([*listed, finding(9, finding_id="0123456789ab", **done)])  # nobody answers for what is done
        book = openpyxl.load_workbook(io.BytesIO(workbook(made)))
        change(book)
        path = tmp_path / "worklist.xlsx"
        book.save(path)
        return path

    return fill


def faults(read: Answers) -> list[str]:
    """What is at fault, without where."""
    return [fault.what for fault in read.faults]


def test_complete_answers_are_told_from_those_still_open(filled: Callable[[Change], Path]) -> None:
    """Answers are read whatever their case and spaces, with a date or its text; a blank row is open, not at fault."""

    def change(book: openpyxl.Workbook) -> None:
        put(book, 2, FULL)
        put(book, 3, {ANSWER: " Late  Entry ", WHO: "B. Wren", DAY: "2026-06-02", NOTE: "T-900"})

    read = read_answers(filled(change), TODAY)
    assert (list(read.complete), list(read.unanswered), faults(read), read.issued) == (IDS[:2], IDS[2:], [], 3)
    assert read.complete[IDS[0]].day == date(2026, 6, 1)
    assert read.counts == {"done": 1, "late entry": 1, "not yet": 0, "no fault": 0, "another station": 0}


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        ({ANSWER: "fixed"}, "has the answer 'fixed'; choose one of done, late entry"),
        ({WHO: None}, "doesn't say who answers"),
        ({WHO: "n/a"}, "doesn't say who answers"),
        ({ANSWER: "not yet", NOTE: "-"}, "the note has to say why, and until when"),
        ({DAY: None}, "doesn't say on which day"),
        ({DAY: "soon"}, "has 'soon' for a day; write a date"),
        ({DAY: "2026-06-01 or 02"}, "has '2026-06-01 or 02' for a day"),
        ({DAY: datetime(2026, 6, 11)}, "is answered on 2026-06-11, a day still to come"),
        ({DAY: datetime(2025, 11, 2)}, "is answered on 2025-11-02, before the fault itself on 2025-11-03"),
        ({ANSWER: None}, "has no answer, though other cells are filled in"),
        ({FINDING: "1+1"}, "'1+1' is not a finding id"),
        ({FINDING: "abcdefabcdef"}, "did not stand on the list when it was made"),
        ({FINDING: None}, "has an answer, but no finding beside it"),
        *(({ANSWER: word, NOTE: None}, "the note has to say") for word, one in ANSWERS.items() if one.note),
    ],
)
def test_each_fault_is_one_clear_sentence(
    filled: Callable[[Change], Path], cells: dict[str, Any], expected: str
) -> None:
    """What an answer lacks is said of its row, and it doesn't count as complete."""
    read = read_answers(filled(lambda book: put(book, 2, FULL | cells)), TODAY)
    [told] = [fault for fault in read.faults if expected in fault.what]
    assert (told.sheet, told.row) == ("Fernspool", 2)
    assert not read.complete


def test_answers_that_contradict_each_other(filled: Callable[[Change], Path]) -> None:
    """A finding answered twice is fine if both answers agree, and at fault, with both places, if they don't."""

    def twice(second: dict[str, Any]) -> Change:
        def change(book: openpyxl.Workbook) -> None:
            put(book, 2, FULL)
            put(book, 9, {FINDING: IDS[0]} | FULL | second)

        return change

    assert faults(read_answers(filled(twice({})), TODAY)) == []
    read = read_answers(filled(twice({ANSWER: "no fault", NOTE: "another boot"})), TODAY)
    assert faults(read) == ["has different answers: Fernspool row 2, Fernspool row 9"]
    assert not read.complete


def test_a_lost_row_is_noticed(filled: Callable[[Change], Path]) -> None:
    """A finding whose row was deleted is at fault; sheets that somebody added, renamed or moved are none."""

    def change(book: openpyxl.Workbook) -> None:
        book["Fernspool"].delete_rows(3)
        book.create_sheet("My notes").append(["remember", "this"])
        book["Fernspool"].title = "Ours"
        book.move_sheet("Ours", 2)

    read = read_answers(filled(change), TODAY)
    assert [(fault.finding_id, fault.what) for fault in read.faults] == [
        (
            IDS[1],
            "stood on the list when it was made, and its row is gone, or the first row of its sheet, which names the "
            "columns",
        )
    ]


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (lambda book: book.remove(book[ISSUED_SHEET]), "is not a work list of this version, or is damaged"),
        (lambda book: book[ISSUED_SHEET].cell(1, 1, "other/9"), "is not a work list of this version"),
        (lambda book: book[ISSUED_SHEET].cell(3, 1, "=1+1"), "is damaged: its hidden sheet"),
        (lambda book: book[ISSUED_SHEET].cell(2, 1, "x"), "have been changed"),
        (lambda book: put(book, 1, {NOTE: "Remarks"}), "Note is missing or there twice"),
        (lambda book: put(book, 1, {NOTE: WHO}), "Answered by, Note is missing or there twice"),
        (lambda book: book["Fernspool"].cell(1_048_576, 16_384, "far out"), "cells so far apart"),
    ],
)
def test_a_damaged_list_is_refused(filled: Callable[[Change], Path], change: Change, expected: str) -> None:
    """What can't be read back safely is refused with one sentence that names the place."""
    with pytest.raises(AuditError, match=expected):
        read_answers(filled(change), TODAY)


def test_what_is_no_workbook_is_refused(tmp_path: Path) -> None:
    """A missing file, a text, an archive without sheets, and one that would unpack to far more than it holds."""
    path = tmp_path / "worklist.xlsx"
    with pytest.raises(AuditError, match=r"worklist\.xlsx: there is no such file"):
        read_answers(path, TODAY)
    path.write_text("finding,answer", encoding="utf-8")
    with pytest.raises(AuditError, match="can't be read as a workbook"):
        read_answers(path, TODAY)
    for size, expected in ((100_000, "can't be read as a workbook"), (70 << 20, "would unpack to 70 MB")):
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
            packed.writestr("xl/worksheets/sheet1.xml", b" " * size)
        with pytest.raises(AuditError, match=expected):
            read_answers(path, TODAY)


def test_the_command_tells_what_is_complete(
    filled: Callable[[Change], Path], capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 0 where all is answered, 1 where something is open or at fault, 2 where it is not a work list."""
    done = FULL | {DAY: datetime(2025, 12, 1)}  # after the findings, and past by any calendar

    def all_done(book: openpyxl.Workbook) -> None:
        for row in (2, 3, 4):
            put(book, row, done)

    assert run(["answers", str(filled(all_done))]) == ExitCode.CLEAN
    assert capsys.readouterr().out == "3 of 3 findings have a complete answer: 3 done\n"
    path = filled(lambda book: put(book, 2, done | {WHO: None, ANSWER: "done\u202e"}))
    assert run(["answers", str(path)]) == ExitCode.FINDINGS
    told = capsys.readouterr().out
    assert f"Fernspool, row 2: {IDS[0]} has the answer" in told
    assert "\u202e" not in told
    assert told.endswith("0 of 3 findings have a complete answer\n2 have no answer yet\n")
    path.write_bytes(b"")
    assert run(["answers", str(path)]) == ExitCode.COULD_NOT_RUN


def test_a_folder_is_no_work_list(tmp_path: Path) -> None:
    """Whoever names the report's folder is told what to name."""
    with pytest.raises(AuditError, match="a folder; give the work list in it"):
        read_answers(tmp_path, TODAY)

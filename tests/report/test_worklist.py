"""The work list: jobs in their order, as values, as a workbook and as a page to print."""

from __future__ import annotations

import io
import math
import re
from typing import Any

import openpyxl
import pandas as pd
import pytest
from openpyxl.worksheet.worksheet import Worksheet

from audit.findings.result import AuditResult
from audit.report import worklist
from audit.report.answers import ANSWERS, DONE_SHEET, HOW_SHEET, ISSUED_SHEET
from audit.report.workbook_cells import LONGEST_CELL, NO_STATION, TALLEST_ROW, sheet_names
from audit.report.worklist import NEVER, by_when, work_list
from audit.report.worklist_html import work_list_page
from audit.report.worklist_xlsx import COLUMNS, workbook
from tests.report.conftest import HOSTILE, WARNING, finding, hostile_finding, make_result

WRONG = "preservative-on-wrong-material"


def opened(result: AuditResult) -> Any:
    """Open the workbook with another library than the one that wrote it."""
    return openpyxl.load_workbook(io.BytesIO(workbook(result)))


def column(sheet: Worksheet, name: str) -> list[Any]:
    """The cells of one column, below its head."""
    place = list(COLUMNS).index(name) + 1
    return [sheet.cell(row, place).value for row in range(2, sheet.max_row + 1)]


def test_findings_of_one_work_order_are_one_job() -> None:
    """Seven boots of one work order are one job of one step; another rule's findings there are its next step."""
    boots = [finding(n, work_order="W-1", aircraft="TARN-1", position=f"p{n}") for n in range(7)]
    other = finding(7, work_order="W-1", aircraft="TARN-1", rule="lot-expired")
    elsewhere = finding(8, work_order="W-1", aircraft="TARN-2")
    [station] = work_list(make_result([*boots, other, elsewhere])).stations
    assert [[len(step.items) for step in job.steps] for job in station.jobs] == [[7, 1], [1]]
    assert [job.number for job in station.jobs] == [1, 2]


def test_jobs_come_in_the_order_of_their_urgency() -> None:
    """Level 1 first, then level 2 by age, observations last; a job is as urgent as its worst finding, done first."""
    findings = [
        finding(1, level="observation", rule="ice-adhesion-treatment-overdue", work_order="W-seen"),
        finding(2, work_order="W-later", at=pd.Timestamp("2026-01-02T00:00Z")),
        finding(3, work_order="W-older", at=pd.Timestamp("2025-01-02T00:00Z")),
        finding(4, work_order="W-urgent", aircraft="TARN-1"),
        finding(5, work_order="W-urgent", aircraft="TARN-1", level="1", rule=WRONG),
    ]
    [station] = work_list(make_result(findings)).stations
    assert [job.work_order for job in station.jobs] == ["W-urgent", "W-older", "W-later", "W-seen"]
    first = station.jobs[0]
    assert [item.level for step in first.steps for item in step.items] == ["1", "2"]
    assert (first.urgent, station.urgent, first.by_when) == (True, 1, "before the next flight")


def test_until_when() -> None:
    """EASA 145.B.350 and M.B.605: level 1 at once, level 2 within three calendar months, an observation without a date.

    Three months after 31 January is 30 April; without a register nobody knows the first day, and there is no date.
    """
    day = pd.Timestamp("2026-01-31T09:00Z")
    assert by_when("1", day) == "before the next flight"
    assert by_when("2", day) == "your operator's limit, 2026-04-30 at the latest"
    assert by_when("2") == by_when("2", pd.NaT) == "your operator's limit, 3 months at most"
    assert by_when("observation", day) == "no date: at your discretion"
    whens = {job.by_when for station in work_list(make_result()).stations for job in station.jobs}
    assert not any(re.search(r"\d{4}-", when) for when in whens)


def test_findings_without_station_or_work_order() -> None:
    """They stand on a list of their own, the last; without a work order those of one rule and moment are one job."""
    nowhere = {"station": "", "work_order": "", "task_id": "", "aircraft": "TARN-1", "flight_id": "V-9"}
    at = pd.Timestamp("2026-01-01T00:00Z")
    findings = [finding(n, **nowhere, at=at) for n in range(3)] + [finding(3, **nowhere), finding(4)]
    stations = work_list(make_result(findings)).stations
    assert [station.station for station in stations] == ["Fernspool", ""]
    assert sorted(len(job.steps[0].items) for job in stations[1].jobs) == [1, 3]
    assert stations[1].jobs[0].steps[0].items[0].record == "flight V-9"


def test_a_list_has_an_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond the limit the most serious stand on the list, and list and page give the exact total."""
    monkeypatch.setattr(worklist, "MOST_FINDINGS", 2)
    result = make_result([finding(1, level="1", rule=WRONG), finding(2), finding(3)])
    assert (work_list(result).findings, work_list(result).total) == (2, 3)
    assert "the 2 most serious of 3 findings" in str(list(opened(result)[HOW_SHEET].values))
    assert "2 most serious of 3 findings" in " ".join(work_list_page(result).split())


def test_the_workbook_has_a_sheet_a_station() -> None:
    """Each station has a sheet with a frozen head, filters, widths, and a choice of answers for every finding."""
    book = opened(make_result([finding(1), finding(2), finding(3, station="Gullspool"), finding(4, station="")]))
    assert book.sheetnames == [HOW_SHEET, "Fernspool", "Gullspool", NO_STATION, ISSUED_SHEET]
    assert book[ISSUED_SHEET].sheet_state == "hidden"
    sheet = book["Fernspool"]
    assert [cell.value for cell in sheet[1]] == list(COLUMNS)
    assert sheet.freeze_panes == "G2"
    assert sheet.auto_filter.ref == "A1:Q3"
    assert sheet.print_title_rows == "$1:$1"
    assert sheet.column_dimensions["J"].width > 30
    choices = {str(one.sqref): one for one in sheet.data_validations.dataValidation}
    assert choices["M2:M3"].formula1 == f'"{",".join(ANSWERS)}"'
    assert choices["O2:O3"].type == "date"
    assert column(sheet, "Finding") == ["F000001", "F000002"]
    assert column(sheet, "Corrective action")[0].startswith("Inspect the coating")
    assert column(sheet, "Warning")[0] == WARNING
    assert next(iter(COLUMNS)) == "Warning"
    assert column(sheet, "What not to do")[0].startswith("Leave the original entry (T-1) as it is")
    assert NEVER in str(sheet.oddFooter.left.text)
    assert column(sheet, "Answer") == [None, None]


def test_what_was_put_right_has_a_sheet_of_its_own() -> None:
    """State, by what and when; nobody is asked to answer for it, and the stations' sheets don't have it."""
    done = {"state": "corrected", "corrected_by": "K-1; K-2", "corrected_at": pd.Timestamp("2025-12-01T10:00Z")}
    book = opened(make_result([finding(1), finding(2, **done), finding(3, **done, station="Gullspool")]))
    assert book.sheetnames == [HOW_SHEET, "Fernspool", DONE_SHEET, ISSUED_SHEET]
    head, *rows = book[DONE_SHEET].values
    assert head == ("Finding", "State", "What was wrong", "Boot", "Put right by", "On")
    title = work_list(make_result([finding(1)])).stations[0].jobs[0].steps[0].title
    assert rows == [
        ("F000002", "corrected", title, "TARN-002 left wing", "K-1; K-2", "2025-12-01"),
        ("F000003", "corrected", title, "TARN-003 left wing", "K-1; K-2", "2025-12-01"),
    ]
    assert column(book["Fernspool"], "Finding") == ["F000001"]
    assert "2, on the last sheet" in str(list(book[HOW_SHEET].values))
    everything = opened(make_result([finding(2, **done)]))
    assert everything.sheetnames == [HOW_SHEET, DONE_SHEET, ISSUED_SHEET]
    assert "Nothing is open." in str(list(everything[HOW_SHEET].values))


def test_nothing_found_is_said() -> None:
    """Without findings there is still a list, and it says that nothing was found."""
    result = make_result([])
    assert opened(result).sheetnames == [HOW_SHEET, ISSUED_SHEET]
    assert "Nothing was found." in str(list(opened(result)[HOW_SHEET].values))
    assert "Nothing was found." in work_list_page(result)


def test_the_same_result_gives_the_same_workbook() -> None:
    """No clock goes into the workbook: two are the same to the byte, with and without an as-of time."""
    for result in (make_result(), make_result(as_of=pd.NaT)):
        assert workbook(result) == workbook(result)


def test_sheet_names_are_what_excel_takes() -> None:
    """At most 31 characters as Excel counts, none forbidden, none empty or reserved, no two alike in any case."""
    stations = [
        "a/b:c*?[d]\\e",
        "X" * 40,
        "x" * 41,
        "History",
        "issued",
        "",
        "No station",
        "'quoted'",
        "\U0001f6e9" * 30,
        "'",
        " ",
        "\u202e",
    ]
    names = sheet_names(stations, (HOW_SHEET, ISSUED_SHEET))
    assert len({name.casefold() for name in names}) == len(stations)
    for name in names:
        assert 1 <= len(name.encode("utf-16-le")) // 2 <= 31
        assert not set(name) & set("[]:*?/\\")
        assert not name.startswith("'")
        assert not name.endswith("'")
        assert name.casefold() not in {"history", "issued", HOW_SHEET.casefold()}


def test_hostile_text_is_no_formula_and_breaks_nothing() -> None:
    """Every cell of records is plain text, cut before Excel's limit, with hidden characters spelled out."""
    book = opened(make_result([hostile_finding(1), finding(2, station="=1+1")], export_name=HOSTILE + "\udcff"))
    for sheet in book.worksheets:
        for row in sheet.iter_rows():
            for cell in row:
                assert cell.data_type in ("s", "n"), cell.coordinate
                assert cell.hyperlink is None
                assert not isinstance(cell.value, str) or len(cell.value) < LONGEST_CELL + 1_000
    sheet = book["=1+1"]
    assert column(sheet, "Finding") == ["F000002"]
    hostile = book[book.sheetnames[2]]
    assert column(hostile, "Aircraft")[0].startswith("=1+1 @SUM(A1) <script>")
    assert "[U+001B][2J[U+202E]txt" in column(hostile, "Aircraft")[0]
    assert column(hostile, "Work order")[0].endswith(" characters)")


def test_the_page_holds_every_finding_and_loads_nothing() -> None:
    """Every finding's id is on the page; records stay text; the policy allows its own style and nothing else."""
    page = work_list_page(make_result([hostile_finding(1), *(finding(n) for n in range(2, 30))]))
    assert all(f"F{n:06d}" in page for n in range(1, 30))
    assert "default-src 'none'; style-src 'sha256-" in page
    assert "<script" not in page
    assert "\u202e" not in page
    assert "url(" not in page


def test_a_row_is_as_tall_as_its_text() -> None:
    """A program that finds no heights itself shows all lines of a text, of a very long one what a row can hold."""
    messages = ["Short.", "A sentence of some length that fills a line. " * 6, "One\nword\na line" * 4, "no end " * 280]
    book = opened(make_result([finding(n, message=text, work_order=f"W-{n}") for n, text in enumerate(messages)]))
    for sheet in (book[HOW_SHEET], book["Fernspool"]):
        for row in sheet.iter_rows():
            for cell in row:
                width = sheet.column_dimensions[cell.column_letter].width
                # At 10 points a line takes 12.75 points, and two letters are at least as wide as a digit.
                needed = sum(12.75 * math.ceil(len(line) / (2 * width)) for line in str(cell.value or "").split("\n"))
                height = sheet.row_dimensions[cell.row].height or sheet.sheet_format.defaultRowHeight
                assert height >= min(needed, TALLEST_ROW)

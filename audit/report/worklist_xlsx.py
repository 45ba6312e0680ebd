"""worklist.xlsx: the work list as a workbook to be filled in, a sheet for each station."""

from __future__ import annotations

import io
from collections.abc import Iterator
from datetime import datetime
from typing import Any, Final

import pandas as pd

from audit.findings.result import CORRECTED, AuditResult
from audit.report.answers import (
    ANSWER,
    ANSWERS,
    DAY,
    DONE_SHEET,
    FINDING,
    FORMAT,
    HOW_SHEET,
    ISSUED_COLUMNS,
    ISSUED_SHEET,
    NOTE,
    WHO,
)
from audit.report.rows import level_name
from audit.report.workbook_cells import LINE, checked, put, row_height, sheet_names
from audit.report.worklist import (
    NEVER,
    NOT_THE_BOOT,
    UNTIL_WHEN,
    Item,
    Job,
    StationList,
    Step,
    WorkList,
    leave_alone,
    work_list,
)

COLUMNS: Final = {
    "Warning": 30,
    "Job": 5,
    "By when": 20,
    "Level": 11,
    "Aircraft": 12,
    "Work order": 13,
    "Position": 14,
    "Boot": 12,
    "Record": 13,
    "What is wrong": 38,
    "Corrective action": 42,
    "What not to do": 27,
    ANSWER: 15,
    WHO: 16,
    DAY: 12,
    NOTE: 30,
    FINDING: 14,
}
"""Columns of a station's sheet, with their widths."""

DONE_COLUMNS: Final = {"Finding": 14, "State": 11, "What was wrong": 52, "Boot": 28, "Put right by": 26, "On": 12}
"""Columns of the sheet of what was put right, with their widths."""

HOW_COLUMNS: Final = (24, 72, 13, 13, 13)
"""Widths of the columns of the first sheet."""


def workbook(result: AuditResult) -> bytes:
    """Return the work list as a workbook; the same result gives the same bytes."""
    import xlsxwriter

    listed = work_list(result)
    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(
        buffer,
        {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False},
    )
    made = datetime(2000, 1, 1) if pd.isna(result.as_of) else result.as_of.tz_localize(None).to_pydatetime()
    book.set_properties({"title": "Work list", "created": made.replace(microsecond=0)})
    names = sheet_names((station.station for station in listed.stations), (HOW_SHEET, ISSUED_SHEET, DONE_SHEET))
    styles = _Styles(book)
    _write_how(book, listed, names, styles)
    for name, station in zip(names, listed.stations, strict=True):
        _write_station(book.add_worksheet(name), station, styles)
    if listed.put_right:
        _write_done(book.add_worksheet(DONE_SHEET), listed, styles)
    _write_issued(book, listed, names)
    book.close()
    return buffer.getvalue()


class _Styles:
    """The looks of cells, made once a workbook."""

    def __init__(self, book: Any) -> None:
        common = {"font_name": "Arial", "font_size": 10, "text_wrap": True, "valign": "top"}
        line = common | {"bottom": 1, "bottom_color": "#C9CED6"}
        job = {"top": 2, "top_color": "#3B4656"}
        self.head = book.add_format(
            common | {"bold": True, "bg_color": "#26323F", "font_color": "#FFFFFF", "border": 1}
        )
        self.title = book.add_format(common | {"bold": True, "font_size": 15, "text_wrap": False})
        self.strong = book.add_format(common | {"bold": True})
        self.plain = book.add_format(common)
        self._of: dict[tuple[str, bool], Any] = {}
        for first in (True, False):
            border = job if first else {}
            self._of["cell", first] = book.add_format(line | border)
            self._of["strong", first] = book.add_format(line | border | {"bold": True})
            self._of["again", first] = book.add_format(line | border | {"font_color": "#5C6673"})
            self._of["answer", first] = book.add_format(line | border | {"bg_color": "#F6F1DF"})
            self._of["day", first] = book.add_format(
                line | border | {"bg_color": "#F6F1DF", "num_format": "yyyy-mm-dd", "align": "left"}
            )

    def cell(self, kind: str, first: bool) -> Any:
        """The look of a cell; `first` in its job, which begins with a line."""
        return self._of[kind, first]


def _write_how(book: Any, listed: WorkList, names: list[str], styles: _Styles) -> None:
    sheet = book.add_worksheet(HOW_SHEET)
    sheet.hide_gridlines(2)
    for column, width in enumerate(HOW_COLUMNS):
        sheet.set_column(column, column, width)
    put(sheet, 0, 0, "Work list from the audit of maintenance records", styles.title)
    sheet.set_row(0, 2 * LINE)
    explained = list(_explained(listed))
    for row, (name, text) in enumerate(explained, start=1):
        _write_line(sheet, row, (name, styles.strong), (text, styles.plain))
    row = len(explained) + 1
    heads = ("Sheet", "Station", "Jobs", "Findings", "Before next flight")
    _write_line(sheet, row, *((head, styles.head) for head in heads))
    for name, station in zip(names, listed.stations, strict=True):
        row += 1
        place = station.station or "no station is known for these"
        _write_line(sheet, row, (name, styles.plain), (place, styles.plain))
        for column, number in enumerate((len(station.jobs), station.findings, station.urgent), start=2):
            checked(sheet.write_number(row, column, number, styles.plain))
    if not listed.stations:
        put(sheet, row + 1, 0, "Nothing is open." if listed.put_right else "Nothing was found.", styles.plain)
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)


def _write_line(sheet: Any, row: int, *cells: tuple[str, Any]) -> None:
    """A row of the first sheet: texts, each with its look."""
    for column, (text, style) in enumerate(cells):
        put(sheet, row, column, text, style)
    sheet.set_row(row, row_height((width, text) for width, (text, _) in zip(HOW_COLUMNS, cells, strict=False)))


def _explained(listed: WorkList) -> Iterator[tuple[str, str]]:
    left = f"{listed.findings:,} findings"
    if listed.total > listed.findings:
        left = f"the {listed.findings:,} most serious of {listed.total:,} findings; the next list brings others"
    yield "Export", listed.export_name
    yield "As of", listed.as_of
    yield "On this list", left
    if listed.put_right:
        yield "Put right already", f"{len(listed.put_right):,}, on the last sheet: nothing is left to be done for them"
    yield "", ""
    yield (
        "What to do",
        (
            "Take the jobs of your station in the order of their numbers. The findings of one job belong to one work "
            "order: read them together. Copy this file before you fill it in."
        ),
    )
    yield "What not to do", NEVER
    yield "", NOT_THE_BOOT
    for name, (level, text) in zip(("By when", "", ""), UNTIL_WHEN, strict=True):
        yield name, f"{level}: {text}"
    yield (
        "How to answer",
        (
            f"For each finding choose one of these under {ANSWER}, and say who answers and on which day. Leave the "
            f"column {FINDING} as it is."
        ),
    )
    for word, answer in ANSWERS.items():
        yield word, answer.meaning
    yield "Then", "deicer-audit answers worklist.xlsx says which answers are complete."
    yield "", ""


def _write_station(sheet: Any, station: StationList, styles: _Styles) -> None:
    places = {name: column for column, name in enumerate(COLUMNS)}
    for column, (name, width) in enumerate(COLUMNS.items()):
        sheet.set_column(column, column, width)
        put(sheet, 0, column, name, styles.head)
    row = 0
    for job, step, item, first in _rows(station):
        row += 1
        cells = list(_cells(job, step, item, first))
        sheet.set_row(row, row_height((COLUMNS[name], text) for name, text, _ in cells))
        for name, text, kind in cells:
            put(sheet, row, places[name], text, styles.cell(kind, first == "job"))
        for name in (ANSWER, WHO, NOTE):
            checked(sheet.write_blank(row, places[name], None, styles.cell("answer", first == "job")))
        checked(sheet.write_blank(row, places[DAY], None, styles.cell("day", first == "job")))
    _validate(sheet, places, row)
    sheet.freeze_panes(1, places["Position"])
    sheet.autofilter(0, 0, row, len(COLUMNS) - 1)
    sheet.repeat_rows(0)
    sheet.set_landscape()
    sheet.set_paper(8)  # A3: the printable list in A4 is worklist.html
    sheet.fit_to_pages(1, 0)
    sheet.set_margins(left=0.4, right=0.4, top=0.6, bottom=0.7)
    sheet.set_header("&L&A&RWork list")
    sheet.set_footer(f"&L{NEVER}&R&P of &N")


def _rows(station: StationList) -> Iterator[tuple[Job, Step, Item, str]]:
    """Each finding, and whether it begins a `job`, begins a `step`, or neither."""
    for job in station.jobs:
        for nth, step in enumerate(job.steps):
            for place, item in enumerate(step.items):
                yield job, step, item, "" if place else "step" if nth else "job"


def _cells(job: Job, step: Step, item: Item, first: str) -> Iterator[tuple[str, str, str]]:
    """Column, text and look of each cell; what a row repeats from the one above it is paler."""
    of_job, of_step = ("cell" if first == "job" else "again"), ("cell" if first else "again")
    yield "Warning", step.warning, "strong" if first else "again"
    yield "Job", str(job.number), "strong" if first == "job" else "again"
    yield "By when", item.by_when, "strong" if item.level == "1" else "cell"
    yield "Level", level_name(item.level), "cell"
    yield "Aircraft", job.aircraft, of_job
    yield "Work order", job.work_order, of_job
    yield "Position", item.position, "cell"
    yield "Boot", item.boot, "cell"
    yield "Record", item.record, "cell"
    wrong = step.title if item.message == f"{step.title}." else f"{step.title}. {item.message}"
    yield "What is wrong", f"{wrong.removesuffix('.')}. {item.meanwhile}" if item.meanwhile else wrong, "cell"
    yield "Corrective action", step.put_right, of_step
    yield "What not to do", leave_alone(item.record), of_step
    yield FINDING, item.finding_id, "again"


def _write_done(sheet: Any, listed: WorkList, styles: _Styles) -> None:
    """What the records show was put right: nobody has to answer for it."""
    for column, (name, width) in enumerate(DONE_COLUMNS.items()):
        sheet.set_column(column, column, width)
        put(sheet, 0, column, name, styles.head)
    for row, one in enumerate(listed.put_right, start=1):
        cells = (one.finding_id, CORRECTED, one.title, one.boot, one.by, one.on)
        sheet.set_row(row, row_height(zip(DONE_COLUMNS.values(), cells, strict=True)))
        for column, text in enumerate(cells):
            put(sheet, row, column, text, styles.cell("cell", False))
    sheet.freeze_panes(1, 0)
    sheet.autofilter(0, 0, len(listed.put_right), len(DONE_COLUMNS) - 1)
    sheet.repeat_rows(0)
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)


def _validate(sheet: Any, places: dict[str, int], last: int) -> None:
    answer, day = places[ANSWER], places[DAY]
    checked(
        sheet.data_validation(
            1,
            answer,
            last,
            answer,
            {
                "validate": "list",
                "source": list(ANSWERS),
                "input_title": "Answer",
                "input_message": "Choose from the list. Then say who answers and on which day. " + NEVER,
                "error_title": "Answer",
                "error_message": f"Choose one of: {', '.join(ANSWERS)}.",
            },
        )
    )
    checked(
        sheet.data_validation(
            1,
            day,
            last,
            day,
            {
                "validate": "date",
                "criteria": ">=",
                "value": datetime(2000, 1, 1),
                "error_title": "Day",
                "error_message": "Write a date, such as 2026-04-30.",
            },
        )
    )


def _write_issued(book: Any, listed: WorkList, names: list[str]) -> None:
    """What the list held when it was made, so that reading it back can tell what was lost or changed."""
    sheet = book.add_worksheet(ISSUED_SHEET)
    sheet.hide()
    for column, text in enumerate((FORMAT, listed.export_name, listed.as_of)):
        put(sheet, 0, column, text)
    for column, text in enumerate(ISSUED_COLUMNS):
        put(sheet, 1, column, text)
    row = 1
    for name, station in zip(names, listed.stations, strict=True):
        for _, _, item, _ in _rows(station):
            row += 1
            for column, text in enumerate((item.finding_id, name, item.at[:10])):
                put(sheet, row, column, text)

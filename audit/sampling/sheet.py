"""The sheet to fill in beside the paper: what it holds, as a workbook and as a page to print."""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import numpy as np
import pandas as pd
import xlsxwriter

from audit.figures import abridged
from audit.intake.export import Export
from audit.intake.tables import TABLES
from audit.report.pages import content_hash, own_text, page_template
from audit.report.rows import texts
from audit.report.visible import fit_for_xml
from audit.report.workbook_cells import LINE, ROW_MARGIN, TALLEST_ROW, checked, put, row_height, sheet_names
from audit.sampling.drawing import Draw, Stratum
from audit.sampling.words import percent

FORMAT: Final = "deicer-audit-paper-sheet/1"
"""The number changes when a reader of the workbook would have to."""
HOW_SHEET: Final = "How to fill in"
ISSUED_SHEET: Final = "Drawn"
RECORD, PAPER, WHAT_DIFFERS, WHO, DAY = "Record", "Paper", "What differs", "Checked by", "On day"
"""Columns of a station's sheet that are read back."""
VALUES: Final = "Values of the record"
LONGEST_VALUE: Final = 500
"""Characters of one value that are shown."""
ISSUED_COLUMNS: Final = ("station", "month", "records", "task_id")

VERDICTS: Final[Mapping[str, str]] = {
    "equal": "Every value of the record is on the paper, and the paper has none that the record lacks.",
    "differs": f"A value is another, or stands on one side only. Say which, and the paper's, under {WHAT_DIFFERS}.",
    "not found": "The paper was looked for and is not there. It counts as differing.",
    "unreadable": "The paper is there and can't be read. It counts as differing.",
}
"""What may stand under Paper, and what it means."""

CAUTION: Final = (
    "The sheet compares two records: it says nothing of the boot. Change neither the paper nor the export to make them "
    "agree; an error is put right by a new, dated entry under your operator's procedure."
)

_WIDTHS: Final = {RECORD: 16, VALUES: 78, PAPER: 13, WHAT_DIFFERS: 38, WHO: 18, DAY: 12}
_HOW_WIDTHS: Final = (26, 92, 12, 12)
_NOT_ON_PAPER: Final = ("task_id",)


@dataclass(frozen=True)
class Value:
    """One value of a record as it is to be looked for on paper."""

    label: str
    text: str


@dataclass(frozen=True)
class Card:
    """One drawn record with its values, in the order of the table's columns; blank ones too, where the export has the
    column: the paper may say what the record doesn't."""

    task_id: str
    values: tuple[Value, ...]


@dataclass(frozen=True)
class Sheet:
    """What is to be compared: the draw, and the cards of each stratum."""

    draw: Draw
    cards: tuple[tuple[Stratum, tuple[Card, ...]], ...]


def sheet_of(draw: Draw, export: Export) -> Sheet:
    """Look up the drawn records. Times are shown by the clock of the record's station, as paper has them."""
    tasks = export.tables["tasks"]
    wanted = [task for stratum in draw.strata for task in stratum.drawn]
    rows = pd.Index(tasks["task_id"]).get_indexer(pd.Index(wanted))
    chosen = tasks.take(rows).reset_index(drop=True)
    shown = {
        column.label: _shown(chosen, name, column.kind, export)
        for name, column in TABLES["tasks"].columns.items()
        if name in chosen and name not in _NOT_ON_PAPER
    }
    unreadable = {
        TABLES["tasks"].columns[name].label: np.isin(rows, there)
        for (table, name), there in export.unreadable.items()
        if table == "tasks" and name in chosen
    }
    cards = []
    for place, task in enumerate(wanted):
        values = (
            Value(
                label, "can't be read in the export" if label in unreadable and unreadable[label][place] else of[place]
            )
            for label, of in shown.items()
        )
        cards.append(Card(task, tuple(values)))
    of_strata, begun = [], 0
    for stratum in draw.strata:
        of_strata.append((stratum, tuple(cards[begun : begun + len(stratum.drawn)])))
        begun += len(stratum.drawn)
    return Sheet(draw, tuple(of_strata))


def _shown(chosen: pd.DataFrame, name: str, kind: str, export: Export) -> list[str]:
    if kind != "time":
        return [text or "blank" for text in texts(chosen[name])]
    stations = export.tables.get("stations")
    zones = {} if stations is None else dict(zip(stations["station"], stations["timezone"], strict=True))
    written = []
    for station, at in zip(chosen["station"], chosen[name], strict=True):
        if pd.isna(at):
            written.append("blank")
        elif station in zones:
            written.append(f"{at.tz_convert(str(zones[station])):%Y-%m-%d %H:%M} local")
        else:
            written.append(f"{at:%Y-%m-%d %H:%M} UTC")
    return written


def page(sheet: Sheet) -> str:
    """Return the sheet as a page to be printed: A4, a stratum begins on a new one."""
    style = own_text("paper_sheet.css")
    return page_template("paper_sheet.html.j2").render(
        sheet=sheet,
        aim=aim_in_words(sheet.draw),
        style=style,
        style_hash=content_hash(style),
        verdicts=VERDICTS,
        caution=CAUTION,
    )


def aim_in_words(draw: Draw) -> str:
    """Say what the draw is meant to show, and when it does."""
    aim = draw.aim
    no_more = "none of them deviates" if not aim.expected else f"no more than {aim.expected:,} of them deviate"
    return (
        f"{draw.drawn:,} of {draw.records:,} records were drawn. If {no_more}, they show with "
        f"{percent(aim.confidence)} confidence that fewer than {aim.too_many(draw.records):,} of all "
        f"({percent(aim.tolerable)}) do."
    )


def workbook(sheet: Sheet) -> bytes:
    """Return the sheet as a workbook to be filled in; the same draw gives the same bytes."""
    buffer = io.BytesIO()
    plain = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    book = xlsxwriter.Workbook(buffer, {"in_memory": True, **plain})
    book.set_properties({"title": "Paper sheet", "created": datetime(2000, 1, 1)})
    names = sheet_names((stratum.name for stratum, _ in sheet.cards), (HOW_SHEET, ISSUED_SHEET))
    looks = _Looks(book)
    _write_how(book.add_worksheet(HOW_SHEET), sheet, names, looks)
    for name, (_, cards) in zip(names, sheet.cards, strict=True):
        _write_cards(book.add_worksheet(name), cards, looks)
    _write_issued(book.add_worksheet(ISSUED_SHEET), sheet.draw)
    book.close()
    return buffer.getvalue()


class _Looks:
    """The looks of cells, made once a workbook."""

    def __init__(self, book: Any) -> None:
        common = {"font_name": "Arial", "font_size": 10, "text_wrap": True, "valign": "top"}
        self.head = book.add_format(
            common | {"bold": True, "bg_color": "#26323F", "font_color": "#FFFFFF", "border": 1}
        )
        self.title = book.add_format(common | {"bold": True, "font_size": 15, "text_wrap": False})
        self.strong = book.add_format(common | {"bold": True})
        self.plain = book.add_format(common)
        line = common | {"bottom": 1, "bottom_color": "#C9CED6"}
        self.cell = book.add_format(line)
        self.record = book.add_format(line | {"bold": True})
        self.answer = book.add_format(line | {"bg_color": "#F6F1DF"})
        self.day = book.add_format(line | {"bg_color": "#F6F1DF", "num_format": "yyyy-mm-dd", "align": "left"})


def _write_how(sheet: Any, made: Sheet, names: Sequence[str], looks: _Looks) -> None:
    sheet.hide_gridlines(2)
    for column, width in enumerate(_HOW_WIDTHS):
        sheet.set_column(column, column, width)
    put(sheet, 0, 0, "Digital records beside the paper", looks.title)
    sheet.set_row(0, 2 * LINE)
    row = 0
    for row, (name, text) in enumerate(_how(made.draw), start=1):
        put(sheet, row, 0, name, looks.strong)
        put(sheet, row, 1, text, looks.plain)
        sheet.set_row(row, row_height(zip(_HOW_WIDTHS, (name, text), strict=False)))
    row += 2
    for column, head in enumerate(("Sheet", "Records of", "All", "Drawn")):
        put(sheet, row, column, head, looks.head)
    for name, (stratum, cards) in zip(names, made.cards, strict=True):
        row += 1
        put(sheet, row, 0, name, looks.plain)
        put(sheet, row, 1, stratum.name, looks.plain)
        checked(sheet.write_number(row, 2, stratum.records, looks.plain))
        checked(sheet.write_number(row, 3, len(cards), looks.plain))
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)


def _how(draw: Draw) -> Iterator[tuple[str, str]]:
    yield "Export", draw.export_name
    yield "Drawn", aim_in_words(draw)
    yield "Seed", draw.seed
    yield "Frame (SHA-256)", draw.frame
    yield "What to do", f"Find the paper of each record and choose one of these under {PAPER}:"
    yield from VERDICTS.items()
    yield "", f"Say who checked it and on which day. Leave the column {RECORD} as it is, and leave no record out."
    yield "Caution", CAUTION
    yield "Then", "deicer-audit sample result SHEET says what was shown."


def _write_cards(sheet: Any, cards: Sequence[Card], looks: _Looks) -> None:
    for column, (name, width) in enumerate(_WIDTHS.items()):
        sheet.set_column(column, column, width)
        put(sheet, 0, column, name, looks.head)
    for row, card in enumerate(cards, start=1):
        lines = [fit_for_xml(abridged(f"{value.label}: {value.text}", LONGEST_VALUE)) for value in card.values]
        put(sheet, row, 0, card.task_id, looks.record)
        checked(sheet.write_string(row, 1, "\n".join(lines), looks.cell))
        for column in (2, 3, 4):
            checked(sheet.write_blank(row, column, None, looks.answer))
        checked(sheet.write_blank(row, 5, None, looks.day))
        height = sum(row_height([(_WIDTHS[VALUES], line)]) - ROW_MARGIN for line in lines) + ROW_MARGIN
        sheet.set_row(row, min(height, TALLEST_ROW))
    choice = {
        "validate": "list",
        "source": list(VERDICTS),
        "error_title": PAPER,
        "error_message": f"Choose one of: {', '.join(VERDICTS)}.",
    }
    checked(sheet.data_validation(1, 2, max(len(cards), 1), 2, choice))
    sheet.freeze_panes(1, 1)
    sheet.repeat_rows(0)
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)
    sheet.set_footer("&L&A&R&P of &N")


def _write_issued(sheet: Any, draw: Draw) -> None:
    """What was drawn, so that reading back can tell what was lost or changed."""
    sheet.hide()
    aim = draw.aim
    head = (FORMAT, draw.export_name, draw.seed, draw.frame, str(aim.tolerable), str(aim.confidence), str(aim.expected))
    for column, text in enumerate(head):
        put(sheet, 0, column, text)
    for column, text in enumerate(ISSUED_COLUMNS):
        put(sheet, 1, column, text)
    row = 1
    for stratum in draw.strata:
        for task in stratum.drawn:
            row += 1
            for column, text in enumerate((stratum.station, stratum.month, str(stratum.records), task)):
                put(sheet, row, column, text)

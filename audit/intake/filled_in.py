"""Workbooks that this tool made and people filled in, read back."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any

from audit.errors import AuditError
from audit.intake.cells import ExportFile
from audit.intake.words import says_nothing
from audit.intake.workbook_parts import look_through
from audit.intake.workbooks import refusing_workbook

_NO_WORKBOOKS = frozenset({".csv", ".tsv", ".txt", ".htm", ".html", ".pdf"})
"""What a spreadsheet also saves a sheet as, the others and the hidden one left out."""


def filled_sheets(path: Path, what: str) -> dict[str, list[list[Any]]]:
    """Return the cells of every sheet, in the workbook's order.

    AuditError, with one sentence, where there is no such file or it is not a workbook; `what` is what it should be.
    """
    from python_calamine import CalamineWorkbook

    if not path.is_file():
        raise AuditError(f"{path}: {f'a folder; give the {what} in it' if path.is_dir() else 'there is no such file'}")
    if path.suffix.lower() in _NO_WORKBOOKS:
        raise AuditError(f"{path.name} is not a workbook: give the {what} as .xlsx, with all its sheets")
    file = ExportFile(path.name, path)
    with refusing_workbook(file):
        look_through(file)
        with CalamineWorkbook.from_path(str(path)) as book:
            return {name: book.get_sheet_by_name(name).to_python(skip_empty_area=False) for name in book.sheet_names}


def rows_under(
    wanted: Sequence[str], path: Path, name: str, rows: Sequence[Sequence[Any]]
) -> Iterator[tuple[int, list[Any]]]:
    """The cells of a sheet's rows under the wanted columns, with the number of each row.

    Nothing of a sheet that has none of them: somebody added it. AuditError where a column is missing or there twice.
    """
    head = [cell_text(cell) for cell in rows[0]] if rows else []
    missing = [column for column in wanted if head.count(column) != 1]
    if len(missing) == len(wanted):
        return
    if missing:
        raise AuditError(
            f"{path.name}, sheet {name}: its first row has to name each of {', '.join(wanted)} once; "
            f"{', '.join(missing)} is missing or there twice"
        )
    places = [head.index(column) for column in wanted]
    for number, row in enumerate(rows[1:], start=2):
        yield number, [row[place] for place in places]


def cell_text(cell: Any) -> str:
    """The text of a cell, without spaces around it."""
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))  # a spreadsheet makes a number of what looks like one
    return str(cell).replace("\u00a0", " ").strip()


def cell_said(cell: Any) -> str:
    """What somebody wrote into a cell; a dash, `n/a` or the like says nothing."""
    text = cell_text(cell)
    return "" if says_nothing(text) else text


def cell_day(cell: Any) -> tuple[date | None, str]:
    """The day in a cell, or else the text that is none."""
    if isinstance(cell, datetime):
        return cell.date(), ""
    if isinstance(cell, date):
        return cell, ""
    text = cell_text(cell)
    try:
        return datetime.fromisoformat(text).date() if text else None, ""
    except ValueError:
        return None, text

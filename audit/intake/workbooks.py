"""Workbooks (XLSX): sheets as they stand, each cell as text or, where it is none, as its value spelled out.

A workbook is looked through before it is given to the reader: see `audit.intake.workbook_parts`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import replace
from fnmatch import fnmatchcase
from functools import lru_cache
from itertools import islice
from threading import Lock
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from audit.errors import AuditError, said_by
from audit.intake.canonical_text import Piece, canonical_text, joined
from audit.intake.cell_faults import Faults
from audit.intake.cells import WORDS, Cells, ExportFile, Footer, Grid, canonical_names, joined_header, match_columns
from audit.intake.csv_files import CANONICAL, Layout, without_footer
from audit.intake.parquet_files import file_source
from audit.intake.refusing import refusing
from audit.intake.tables import Column, Table
from audit.intake.workbook_parts import NO_RESULT, counts_from_1904, look_through, made_fit

MERGED: Final = "blank in a merged area, which has its value in the first cell: unmerge it, and fill in every row"
UNCALCULATED: Final = "a formula without a result: have the workbook calculated, and save it"

_BLOCK: Final = 10_000


def read_workbook(file: ExportFile, table: Table, wanted: Sequence[Column]) -> Cells:
    """Read the wanted columns of the sheet that has the table's name, or of the only one."""
    names: dict[str, str] = {}
    present: set[str] = set()

    def choose(header: Sequence[str]) -> dict[str, Any]:
        names.update(match_columns(header, file.name, table, wanted))
        present.update(canonical_names(header, table))
        return dict.fromkeys(names.values(), pa.string())

    sheets = sheet_names(file)
    named = [name for name in sheets if name.strip().lower() == table.name] or sheets
    if len(named) != 1:
        raise AuditError(f"{file.name} has the sheets {', '.join(sheets)}; one has to be called {table.name}")
    _refuse_other_sheets(file, table, named[0], sheets)
    grid = read_sheet(file, named[0], CANONICAL, choose)
    columns = {name: grid.columns[written] for name, written in names.items()}
    canonical = {written: name for name, written in names.items()}
    faults = tuple(replace(fault, columns=(canonical[fault.columns[0]],)) for fault in grid.faults if len(fault.rows))
    return Cells(
        table,
        grid.file,
        columns,
        grid.rows,
        grid.lines_of,
        source=grid.source,
        present=frozenset(present),
        faults=faults,
    )


def _refuse_other_sheets(file: ExportFile, table: Table, named: str, sheets: Sequence[str]) -> None:
    """AuditError where whoever opens the workbook would take other rows for those of the table: its sheet is hidden and
    others are shown, or one that is called nearly so has its columns, too."""
    from python_calamine import SheetVisibleEnum

    with refusing_workbook(file):
        workbook = _workbook(file)
        shown = [sheet.name for sheet in workbook.sheets_metadata if sheet.visible == SheetVisibleEnum.Visible]
        if shown and named not in shown:
            raise AuditError(f"{file.name}: the sheet {named} is hidden, and {shown[0]} is not; show it, or delete it")
        for name in sheets:
            if name != named and name.strip().lower().startswith(table.name):
                with _one_at_a_time:
                    opened = workbook.get_sheet_by_name(name)
                rows = [row for _, row in islice(_filled(opened, CANONICAL), 1)]
                if rows and set(table.required) <= {str(cell).strip() for cell in rows[0]}:
                    more = f"{file.name} has {table.name} in the sheets {named} and {name}"
                    raise AuditError(f"{more}; leave one, or a mapping reads both (key: sheet)")


def sheet_names(file: ExportFile, pattern: str = "*") -> list[str]:
    """The sheets of a workbook whose name fits a pattern, in their order."""
    with refusing_workbook(file):
        return [name for name in _workbook(file).sheet_names if fnmatchcase(name, pattern)]


def read_sheet(
    file: ExportFile, sheet: str, layout: Layout, choose: Callable[[Sequence[str]], Mapping[str, Any]]
) -> Grid:
    """Read the columns that `choose` picks from the header of a sheet; blank rows are not records."""
    name = f"{file.name}, sheet {sheet}"
    with refusing_workbook(file):
        workbook = _workbook(file)
        with _one_at_a_time:
            opened = workbook.get_sheet_by_name(sheet)
        header = _header(name, opened, layout)
        chosen = choose(header)
        # The reader leaves out the columns before the first that holds anything: its rows begin there.
        first_column = (opened.start or (0, 0))[1]
        places = {each: header.index(each) - first_column for each in chosen}
        skipped = _rows_skipped(opened, layout)
        lines, cells = _spelled_out(islice(_filled(opened, layout), layout.header_rows, None), places)
        source = file_source(file)
    size = without_footer(name, len(lines), layout)
    numbers = np.array(lines, dtype=np.int64)
    cells, unknown = _without_results(cells)
    unread = (*unknown, *_covered(opened, {each: header.index(each) for each in chosen}, cells, numbers))
    below = {each: text.slice(size) for each, (text, _) in cells.items()}
    # Cut first: what stands in the footer is not a word of the column.
    return Grid(
        name,
        {each: _as_type(text.slice(0, size), typed, chosen[each]) for each, (text, typed) in cells.items()},
        size,
        lambda records: numbers[records],
        source=source,
        typed={each: typed[:size] for each, (_, typed) in cells.items() if typed is not None},
        footer=Footer(below, numbers[size:], skipped) if size < len(lines) or skipped else None,
        faults=tuple(replace(fault, rows=fault.rows[fault.rows < size]) for fault in unread),
        since_1904=counts_from_1904(file),
    )


_Columns = Mapping[str, tuple[pa.ChunkedArray, NDArray[np.bool_] | None]]
"""Columns as text, and which of their cells are none by themselves (None: all are text)."""


def _filled(sheet: Any, layout: Layout) -> Iterator[tuple[int, list[Any]]]:
    """The rows below those that the layout skips, with their lines, from 1; blank ones are left out."""
    for line, row in islice(enumerate(sheet.iter_rows(), 1), layout.skip_rows, None):
        if row[0] != "" or any(cell != "" for cell in row):
            yield line, row


def _rows_skipped(sheet: Any, layout: Layout) -> tuple[tuple[int, str], ...]:
    """The rows that are skipped above records without a header: with one, a record among them is missed as that."""
    if layout.header_rows:
        return ()
    above = islice(_filled(sheet, Layout()), layout.skip_rows)
    told = ((line, "; ".join(text for text in canonical_text(row)[0].to_pylist() if text)) for line, row in above)
    return tuple((line, text) for line, text in told if line <= layout.skip_rows)


def _header(name: str, sheet: Any, layout: Layout) -> list[str]:
    """The names in the header: of several rows joined, of none numbered from 1."""
    wanted = max(layout.header_rows, 1)
    blank_columns = [""] * (sheet.start or (0, 0))[1]
    head = [
        [*blank_columns, *(text or "" for text in canonical_text(row)[0].to_pylist())]
        for _, row in islice(_filled(sheet, layout), wanted)
    ]
    if not head:
        raise AuditError(f"{name} is empty; a row must name the columns")
    if len(head) < wanted:
        raise AuditError(f"{name} ends too early")
    return joined_header(head) if layout.header_rows else [str(number) for number, _ in enumerate(head[0], 1)]


def _spelled_out(rows: Iterator[tuple[int, list[Any]]], places: Mapping[str, int]) -> tuple[list[int], _Columns]:
    """The lines of the rows, and the cells at these places of theirs, a block of rows at a time."""
    lines: list[int] = []
    pieces: dict[str, list[Piece]] = {each: [] for each in places}
    while block := list(islice(rows, _BLOCK)):
        lines += [line for line, _ in block]
        columns = list(zip(*(row for _, row in block), strict=True))
        for each, place in places.items():
            # A header may name more columns than any row fills.
            cells = columns[place] if 0 <= place < len(columns) else ("",) * len(block)
            pieces[each].append(canonical_text(cells))
    return lines, {each: joined(parts) for each, parts in pieces.items()}


def _without_results(columns: _Columns) -> tuple[_Columns, list[Faults]]:
    """The columns, blank where a formula has no result, and these cells as faults."""
    found, faults = dict(columns), []
    for each, (text, typed) in columns.items():
        marked = pc.fill_null(pc.equal(text, NO_RESULT), False)
        rows = np.flatnonzero(marked)
        if len(rows):
            found[each] = pc.if_else(marked, pa.scalar(None, pa.string()), text), typed
            faults.append(Faults((each,), rows, UNCALCULATED))
    return found, faults


def _covered(sheet: Any, places: Mapping[str, int], columns: _Columns, lines: NDArray[np.int64]) -> Iterator[Faults]:
    """The blank cells of merged areas whose first cell holds a value: for which rows it is meant is not told."""
    areas = _merged_areas(sheet)
    for each, place in places.items() if areas else ():
        # From the row below the first cell of an area (in its first column, else from its first row) to its end.
        spans = [
            (top + 1 + (left == place), bottom + 2) for (top, left), (bottom, right) in areas if left <= place <= right
        ]
        if spans:
            ends = np.searchsorted(lines, np.array(spans))
            under = np.zeros(len(lines) + 1, dtype=np.int64)
            np.add.at(under, ends[:, 0], 1)
            np.add.at(under, ends[:, 1], -1)
            blank = np.asarray(pc.equal(pc.utf8_trim_whitespace(columns[each][0].fill_null("")), ""))
            yield Faults((each,), np.flatnonzero((np.cumsum(under)[:-1] > 0) & blank), MERGED)


def _merged_areas(sheet: Any) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """The merged areas that hold a value: row and column, from 0, of their first and last cell."""
    areas = sheet.merged_cell_ranges or []
    tops, first_column = {top for (top, _), _ in areas}, (sheet.start or (0, 0))[1]
    rows = {number: row for number, row in enumerate(sheet.iter_rows()) if number in tops} if areas else {}
    return [
        ((top, left), last)
        for (top, left), last in areas
        if top in rows and 0 <= left - first_column < len(rows[top]) and rows[top][left - first_column] != ""
    ]


def _as_type(cells: pa.ChunkedArray, typed: NDArray[np.bool_] | None, wanted: Any) -> pa.ChunkedArray:
    """Word lists only where all is text: a word may be both, `1.5` as a number and as text."""
    return cells.dictionary_encode() if wanted == WORDS and typed is None else cells


def _workbook(file: ExportFile) -> Any:
    """The workbook, opened. The last one stays open: its sheets are often read one after another."""
    stat = file.path.stat()
    with _one_at_a_time:
        return _opened(file, stat.st_mtime_ns, stat.st_size)


_one_at_a_time = Lock()


@lru_cache(maxsize=1)
def _opened(file: ExportFile, _changed_at: int, _size: int) -> Any:
    from python_calamine import CalamineWorkbook

    unfit = look_through(file)
    if unfit:
        return CalamineWorkbook.from_filelike(made_fit(file, unfit))
    return CalamineWorkbook.from_path(str(file.path))


OLD_OR_LOCKED = bytes.fromhex("d0cf11e0a1b11ae1")
"""How a compound file begins (MS-CFB, from memory): what .xls is, and what a workbook with a password is put into."""


def refusing_workbook(file: ExportFile) -> AbstractContextManager[None]:
    """AuditError, naming the file, for whatever goes wrong in reading a workbook."""

    def told(error: BaseException) -> str:
        with file.path.open("rb") as opened:
            begins = opened.read(len(OLD_OR_LOCKED))
        if not begins:
            return "is empty"
        if begins == OLD_OR_LOCKED:
            return "is protected by a password, or of the old format: save it as .xlsx without one"
        return f"can't be read as a workbook: {said_by(error)}"

    return refusing(file.name, told=told)

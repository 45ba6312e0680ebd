"""A sample of what a foreign export holds: tables with the first of their rows, for drafting a mapping."""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import PurePosixPath
from typing import Any, Final

import pyarrow as pa

from audit.errors import AuditError
from audit.intake.cells import ExportFile
from audit.intake.csv_files import LARGEST_CELL, Layout
from audit.intake.databases import open_database
from audit.intake.files import list_files
from audit.intake.location import Location
from audit.intake.parquet_files import read_parquet_grid, typed_as_text
from audit.intake.refusing import refusing
from audit.intake.workbooks import read_sheet, sheet_names

ROWS: Final = 2000
"""Rows that are looked at: enough to tell formats apart, quick with any export."""

_HEAD: Final = 1 << 20
_SEPARATORS: Final = (",", ";", "\t", "|")
_TOP: Final = 30


@dataclass(frozen=True)
class TableSample:
    """One table of an export: its name, the keys of a feed that say where and how it is read, its first cells.

    `typed` are the columns in which some cells are not text by themselves.
    """

    name: str
    keys: Mapping[str, Any]
    columns: Mapping[str, Sequence[str]]
    typed: frozenset[str]


def sample_tables(export: Location) -> tuple[list[TableSample], list[str]]:
    """The tables of an export, and what can't be read as one, each with the reason."""
    found: list[TableSample] = []
    refused: list[str] = []
    if isinstance(export, str):
        with open_database(export) as database:
            for name in database.tables:
                if "." not in name:
                    grid = database.read_table(name, lambda header: dict.fromkeys(header, pa.string()), at_most=ROWS)
                    found.append(TableSample(name, {"table": name}, _cells(grid.columns), frozenset(grid.typed)))
        return found, refused
    for file in list_files(export, below=True):
        try:
            with refusing(file.name):
                found += _tables(file)
        except AuditError as error:
            refused.append(f"{file.name}: {str(error).removeprefix(f'{file.name} ')}")
    return found, refused


def _tables(file: ExportFile) -> Iterator[TableSample]:
    path = PurePosixPath(file.name)
    match path.suffix.lower():
        case ".csv" | ".tsv" | ".txt":
            yield _text(file, path.stem)
        case ".parquet":
            grid = read_parquet_grid(file, lambda header: dict.fromkeys(header, pa.string()))
            columns = {name: cells.slice(0, ROWS) for name, cells in grid.columns.items()}
            typed = frozenset(name for name, cells in columns.items() if not pa.types.is_string(cells.type))
            yield TableSample(path.stem, {"files": file.name}, _cells(columns), typed)
        case ".xlsx" | ".xlsm":
            names = sheet_names(file)
            for sheet in names:
                if skip := _rows_above(file, sheet):
                    yield _sheet(file, sheet, skip - 1, alone=len(names) == 1)
        case _:
            raise AuditError("neither text (.csv, .tsv, .txt) nor a workbook (.xlsx, .xlsm) nor Parquet")


def _sheet(file: ExportFile, sheet: str, skip: int, *, alone: bool) -> TableSample:
    layout = Layout(skip_rows=skip)
    grid = read_sheet(file, sheet, layout, lambda header: {name: pa.string() for name in header if name})
    keys: dict[str, Any] = {"files": file.name, **({} if alone else {"sheet": sheet})}
    columns = {name: cells.slice(0, ROWS) for name, cells in grid.columns.items()}
    return TableSample(sheet, {**keys, **({"skip_rows": skip} if skip else {})}, _cells(columns), frozenset(grid.typed))


def _rows_above(file: ExportFile, sheet: str) -> int:
    """The row of the header, from 1: the first of those at the top that has most cells. 0 where there is none."""
    try:
        grid = read_sheet(file, sheet, Layout(header_rows=0), lambda header: dict.fromkeys(header, pa.string()))
    except AuditError:
        return 0
    top = list(islice(zip(*(cells.slice(0, _TOP).to_pylist() for cells in grid.columns.values()), strict=True), _TOP))
    filled = [sum(cell not in ("", None) for cell in row) for row in top]
    return int(grid.lines_of(_first(filled))[0]) if filled else 0


def _first(filled: Sequence[int]) -> Any:
    import numpy as np

    return np.array([filled.index(max(filled))])


def _text(file: ExportFile, name: str) -> TableSample:
    with file.path.open("rb") as opened:
        head = opened.read(_HEAD)
    encoding = _encoding(head)
    text = codecs.getincrementaldecoder(encoding)("replace").decode(head).removeprefix("\ufeff")
    lines = text.splitlines()[:_TOP]
    if not lines:
        raise AuditError("empty")
    separator = max(_SEPARATORS, key=lambda sign: max(line.count(sign) for line in lines))
    csv.field_size_limit(LARGEST_CELL)
    filled = [sum(bool(cell.strip()) for cell in row) for row in csv.reader(lines, delimiter=separator)]
    # A title stands alone in its row, whatever separators follow it.
    skip = next(number for number, cells in enumerate(filled) if 2 * cells > max(filled) or cells == max(filled))
    stream = io.StringIO(text, newline="")
    for _ in range(skip):
        stream.readline()
    rows = list(islice((row for row in csv.reader(stream, delimiter=separator) if row), ROWS + 1))
    if len(head) == _HEAD:
        rows = rows[:-1]  # the last one was cut off
    header = rows[0] if rows else []
    keys: dict[str, Any] = {"files": file.name}
    keys |= {"encoding": encoding} if encoding != "utf-8" else {}
    keys |= {"separator": separator} if separator != "," else {}
    keys |= {"skip_rows": skip} if skip else {}
    columns = {
        column: [row[place] if place < len(row) else "" for row in rows[1:]]
        for place, column in enumerate(header)
        if column.strip()
    }
    return TableSample(name, keys, columns, frozenset())


def _encoding(head: bytes) -> str:
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def _cells(columns: Mapping[str, pa.ChunkedArray]) -> dict[str, list[str]]:
    texts = {
        name: cells if pa.types.is_string(cells.type) else typed_as_text(cells)
        for name, cells in columns.items()
        if not pa.types.is_nested(cells.type)
    }
    return {name: [cell or "" for cell in cells.to_pylist()] for name, cells in texts.items()}

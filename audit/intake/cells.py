"""What an export file says, cell by cell, before anything is believed."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from audit.errors import AuditError
from audit.intake.cell_faults import Faults
from audit.intake.export import InputFile
from audit.intake.location import BY_A_MAPPING
from audit.intake.tables import Column, Kind, Table

WORDS: Final = pa.dictionary(pa.int32(), pa.string())
"""Cells as codes into a word list: where values repeat, memory stays low and each value is parsed once."""

PLAIN_KINDS: Final[frozenset[Kind]] = frozenset({"id", "text", "time"})
"""Kinds with nearly as many values as rows, which a word list wouldn't help."""


@dataclass(frozen=True)
class Ragged:
    """A row that doesn't have the cells its header names; `record` counts the rows below the header from 0."""

    record: int
    text: str
    reason: str


@dataclass(frozen=True)
class ExportFile:
    """A file of the export: its name in there, and where it can be read as long as `keep` lives."""

    name: str
    path: Path
    keep: object = None


Liner = Callable[[NDArray[np.intp]], NDArray[np.int64]]
"""Turns record numbers (ragged ones counted too, the first is 0) into lines of a file."""


@dataclass(frozen=True)
class Footer:
    """Rows below the records: the columns that are read of them, their lines, and lines and texts of torn ones, and of
    those that are skipped above records without a header."""

    columns: Mapping[str, pa.ChunkedArray]
    lines: NDArray[np.int64]
    torn: tuple[tuple[int, str], ...] = ()

    @property
    def rows(self) -> int:
        """How many there are."""
        return len(self.lines) + len(self.torn)


@dataclass(frozen=True)
class Grid:
    """Rows and columns as they stand in a file, a sheet or a database table, under the names they have there.

    `typed` marks, by column, the cells that are not text there but a number, date, time or truth value, spelled out as
    canonical text. A column without an entry has text only, or, as an Arrow column of another type, none. `footer` are
    the rows below them that a mapping takes for no records. `faults` are the cells that may hold a value there, and are
    blank here. `since_1904`: it is of a workbook that counts its days from 1904.
    """

    file: str
    columns: Mapping[str, pa.ChunkedArray]
    rows: int
    lines_of: Liner
    ragged: tuple[Ragged, ...] = ()
    source: InputFile | None = None
    typed: Mapping[str, NDArray[np.bool_]] = field(default_factory=dict)
    footer: Footer | None = None
    faults: tuple[Faults, ...] = ()
    since_1904: bool = False


@dataclass(frozen=True)
class Translated:
    """What a mapping made of foreign cells, beside the cells themselves: by canonical column.

    `written` holds the columns that each came from, with their names; `zones` the time zone, or the column of stations,
    by whose clock a naive time is read; `not_before` the time that another can't precede. `kept` numbers the rows that
    the mapping's `only` takes, where there is one, and `left_out` counts those that it doesn't. `places` say where in
    the mapping each column stands. `dropped` are the rows below the records that it takes for a footer: line and text.
    `entries` reads values as those of a column are written, into canonical text.
    """

    written: Mapping[str, Mapping[str, pa.ChunkedArray]]
    zones: Mapping[str, str]
    not_before: Mapping[str, str]
    kept: NDArray[np.intp] | None = None
    left_out: int = 0
    places: Mapping[str, str] = field(default_factory=dict)
    dropped: tuple[tuple[int, str], ...] = ()
    entries: Callable[[str, Sequence[str]], Sequence[str]] | None = None


@dataclass(frozen=True)
class Cells:
    """The rows of one canonical table as they stand in one file.

    `columns` maps canonical names to Arrow columns of `rows` cells: strings, `WORDS`, or the numbers, dates and times
    of a Parquet file. `translated` is there where a mapping named them so. `present` names the canonical columns that
    the file has, those that nobody requested too. `faults` are the cells that couldn't be read, or translated.
    """

    table: Table
    file: str
    columns: Mapping[str, pa.ChunkedArray]
    rows: int
    lines_of: Liner
    ragged: tuple[Ragged, ...] = ()
    source: InputFile | None = None
    translated: Translated | None = None
    present: frozenset[str] = frozenset()
    faults: tuple[Faults, ...] = ()

    @property
    def origin(self) -> Origin:
        """Where the rows stand, without the cells themselves: it may outlive them."""
        skipped = np.array([bad.record for bad in self.ragged], dtype=np.int64)
        return Origin(self.file, self.lines_of, skipped, self.translated.kept if self.translated else None)

    def lines(self, rows: NDArray[np.intp]) -> NDArray[np.int64]:
        """Line numbers in the file (in Parquet: row numbers), from 1, of rows that were read."""
        return self.origin.lines(rows)

    def as_written(self, column: str, rows: NDArray[np.intp]) -> tuple[str, pa.ChunkedArray]:
        """The name that a column has in the file, and the text of its cells there; several, where it was joined."""
        written = self.translated.written[column] if self.translated else {column: self.columns[column]}
        cells = [each.take(pa.array(rows)).cast(pa.string()).fill_null("") for each in written.values()]
        return "; ".join(written), pc.binary_join_element_wise(*cells, "; ") if cells else pa.chunked_array(
            [pa.repeat("", len(rows))]
        )


@dataclass(frozen=True)
class Origin:
    """Where the rows of a table stand: `skipped` are the numbers of the ragged records, `kept` as in Translated."""

    file: str
    lines_of: Liner
    skipped: NDArray[np.int64]
    kept: NDArray[np.intp] | None = None

    def lines(self, rows: NDArray[np.intp]) -> NDArray[np.int64]:
        """Line numbers in the file (in Parquet: row numbers), from 1, of rows that were read."""
        if self.kept is not None:
            rows = self.kept[rows]
        # The k-th ragged record has `record - k` readable rows before it.
        before = np.searchsorted(self.skipped - np.arange(len(self.skipped)), rows, side="right")
        return self.lines_of(rows + before)


def match_columns(names: Sequence[str], file: str, table: Table, wanted: Sequence[Column]) -> dict[str, str]:
    """The wanted columns that the file has: canonical name -> name as written there (white space around it is ignored).

    `canonical_names` tells which others are there.

    AuditError for a canonical column that is there twice, required and missing, or written in another way (`Lot`).
    Other columns are none of the audit's business.
    """
    written: dict[str, str] = {}
    for name in names:
        known = name.strip()
        if known in table.columns and known in written:
            raise AuditError(f"{file} has the column `{known}` twice; leave one there")
        written[known] = name
    unknown = [name for name in written if name not in table.columns]
    for name in unknown:
        meant = re.sub(r"[\W_]+", "_", name.casefold())
        if meant in table.columns and meant not in written:
            raise AuditError(f"{file} has a column `{name}`; it has to be written `{meant}`")
    missing = [name for name in table.required if name not in written]
    if missing:
        raise AuditError(f"{file} lacks {_missing(missing, unknown)}")
    return {column.name: written[column.name] for column in wanted if column.name in written}


def canonical_names(names: Sequence[str], table: Table) -> frozenset[str]:
    """The columns of a canonical table among the names of a header."""
    return frozenset(name.strip() for name in names) & frozenset(table.columns)


def _missing(missing: Sequence[str], unknown: Sequence[str]) -> str:
    listed = ", ".join(f"`{name}`" for name in missing)
    sentence = f"the required column{'s' if len(missing) > 1 else ''} {listed}"
    for name in missing:
        if near := difflib.get_close_matches(name, unknown, n=1):
            sentence += f"; is `{near[0]}` meant to be `{name}`?"
    if len(unknown) == 1 and re.search(r"[;\t|]", unknown[0]):
        return f"{sentence}; its cells have to be separated by commas, or a mapping has to say by what"
    return sentence if len(missing) == 1 else f"{sentence}; {BY_A_MAPPING}"


def joined_header(rows: Sequence[Sequence[str]]) -> list[str]:
    """One name a column from the rows of a header; above the last row a blank cell belongs to the one on its left."""
    width = max(map(len, rows))
    parts: list[list[str]] = [[] for _ in range(width)]
    for number, row in enumerate(rows):
        left = ""
        for column in range(width):
            cell = " ".join(row[column].split()) if column < len(row) else ""
            if number < len(rows) - 1:
                left = cell = cell or left
            if cell and cell not in parts[column][-1:]:
                parts[column].append(cell)
    return [" ".join(part) for part in parts] if len(rows) > 1 else list(rows[0])

"""What an export file says, cell by cell, before anything is believed."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from audit.errors import AuditError
from audit.intake.export import Source
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
class Cells:
    """One table as it stands in its file.

    `columns` maps canonical names to Arrow columns of `rows` cells: strings, `WORDS`, or the numbers, dates and times
    of a Parquet file. `lines_of` turns record numbers (ragged ones counted too, the first is 0) into lines of the file.
    """

    table: Table
    file: str
    columns: Mapping[str, pa.ChunkedArray]
    rows: int
    lines_of: Callable[[NDArray[np.intp]], NDArray[np.int64]]
    ragged: tuple[Ragged, ...] = ()
    source: Source | None = None

    @property
    def origin(self) -> Origin:
        """Where the rows stand, without the cells themselves: it may outlive them."""
        return Origin(self.file, self.lines_of, np.array([bad.record for bad in self.ragged], dtype=np.int64))

    def lines(self, rows: NDArray[np.intp]) -> NDArray[np.int64]:
        """Line numbers in the file (in Parquet: row numbers), from 1, of rows that were read."""
        return self.origin.lines(rows)


@dataclass(frozen=True)
class Origin:
    """Where the rows of a table stand: `lines_of` as in Cells, `skipped` the numbers of the ragged records."""

    file: str
    lines_of: Callable[[NDArray[np.intp]], NDArray[np.int64]]
    skipped: NDArray[np.int64]

    def lines(self, rows: NDArray[np.intp]) -> NDArray[np.int64]:
        """Line numbers in the file (in Parquet: row numbers), from 1, of rows that were read."""
        # The k-th ragged record has `record - k` readable rows before it.
        before = np.searchsorted(self.skipped - np.arange(len(self.skipped)), rows, side="right")
        return self.lines_of(rows + before)


def match_columns(names: Sequence[str], file: str, table: Table, wanted: Sequence[Column]) -> dict[str, str]:
    """The wanted columns that the file has: canonical name -> name as written there (white space around it is ignored).

    AuditError for a canonical column that is there twice, is needed and missing, or is written in another way (`Lot`).
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
    missing = [name for name in table.needed if name not in written]
    if missing:
        raise AuditError(f"{file} lacks {_missing(missing, unknown)}")
    return {column.name: written[column.name] for column in wanted if column.name in written}


def _missing(missing: Sequence[str], unknown: Sequence[str]) -> str:
    listed = ", ".join(f"`{name}`" for name in missing)
    sentence = f"the needed column{'s' if len(missing) > 1 else ''} {listed}"
    for name in missing:
        if near := difflib.get_close_matches(name, unknown, n=1):
            sentence += f"; is `{near[0]}` meant to be `{name}`?"
    if len(unknown) == 1 and re.search(r"[;\t|]", unknown[0]):
        sentence += "; its cells have to be separated by commas"
    return sentence

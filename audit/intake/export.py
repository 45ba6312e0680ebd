"""What intake hands on: typed tables, every row accounted for."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd


@dataclass(frozen=True)
class RowCount:
    """Rows of one table: read = audited + quarantined, always."""

    read: int
    audited: int
    quarantined: int


@dataclass(frozen=True)
class Source:
    """One input file: its name inside the export, its SHA-256 (hexadecimal) and its size in bytes."""

    name: str
    sha256: str
    size: int


@dataclass(frozen=True)
class FileRows:
    """Rows of one table that one file gave: those read, and those of them that are audited.

    `rejects` is what quarantine.csv says of the others. The file has `left_out` more, which the mapping's `only` leaves
    out of this table. Several feeds of a mapping may take their rows from one file.
    """

    file: str
    read: int
    audited: int
    rejects: pd.DataFrame = field(compare=False, repr=False)
    left_out: int = 0


@dataclass(frozen=True)
class Export:
    """The typed, audited rows of an export.

    `tables` holds a frame for every table that was supplied (an absent table has no entry), on a RangeIndex, in file
    order. Dtypes by column kind: id and text `str`; code, choice and codes `category`; time `datetime64[us, UTC]`;
    date `datetime64[s]`; number `float64`; count `Int64`. Columns that the export lacks, or that nobody asked for
    (free text only), are absent.
    `later` lists the ambiguous task times: columns row (position in the tasks frame), column, later (the later of the
    two instants; the tasks frame holds the earlier).
    `rejects` has the columns of quarantine.csv: table, file, line, column, value, reason.
    `counts` has one RowCount a table supplied, `files` the rows of each of its files, in the order in which they stand
    in the table. `origins` finds out, by table, where its rows stand: see `places`.
    """

    tables: Mapping[str, pd.DataFrame]
    later: pd.DataFrame
    rejects: pd.DataFrame
    counts: Mapping[str, RowCount]
    files: Mapping[str, tuple[FileRows, ...]]
    sources: tuple[Source, ...]
    origins: Mapping[str, Callable[[npt.NDArray[np.integer[Any]]], pd.DataFrame]]

    def places(self, table: str, rows: npt.NDArray[np.integer[Any]]) -> pd.DataFrame:
        """Return in which file, and on which line of it, rows of an audited table stand: columns file, line.

        Lines count from 1 (in Parquet: rows). A CSV file may have to be read again for this, so ask once for all rows.
        """
        return self.origins[table](rows)

"""What intake hands on: typed tables, every row accounted for."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from audit.intake.tables import TABLES

Rows = npt.NDArray[np.integer[Any]]

NEAR_NAME_COLUMNS: Final = ("kind", "table", "column", "name", "other_table", "other_column", "other_name")


_FEWEST: Final = 10
"""Fewer contradictions may be slips of the pen."""
_TIMES_FEWER: Final = 5
_OFTEN: Final = 0.1


def _far_fewer(as_utc: int, by_station: int) -> bool:
    return as_utc >= _FEWEST and by_station * _TIMES_FEWER <= as_utc


@dataclass(frozen=True)
class FlightClock:
    """How many of the task `records` lie within a flight of their aircraft, as a whole or for a quarter of an hour, and
    how many flights land before they take off: as the times are read (`inside`, `backwards`), and by the clocks of
    origin and destination."""

    records: int
    inside: int
    backwards: int
    inside_by_station: int
    backwards_by_station: int

    @property
    def contradictions(self) -> int:
        """How many there are as the times are read."""
        return self.inside + self.backwards

    @property
    def doubtful(self) -> bool:
        """Whether there are many, and by the clocks of the stations far fewer."""
        return _far_fewer(self.contradictions, self.inside_by_station + self.backwards_by_station)

    @property
    def refuted(self) -> bool:
        """Whether it is sure: by flights that land before takeoff alone, or by a tenth of all task records."""
        often = self.inside >= _OFTEN * self.records
        return _far_fewer(self.backwards, self.backwards_by_station) or (self.doubtful and often)

    def __str__(self) -> str:
        return (
            f"read as UTC, {self.inside:,} task records are of work in flight and {self.backwards:,} flights land "
            f"before takeoff; by the clocks of the stations {self.inside_by_station:,} "
            f"and {self.backwards_by_station:,}"
        )


def renumbered(rows: Rows, among: Rows) -> Rows:
    """The places that row numbers have among others (in order); those that aren't among them are left out."""
    if not len(among):
        return np.empty(0, dtype=np.intp)
    place = np.minimum(np.searchsorted(among, rows), len(among) - 1)
    return np.asarray(place[among[place] == rows])


def later_among(later: pd.DataFrame, rows: Rows) -> pd.DataFrame:
    """The later instants of ambiguous times (`Export.later`) that some rows have, by their places among these."""
    kept = later[later["row"].isin(rows)] if len(later) else later
    return kept.assign(row=np.searchsorted(rows, kept["row"])).reset_index(drop=True)


@dataclass(frozen=True)
class RowCount:
    """Rows of one table: read = audited + quarantined, always."""

    read: int
    audited: int
    quarantined: int


@dataclass(frozen=True)
class InputFile:
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
    """The typed, audited rows of an export, and what is in doubt about it.

    Task records are as corrected.
    """

    tables: Mapping[str, pd.DataFrame]
    """A frame for every table that was supplied (an absent table has no entry), on a RangeIndex, in file order. Dtypes
    by column kind: id and text `str`; code, choice and codes `category`; time `datetime64[us, UTC]`; date
    `datetime64[s]`; number `float64`; count `Int64`. Columns that the export lacks, or that nobody requested (free text
    only), are absent. Words of the trade (`Column.words`) and closed lists are in canonical text
    (`audit.intake.words.canonical`); what is compared with them has to be, too. Names of people that are equal but for
    case, spaces and Unicode form are written alike in all tables."""
    later: pd.DataFrame
    """The ambiguous task times: columns row (position in the tasks frame), column, later (the later of the two
    instants; the tasks frame holds the earlier)."""
    rejects: pd.DataFrame
    """Columns of quarantine.csv: table, file, line, column, value, reason."""
    counts: Mapping[str, RowCount]
    """By table supplied."""
    files: Mapping[str, tuple[FileRows, ...]]
    """The rows of each file of a table, in the order in which they stand in the table."""
    sources: tuple[InputFile, ...]
    origins: Mapping[str, Callable[[Rows], pd.DataFrame]]
    """By table, what finds out where its rows stand: see `places`."""
    faults: pd.DataFrame
    """Columns as `rejects`: cells that can't be believed in rows that are audited all the same, because the cell isn't
    required: it is a missing value there."""
    unreadable: Mapping[tuple[str, str], Rows]
    """By (table, column), the numbers of the audited rows in which the value is missing though there may be one: its
    cell is among `faults`, or the row comes from a file that lacks the column, while another has it. What a blank cell
    stands for (status: closed; cycles: 1; removed_at: still installed) holds for none of them."""
    set_aside: Mapping[str, pd.DataFrame]
    """By table, the rows in quarantine that may be evidence all the same, with the columns of `tables`. A missing value
    there may be any. Of a row with too few or too many cells only the aircraft is known, and that only where one of its
    cells names one. Left out are rows blank in every required column, duplicates, and rows whose key and required cells
    an audited row has too (where the other cells differ, these are `unreadable` there). Of a key that was exported with
    two contents both rows are here. An ambiguous time is the earlier of its two instants."""
    date_only: Mapping[tuple[str, str], Rows]
    """By (table, column), the numbers of the audited rows whose time (of components) was written as a day alone: the
    frame has its midnight."""
    listed_twice: Rows
    """The numbers of the audited flights that have the aircraft, takeoff and landing of an earlier one under another
    flight_id: perhaps they are one flight."""
    contradicted_hours: Rows
    """The numbers of the audited flights whose flight_hours are longer than from takeoff to landing, or next to nothing
    of it (75 for 1 h 15 min, 0 for ten hours): the frame has them as they were written."""
    several_names: Mapping[tuple[str, str], Rows]
    """By (table, column), the numbers of the audited rows in which one cell names several people."""
    columns: Mapping[str, frozenset[str]]
    """By table, the canonical columns that the export has, free text that nobody requested too; a column is among them
    where at least one file of the table has it."""
    near_names: pd.DataFrame
    """Columns NEAR_NAME_COLUMNS: the names of one table that another doesn't know, while it knows one that is nearly
    equal, with their kind (aircraft, person, ...: `audit.intake.tables.NAMES`). Where each of two tables lacks the
    other's name there is a row for either."""
    dropped: pd.DataFrame
    """Columns as `rejects`: the rows above or below the records that a mapping leaves out."""
    flight_clock: FlightClock | None = None
    """What speaks against reading flight times that carry no zone as UTC; None where nothing can."""
    beside: tuple[str, ...] = ()
    """The files that are called nearly as a table is, and were not read."""
    correction_states: npt.NDArray[np.object_] | None = None
    """What each row of `corrections` is to its record: CORRECTION_STATES, or unclear."""
    as_first_made: Callable[[], Export] | None = None
    """Makes the export with the entries as they were first made; None where no correction changed one."""

    @property
    def unread_columns(self) -> Mapping[str, frozenset[str]]:
        """The columns of each table that the export has and that nobody requested."""
        return {name: there - set(self.tables[name]) for name, there in self.columns.items()}

    def ids_set_aside(self, table: str) -> frozenset[str]:
        """The ids of a table's rows in quarantine, as far as they can be read; of a table whose key is one column."""
        (name,) = TABLES[table].key
        return frozenset(self.set_aside[table][name].dropna() if table in self.set_aside else ())

    def places(self, table: str, rows: Rows) -> pd.DataFrame:
        """Return in which file, and on which line of it, rows of an audited table stand: columns file, line.

        Lines count from 1 (in Parquet: rows). A CSV file may have to be read again for this, so ask once for all rows.
        """
        return self.origins[table](rows)

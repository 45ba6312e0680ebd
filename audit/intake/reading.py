"""The way through intake: find the files, read, parse, place in time, check, count."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from audit.errors import AuditError, InternalError
from audit.intake.cells import Cells, Origin, match_columns
from audit.intake.clocks import is_zone, no_later, to_utc
from audit.intake.contracts import breaches
from audit.intake.duplicates import repeats
from audit.intake.export import Export, RowCount, Source
from audit.intake.files import find_files, read_file
from audit.intake.parsing import Parsed, parse
from audit.intake.quarantine import Faults, list_rejects, no_rejects
from audit.intake.tables import TABLES, Table

MANY_ROWS: Final = 100_000
"""From here on threads save more time than they cost."""

_NOTHING_MORE: Final[Mapping[str, Collection[str]]] = {}


@dataclass(frozen=True)
class _Settled:
    """One table, every row accounted for."""

    frame: pd.DataFrame
    later: pd.DataFrame
    rejects: pd.DataFrame
    count: RowCount
    source: Source | None
    origin: Origin
    rows: NDArray[np.intp]
    """What the audited rows were numbered as they were read."""

    def places(self, audited: NDArray[np.integer[Any]]) -> pd.DataFrame:
        lines = self.origin.lines(self.rows[audited])
        return pd.DataFrame({"file": pd.Series(self.origin.file, index=range(len(lines)), dtype="str"), "line": lines})


def read_export(folder: Path, text_columns: Mapping[str, Collection[str]] = _NOTHING_MORE) -> Export:
    """Read an export folder.

    `text_columns` names the free-text columns that are wanted, by table. All other canonical columns are
    read in any case, so that what is quarantined never depends on what was asked for. AuditError, naming
    the file and the place, if the folder or a whole file can't be read.
    """

    def opener(name: str, path: Path) -> Callable[[], Cells]:
        table, texts = TABLES[name], text_columns.get(name, ())
        wanted = [c for c in table.columns.values() if c.kind != "text" or c.name in texts]
        return lambda: read_file(path, table, wanted)

    return _read(folder, {name: opener(name, path) for name, path in find_files(folder).items()})


def read_rows(tables: Mapping[str, Sequence[Mapping[str, str]]]) -> Export:
    """Read rows given as text, as if each table were a file; `file` is the table's name, `line` counts from 1."""

    def opener(name: str) -> Callable[[], Cells]:
        return lambda: _cells_of(TABLES[name], tables[name])

    if unknown := sorted(set(tables) - set(TABLES)):
        raise AuditError(f"no such table: {', '.join(unknown)}; there are {', '.join(TABLES)}")
    return _read(Path(), {name: opener(name) for name in TABLES if name in tables}, side_by_side=1)


def _cells_of(table: Table, rows: Sequence[Mapping[str, str]]) -> Cells:
    names = list(dict.fromkeys(name for row in rows for name in row)) if rows else list(table.columns)
    written = match_columns(names, table.name, table, list(table.columns.values()))
    return Cells(
        table=table,
        file=table.name,
        columns={
            name: pa.chunked_array([pa.array([row.get(there, "") for row in rows], pa.string())])
            for name, there in written.items()
        },
        rows=len(rows),
        lines_of=lambda records: records + 1,
    )


def _read(folder: Path, openers: Mapping[str, Callable[[], Cells]], side_by_side: int = 2) -> Export:
    settled: dict[str, _Settled] = {}
    if "stations" in openers:  # First: the clocks of the other tables are read by them.
        settled["stations"] = _settle(openers["stations"](), {})
    zones = _zones(settled["stations"].frame) if settled else {}
    others = [name for name in openers if name != "stations"]
    # The two large tables side by side; Arrow uses the other cores within a table.
    with ThreadPoolExecutor(side_by_side) as pool:
        read = pool.map(lambda name: _settle(openers[name](), zones), others)
        settled.update(zip(others, read, strict=True))
    in_order = {name: settled[name] for name in openers}
    return Export(
        folder=folder,
        tables={name: table.frame for name, table in in_order.items()},
        later=in_order["tasks"].later if "tasks" in in_order else no_later(),
        rejects=pd.concat([no_rejects(), *(table.rejects for table in in_order.values())], ignore_index=True),
        counts={name: table.count for name, table in in_order.items()},
        sources=tuple(table.source for table in in_order.values() if table.source),
        origins={name: table.places for name, table in in_order.items()},
    )


def _zones(stations: pd.DataFrame) -> dict[str, str]:
    return dict(zip(stations["station"], stations["timezone"], strict=True))


def _settle(cells: Cells, zones: Mapping[str, str]) -> _Settled:
    """Type, place in time and check the rows of one table; sort out those that can't be believed."""
    table = cells.table
    parsed = _parse(cells)
    found = [fault for column in parsed.values() for fault in column.faults]
    values = {name: column.values for name, column in parsed.items()}
    later = no_later()
    if table.name == "tasks":  # Naive times of the other tables are UTC.
        clocked = to_utc(
            {name: column for name, column in parsed.items() if column.wall is not None},
            values["station"],
            zones,
        )
        values |= clocked.instants
        later = clocked.later
        found += clocked.faults
    if table.name == "stations":
        found.append(_unknown_zones(values["timezone"]))
    frame, rows, faults = _drop(_frame(values, table), np.arange(cells.rows), found)
    frame, rows, broken = _drop(frame, rows, breaches(table, frame))
    frame, rows, repeated = _drop(frame, rows, _repeats(table, frame))
    rejects = list_rejects(cells, faults + broken + repeated)
    count = RowCount(
        read=cells.rows + len(cells.ragged),
        audited=len(frame),
        quarantined=rejects["line"].nunique(),
    )
    if count.read != count.audited + count.quarantined:
        raise InternalError(
            f"{cells.file}: {count.read} rows read, but {count.audited} audited and {count.quarantined} quarantined"
        )
    return _Settled(_tidy(frame, table), _renumber(later, rows), rejects, count, cells.source, cells.origin, rows)


def _parse(cells: Cells) -> dict[str, Parsed]:
    def parsed(name: str) -> Parsed:
        day_alone = cells.table.name == "components"
        return parse(cells.columns[name], cells.table.columns[name], day_alone=day_alone)

    if cells.rows < MANY_ROWS:
        return {name: parsed(name) for name in cells.columns}
    with ThreadPoolExecutor() as pool:
        return dict(zip(cells.columns, pool.map(parsed, cells.columns), strict=True))


def _frame(values: Mapping[str, object], table: Table) -> pd.DataFrame:
    columns = {}
    for name, column in table.columns.items():
        if name in values:
            series = pd.Series(values[name], copy=False)
            columns[name] = series.dt.tz_localize("UTC") if column.kind == "time" else series
    return pd.DataFrame(columns, copy=False)


def _unknown_zones(names: pd.Categorical) -> Faults:
    unknown = [not is_zone(name) for name in names.categories]
    rows = np.flatnonzero(np.array([*unknown, False])[names.codes])
    return Faults(("timezone",), rows, "not a time zone of the IANA database")


def _repeats(table: Table, frame: pd.DataFrame) -> list[Faults]:
    rows, first = repeats(frame, table.key)
    return [Faults(table.key, rows, "duplicate of line", first)]


def _drop(
    frame: pd.DataFrame, rows: NDArray[np.intp], found: Sequence[Faults]
) -> tuple[pd.DataFrame, NDArray[np.intp], list[Faults]]:
    """The frame without the rows at fault, and what is left of `rows`, their numbers in the file.

    The faults come back with their rows numbered as in the file.
    """
    sound = np.ones(len(frame), dtype=bool)
    for fault in found:
        sound[fault.rows] = False
    in_file = [
        replace(
            fault,
            rows=rows[fault.rows],
            first=None if fault.first is None else rows[fault.first],
        )
        for fault in found
    ]
    if sound.all():
        return frame, rows, in_file
    return frame[sound].reset_index(drop=True), rows[sound], in_file


def _renumber(later: pd.DataFrame, rows: NDArray[np.intp]) -> pd.DataFrame:
    """Give the later instants the positions that their rows have among the audited ones."""
    kept = later[later["row"].isin(rows)] if len(later) else later
    return kept.assign(row=np.searchsorted(rows, kept["row"])).reset_index(drop=True)


def _tidy(frame: pd.DataFrame, table: Table) -> pd.DataFrame:
    """Drop words that only quarantined rows used."""
    for name in frame.columns:
        if table.columns[name].kind in ("code", "codes"):
            words = frame[name].cat
            used = np.zeros(len(words.categories) + 1, dtype=bool)
            used[words.codes] = True
            if not used[:-1].all():
                frame[name] = words.remove_unused_categories()
    return frame

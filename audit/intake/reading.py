"""The way through intake: find the files, read, parse, place in time, check, count."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from audit.errors import AuditError, InternalError
from audit.intake.cells import Cells, ExportFile, Origin, match_columns
from audit.intake.clocks import TWICE, Clock, Clocked, is_zone, next_day, no_later, station_clock, to_utc
from audit.intake.contracts import breaches
from audit.intake.duplicates import repeats
from audit.intake.export import Export, FileRows, RowCount, Source
from audit.intake.faults import Faults
from audit.intake.files import find_files, read_file
from audit.intake.location import Location
from audit.intake.parsing import Parsed, joined_times, parse, together, without_blanks
from audit.intake.quarantine import list_rejects, no_rejects
from audit.intake.tables import PLACES, TABLES, Column, Table

if TYPE_CHECKING:
    from audit.intake.mapping import ExportMapping

MANY_ROWS: Final = 100_000
"""From here on threads save more time than they cost."""

_NOTHING_MORE: Final[Mapping[str, Collection[str]]] = {}


Opener = Callable[[], Sequence[Cells]]


@dataclass(frozen=True)
class _Settled:
    """One table, every row accounted for."""

    frame: pd.DataFrame
    later: pd.DataFrame
    rejects: pd.DataFrame
    count: RowCount
    files: tuple[FileRows, ...]
    sources: tuple[Source, ...]
    origins: tuple[Origin, ...]
    starts: NDArray[np.intp]
    """Where the rows of each origin begin."""
    rows: NDArray[np.intp]
    """What the audited rows were numbered as they were read."""

    def places(self, audited: NDArray[np.integer[Any]]) -> pd.DataFrame:
        rows = self.rows[audited]
        owners = np.searchsorted(self.starts, rows, side="right") - 1
        lines = np.empty(len(rows), dtype=np.int64)
        for owner in np.unique(owners):
            there = owners == owner
            lines[there] = self.origins[owner].lines(rows[there] - self.starts[owner])
        files = [self.origins[owner].file for owner in owners]
        return pd.DataFrame({"file": pd.Series(files, index=range(len(rows)), dtype="str"), "line": lines})


def read_export(
    export: Location, text_columns: Mapping[str, Collection[str]] = _NOTHING_MORE, mapping: Path | None = None
) -> Export:
    """Read an export: a folder or zip file of canonical files, or a database with canonical tables, by its URL.

    With a mapping file, whatever that maps. `text_columns` names the free-text columns that are wanted, by table. All
    other canonical columns are read in any case, so that what is quarantined never depends on what was asked for.
    AuditError, naming the file and the place, if the export or a whole file can't be read, or the mapping doesn't fit.
    """
    if mapping is not None:
        from audit.intake.mapping import load_mapping

        return read_mapped(export, load_mapping(mapping), text_columns)

    def wanted(table: Table) -> list[Column]:
        return [c for c in table.columns.values() if c.kind != "text" or c.name in text_columns.get(table.name, ())]

    if isinstance(export, str):
        from audit.intake.databases import canonical_opener, open_database

        with open_database(export) as database:
            tables = database.canonical_tables()
            openers = {
                name: canonical_opener(database, TABLES[name], there, wanted(TABLES[name]))
                for name, there in tables.items()
            }
            return _read(openers)

    def opener(name: str, file: ExportFile) -> Opener:
        return lambda: [read_file(file, TABLES[name], wanted(TABLES[name]))]

    return _read({name: opener(name, file) for name, file in find_files(export).items()})


def read_mapped(
    export: Location, mapping: ExportMapping, text_columns: Mapping[str, Collection[str]] = _NOTHING_MORE
) -> Export:
    """Read an export by a mapping; as `read_export`."""
    from audit.intake.foreign import foreign_tables

    if isinstance(export, str):
        from audit.intake.databases import open_database

        with open_database(export) as database:
            read = _read(foreign_tables(database, mapping, text_columns))
    else:
        read = _read(foreign_tables(export, mapping, text_columns))
    return replace(read, sources=(*read.sources, mapping.file))


def read_rows(tables: Mapping[str, Sequence[Mapping[str, str]]]) -> Export:
    """Read rows given as text, as if each table were a file; `file` is the table's name, `line` counts from 1."""

    def opener(name: str) -> Opener:
        return lambda: [_cells_of(TABLES[name], tables[name])]

    if unknown := sorted(set(tables) - set(TABLES)):
        raise AuditError(f"no such table: {', '.join(unknown)}; there are {', '.join(TABLES)}")
    return _read({name: opener(name) for name in TABLES if name in tables}, side_by_side=1)


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


def _read(openers: Mapping[str, Opener], side_by_side: int = 2) -> Export:
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
        tables={name: table.frame for name, table in in_order.items()},
        later=in_order["tasks"].later if "tasks" in in_order else no_later(),
        rejects=pd.concat([no_rejects(), *(table.rejects for table in in_order.values())], ignore_index=True),
        counts={name: table.count for name, table in in_order.items()},
        files={name: table.files for name, table in in_order.items()},
        sources=tuple(dict.fromkeys(source for table in in_order.values() for source in table.sources)),
        origins={name: table.places for name, table in in_order.items()},
    )


def _zones(stations: pd.DataFrame) -> dict[str, str]:
    return dict(zip(stations["station"], stations["timezone"], strict=True))


def _settle(parts: Sequence[Cells], zones: Mapping[str, str]) -> _Settled:
    """Type, place in time and check the rows of one table; sort out those that can't be believed."""
    table = parts[0].table
    starts = np.cumsum([0, *(cells.rows for cells in parts)])
    total = int(starts[-1])
    refused = [fault for cells, start in zip(parts, starts, strict=False) for fault in _from(cells, int(start))]
    parsed = _parse(parts, refused)
    found = [*refused, *(fault for column in parsed.values() for fault in column.faults)]
    values = {name: column.values for name, column in parsed.items()}
    clocked = _clocked(parts, starts, parsed, zones)
    values |= clocked.instants
    later = clocked.later
    found += clocked.faults
    if table.name != "tasks":  # Only the rules about tasks can be judged both ways.
        found += [
            Faults((str(column),), rows.to_numpy(dtype=np.intp), TWICE)
            for column, rows in later.groupby("column")["row"]
        ]
        later = no_later()
    if table.name == "stations":
        found.append(_unknown_zones(values["timezone"]))
    frame, rows, faults = _drop(_frame(values, table), np.arange(total), found)
    frame, rows, broken = _drop(frame, rows, breaches(table, frame))
    frame, rows, repeated = _drop(frame, rows, _repeats(table, frame))
    at_fault = faults + broken + repeated
    ragged = sum(len(cells.ragged) for cells in parts)
    rejected = np.unique(np.concatenate([np.empty(0, np.intp), *(fault.rows for fault in at_fault)]))
    count = RowCount(read=total + ragged, audited=len(frame), quarantined=len(rejected) + ragged)
    if count.read != count.audited + count.quarantined:
        raise InternalError(
            f"{table.name}: {count.read} rows read, but {count.audited} audited and {count.quarantined} quarantined"
        )
    rejects = list_rejects(parts, at_fault)
    return _Settled(
        frame=_tidy(frame, table),
        later=_renumber(later, rows),
        rejects=pd.concat(rejects, ignore_index=True),
        count=count,
        files=tuple(
            FileRows(
                cells.file,
                cells.rows + len(cells.ragged),
                int(audited),
                listed,
                cells.translated.left_out if cells.translated else 0,
            )
            for cells, audited, listed in zip(parts, np.diff(np.searchsorted(rows, starts)), rejects, strict=True)
        ),
        sources=tuple(cells.source for cells in parts if cells.source),
        origins=tuple(cells.origin for cells in parts),
        starts=starts[:-1],
        rows=rows,
    )


def _from(cells: Cells, start: int) -> Iterator[Faults]:
    """What couldn't be translated, with rows numbered as in the table."""
    if cells.translated:
        yield from (replace(fault, rows=fault.rows + start) for fault in cells.translated.faults)


def _parse(parts: Sequence[Cells], refused: Sequence[Faults]) -> dict[str, Parsed]:
    table = parts[0].table
    names = [name for name in table.columns if any(name in cells.columns for cells in parts)]

    def parsed(name: str) -> Parsed:
        column, day_alone = table.columns[name], table.name == "components"
        there = [cells.columns.get(name, pa.chunked_array([pa.nulls(cells.rows, pa.string())])) for cells in parts]
        done = [parse(cells, column, day_alone=day_alone) for cells in together(there, column)]
        whole = done[0] if len(done) == 1 else joined_times(done)
        return without_blanks(whole, [fault.rows for fault in refused if fault.columns == (name,)])

    if sum(cells.rows for cells in parts) < MANY_ROWS:
        return {name: parsed(name) for name in names}
    with ThreadPoolExecutor() as pool:
        return dict(zip(names, pool.map(parsed, names), strict=True))


def _clocked(
    parts: Sequence[Cells], starts: NDArray[np.intp], parsed: Mapping[str, Parsed], zones: Mapping[str, str]
) -> Clocked:
    """Times in UTC: those of tasks by the clock of their station, others as UTC, unless a mapping says otherwise."""
    table = parts[0].table
    times = {name: column for name, column in parsed.items() if column.wall is not None}
    places = [name for name in PLACES.get(table.name, ()) if name in parsed]
    stations = {name: parsed[name].values for name in places}
    by_station = {name: station_clock(stations[name], zones, name) for name in places}
    clocks = {}
    for name in times:
        default = "station" if table.name == "tasks" else ""
        told = [cells.translated.zones.get(name, default) if cells.translated else default for cells in parts]
        if len(set(told)) == 1 and told[0] in by_station:
            clocks[name] = by_station[told[0]]
        elif any(told):
            clocks[name] = _mixed_clock(told, starts, by_station)
    clocked = to_utc(times, clocks, stations)
    not_before = [cells.translated.not_before if cells.translated else {} for cells in parts]
    for name in dict.fromkeys(name for others in not_before for name in others):
        early = np.zeros(int(starts[-1]), dtype=bool)
        for others, start, end in zip(not_before, starts[:-1], starts[1:], strict=True):
            if name in others:
                early[start:end] = (clocked.instants[name] < clocked.instants[others[name]])[start:end]
        clocked = next_day(clocked, name, early, times, clocks, stations)
    return clocked


def _mixed_clock(told: Sequence[str], starts: NDArray[np.intp], by_station: Mapping[str, Clock]) -> Clock:
    """A clock for parts that are each read by another; a part without one is in UTC."""
    fixed = {zone or "UTC" for zone in told if zone not in by_station}
    names = tuple(sorted({*fixed, *(name for clock in by_station.values() for name in clock.names)}))
    zone = np.full(int(starts[-1]), -1, dtype=np.int16)
    told_by = next((place for place in told if place in by_station), "")
    for place, start, end in zip(told, starts[:-1], starts[1:], strict=True):
        if place in by_station:
            clock = by_station[place]
            new = np.array([*(names.index(name) for name in clock.names), -1], dtype=np.int16)
            zone[start:end] = new[clock.zone[start:end]]
        else:
            zone[start:end] = names.index(place or "UTC")
    return Clock(names, zone, told_by)


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
